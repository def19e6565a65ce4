"""Settings of heart rate."""

from __future__ import annotations

from typing import Annotated

from pydantic import BeforeValidator, Field, field_validator

from config.section import NotNegative, Positive, Section, Share, make_tuple


class HeartRateSettings(Section):
    """Thresholds of the heart-rate metrics and findings."""

    #: Resamples of intervals; none is resampled any more.
    retired = frozenset({"bootstrap_runs"})

    band_edges_pct: Annotated[tuple[Positive, ...], BeforeValidator(make_tuple)] = Field(
        description="Edges of the intensity bands, in percent of the reference maximum [%]"
    )

    max_bpm: NotNegative = Field(
        description="Heart-rate maximum for the bands; 0: the workout's robust maximum [bpm]"
    )
    direction_slope_bpm_per_s: Positive = Field(
        description="Slope of the reference beyond which it is rising or falling [bpm/s]"
    )
    direction_window_s: Positive = Field(description="Window of that slope [s]")
    lock_bpm: Positive = Field(description="Error within which heart rate is locked [bpm]")
    lock_pct: Positive = Field(description="The same in percent; the greater counts [%]")
    lock_hold_s: Positive = Field(description="Time for which the lock must hold [s]")
    block_s: Annotated[float, Field(ge=150)] = Field(
        description="Least length of the blocks that errors are summed in; at least 150 [s]"
    )
    late_lock_s: Positive = Field(description="Time to lock from which the lock is late [s]")
    dropout_s: Positive = Field(
        description="Time without heart rate from which it is a dropout; where the device went on "
        "recording samples without it, half of that [s]"
    )
    frozen_s: Positive = Field(description="Time of one repeated value that may be frozen [s]")
    frozen_reference_bpm: Positive = Field(
        description="Movement of the reference meanwhile from which it is frozen [bpm]"
    )
    spike_bpm: Positive = Field(
        description="Excursion from the device's own running median that is a spike [bpm]"
    )
    spike_floor_bpm: Positive = Field(
        description="Least excursion that belongs to a spike, since plateaus have no spread [bpm]"
    )
    spike_s: Positive = Field(description="Time below which an excursion is a spike [s]")
    steady_bpm: Positive = Field(
        description="Excursion of the reference within which it is steady [bpm]"
    )
    biased_bpm: Positive = Field(description="Smoothed error beyond which it is biased [bpm]")
    biased_s: Positive = Field(description="Time from which it is a biased stretch [s]")
    biased_window_s: Positive = Field(description="Window of that smoothing [s]")
    cadence_within_bpm: Positive = Field(
        description="Distance from cadence, its half or its double within which heart rate may be "
        "locked to it [bpm]"
    )
    cadence_off_bpm: Positive = Field(
        description="Error from which heart rate near cadence is locked to it [bpm]"
    )
    cadence_hold_s: Positive = Field(description="Time from which it is a cadence lock [s]")
    rise_bpm: Positive = Field(
        description="Rise of the reference that is an effort, or fall that is a recovery [bpm]"
    )
    rise_window_s: Positive = Field(description="Time within which it must rise that much [s]")
    missed_share: Share = Field(
        description="Share of a rise that may be lacking at its end before the rise is missed"
    )
    max_lag_s: Positive = Field(description="Largest lag behind the reference looked for [s]")
    lag_min_correlation: Share = Field(
        description="Correlation at the best shift from which a lag is believed"
    )
    doubtful_bpm: Positive = Field(
        description="Difference of two references from which the second is doubtful [bpm]"
    )
    beats_window_s: Positive = Field(
        description="Centred window in which beats become the reference heart rate [s]"
    )
    failed_mae_bpm: Positive = Field(
        description="Mean absolute error of a workout above which heart rate failed in it [bpm]"
    )
    failed_dropout_pct: Positive = Field(
        description="Share of a workout in dropouts above which heart rate failed in it [%]"
    )
    cold_degc: float = Field(description="Temperature below which a start is cold [degrees C]")
    cold_start_s: Positive = Field(description="Time for which a cold start lasts [s]")
    after_pause_s: Positive = Field(
        description="Time after a pause or stop for which errors are put down to it [s]"
    )

    @field_validator("band_edges_pct")
    @classmethod
    def _check_edges(cls, edges: tuple[float, ...]) -> tuple[float, ...]:
        if list(edges) != sorted(set(edges)):
            raise ValueError("edges of bands rise from one to the next")
        return edges
