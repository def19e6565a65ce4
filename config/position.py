"""Settings of positions, distance and heights."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from config.section import NotNegative, Positive, PositiveInt, Section, Share


class PositionSettings(Section):
    """Thresholds of the position, distance and speed metrics and findings."""

    reach_m: Positive = Field(
        description="Distance from the reference line up to which a fix may lie on it [m]"
    )
    window_s: Positive = Field(
        description="Time about a fix within which the reference device passed its place [s]"
    )
    closes_within_m: NotNegative = Field(
        description="Distance of its ends up to which a course is a round [m]"
    )
    course_side_m: NotNegative = Field(
        description="What a course may be off sideways; stored beside results [m]"
    )
    course_length_pct: NotNegative = Field(
        description="What a course may be off in length, 0.1 for one measured by calibrated "
        "bicycle; stored beside results [%]"
    )
    corner_deg: Positive = Field(description="Turn from which a line has a corner [degrees]")
    corner_within_m: Positive = Field(description="Way within which it must turn that much [m]")
    cut_m: Positive = Field(description="Distance inside the apex from which a corner is cut [m]")
    turning_spacing_m: Positive = Field(
        description="Spacing of the points between which turning is summed [m]"
    )
    curve_spacing_m: Positive = Field(
        description="Spacing of the points of whole-track distances [m]"
    )
    curve_points: PositiveInt = Field(
        description="Most points of whole-track distances; longer tracks get a wider spacing"
    )
    walking_mps: Positive = Field(description="Speed that no walker exceeds [m/s]")
    running_mps: Positive = Field(description="Speed that no runner exceeds [m/s]")
    cycling_mps: Positive = Field(description="Speed that no cyclist exceeds [m/s]")
    other_mps: Positive = Field(description="Speed that nobody else exceeds [m/s]")
    jump_slack_m: Positive = Field(
        description="Distance beyond that speed from which a step is a jump [m]"
    )
    jump_return_s: Positive = Field(
        description="Time within which a jump and the way back are one jump [s]"
    )
    stuck_s: Positive = Field(
        description="Time at one place, while moving, from which the position is stuck [s]"
    )
    failed_first_fix_s: Positive = Field(
        description="Time to the first fix from which the track of a workout outdoors failed [s]"
    )
    failed_lost_pct: Positive = Field(
        description="Share of the time without a fix, after the first one, from which it failed [%]"
    )
    moving_mps: Positive = Field(description="Speed from which someone moves [m/s]")
    max_speed_lag_s: Positive = Field(description="Largest lag of speed that is looked for [s]")
    speed_min_correlation: Share = Field(
        description="Correlation at the best shift from which a lag of speed is believed"
    )


class ElevationSettings(Section):
    """Thresholds of the height metrics."""

    barometric_m: NotNegative = Field(
        description="Threshold of ascent and descent for heights from a barometer [m]"
    )
    gnss_m: NotNegative = Field(
        description="Threshold of ascent and descent for heights from satellites [m]"
    )
    unknown_m: NotNegative = Field(
        description="Threshold of ascent and descent where the export does not tell [m]"
    )
    barometric_window_s: Positive = Field(
        description="Running mean before ascent is summed, for heights from a barometer [s]"
    )
    gnss_window_s: Positive = Field(
        description="Running mean before ascent is summed, for heights from satellites [s]"
    )
    unknown_window_s: Positive = Field(
        description="Running mean before ascent is summed where the export does not tell [s]"
    )
    noise_window_s: Annotated[int, Field(ge=3)] = Field(
        description="Window of the running mean that is taken off to see the noise [s]"
    )
    drift_step_s: Positive = Field(
        description="Stretch over which heights are averaged before their drift is looked for [s]"
    )
    drift_least_s: Positive = Field(
        description="Time over which heights must be compared to speak of drift [s]"
    )
    loop_within_m: Positive = Field(
        description="Distance of start and end up to which a workout is a loop [m]"
    )
