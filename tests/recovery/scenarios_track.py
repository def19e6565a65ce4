"""Position and distance: a winding loop with a surveyed course, and laps of a track."""

from datetime import UTC, datetime

import numpy as np

from tests.recovery.expect import Prepared, Worksheet, Worn, find_entries
from tests.simulate.demo import write_course
from tests.simulate.devices import Device
from tests.simulate.effects_other import (
    ScaledDistance,
    SmartSampling,
    SpeedBias,
    SpeedDelay,
)
from tests.simulate.effects_position import (
    CornerCutting,
    LateFirstFix,
    PositionGap,
    PositionJump,
    PositionNoise,
    SideOffset,
)
from tests.simulate.places import Place, build_track, build_winding_loop
from tests.simulate.script import Effort, Workout, perform
from tests.simulate.trace import Effect

START_UTC = datetime(2026, 1, 12, 9, 0, tzinfo=UTC)
CHANNELS = ("position", "altitude_m", "speed_mps", "distance_m", "cadence_per_min")
LOOP = "loop"
CUT_FROM_M = 5.0
# Fixes every 3 m on corners of 4 m radius stand up to 0.3 m inside the arc between them.
SAMPLED = "fixes once a second, course points every 2 m"


def _make(name: str, serial: int, *effects: Effect) -> Device:
    return Device(name, name, serial=serial, channels=CHANNELS, effects=effects)


def live_trail(seed: int) -> Workout:
    """Give one round of a winding loop of about 2.9 km, at an even pace."""
    path = build_winding_loop(
        seed,
        corners=24,
        radius_m=340.0,
        wiggle=0.075,
        corner_radius_m=4.0,
        profile=((0.0, 300.0), (0.5, 330.0), (1.0, 300.0)),
    )
    return perform(
        [Effort("run", path.length_m / 2.9, 3.0, 0.6, 168.0)],
        name=f"trail {seed}",
        activity="running",
        place=Place("trail", path),
        start_utc=START_UTC,
        seed=seed,
        finish_m=path.length_m - 30.0,
    )


def prepare_trail(seed: int) -> Prepared:
    """Give the trail with one device per position effect, judged by the course."""
    workout = live_trail(seed)
    sheet = Worksheet(workout, seed)
    draw = np.random.default_rng([seed, 2])
    _expect_true_track(sheet)
    _expect_side(sheet, float(draw.choice([-1.0, 1.0]) * draw.uniform(1.0, 2.5)))
    _expect_white_noise(sheet, float(draw.uniform(1.5, 3.5)))
    _expect_cut_corners(sheet, int(draw.choice([13, 15, 17])))
    _expect_jump(sheet, float(draw.integers(200, 600)))
    _expect_gap(sheet, float(draw.integers(200, 600)), float(draw.integers(20, 60)))
    _expect_late_fix(sheet, float(draw.integers(5, 40)))
    _expect_smart(sheet)
    notes = (
        f"start = {START_UTC.isoformat()}\n"
        f'activity = "running"\nplace = "outdoors"\ncourse = "{LOOP}"\n'
    )
    return sheet.close(notes=notes, course=write_course(LOOP, workout.place), course_name=LOOP)


def _expect_true_track(sheet: Worksheet) -> None:
    name = "no-effect"
    sheet.wear(Worn(_make(name, 21)))
    for quantity, room in (
        ("track_cross_median_m", 0.05), ("track_cross_mean_m", 0.05), ("track_cross_rms_m", 0.1),
        ("track_cross_p95_m", 0.2), ("track_cross_max_m", 0.5), ("track_side_bias_m", 0.05),
        ("track_frechet_m", 2.5), ("track_hausdorff_m", 2.0), ("track_dtw_mean_m", 1.5),
    ):  # fmt: skip
        sheet.expect(name, quantity, 0.0, room, SAMPLED)
    sheet.expect(name, "track_corners_cut_per_km", 0.0, 0.0, "no corner is cut")
    sheet.expect(name, "track_turn_retention", 1.0, 0.05, SAMPLED)
    sheet.expect(name, "track_first_fix_s", 0.0, 0.0, "a fix with the first sample")
    sheet.expect(name, "track_interval_median_s", 1.0, 0.0, "every second")
    sheet.expect(name, "track_gap_max_s", 1.0, 0.0, "every second")
    sheet.expect(name, "track_jumps", 0.0, 0.0, "none was put in")
    sheet.expect(name, "track_coverage_pct", 100.0, 1e-6, "every second")
    for kind in ("cut_corner", "position_jump", "position_gap"):
        sheet.expect(name, f"false:{kind}", 0.0, 0.0, "none was put in")


def _expect_side(sheet: Worksheet, left_m: float) -> None:
    name = "aside"
    sheet.wear(Worn(_make(name, 22, SideOffset(left_m))))
    sheet.expect(name, "track_side_bias_m", -left_m, 0.1, SAMPLED)
    sheet.expect(name, "track_cross_median_m", abs(left_m), 0.05, SAMPLED)
    sheet.expect(name, "track_cross_rms_m", abs(left_m), 0.1, SAMPLED)
    sheet.expect(name, "track_hausdorff_m", abs(left_m), 2.0, SAMPLED)


def _expect_white_noise(sheet: Worksheet, sd_m: float) -> None:
    name = "noisy"
    held = sheet.wear(Worn(_make(name, 23, PositionNoise(sd_m))))
    # Across a straight line the error is normal: quantiles of its absolute value from tables.
    count = len(held.true_s)
    luck = 4.0 * sd_m / np.sqrt(2 * count)
    why = "four standard errors, and corners, where the nearest point is another one"
    sheet.expect(name, "track_cross_median_m", 0.6745 * sd_m, luck * 1.6 + 0.05, why)
    sheet.expect(name, "track_cross_mean_m", 0.7979 * sd_m, luck + 0.05, why)
    sheet.expect(name, "track_cross_rms_m", sd_m, luck + 0.05, why)
    sheet.expect(name, "track_cross_p95_m", 1.9600 * sd_m, luck * 2.6 + 0.1, why)
    sheet.expect(name, "track_side_bias_m", 0.0, 4.0 * sd_m / np.sqrt(count) + 0.05, why)


def _expect_cut_corners(sheet: Worksheet, window_s: int) -> None:
    name = "cutter"
    held = sheet.wear(Worn(_make(name, 24, CornerCutting(window_s))))
    cuts = [entry.size for entry in find_entries(held, "cut_corner")]
    softened = [entry.size for entry in find_entries(held, "softened_corner")]
    close = sum(abs(size - CUT_FROM_M) < 0.6 for size in [*cuts, *softened])
    kilometres = float(held.workout.distance_m[-1]) / 1000.0
    why = f"the {close} corners within 0.6 m of the limit may fall on either side of it"
    sheet.expect(
        name, "track_corners_cut_per_km", len(cuts) / kilometres, close / kilometres + 0.05, why
    )
    sheet.expect(name, "found:cut_corner", len(cuts), float(close), why)
    sheet.expect(name, "false:cut_corner", 0.0, float(close), why)
    median = float(np.median([*cuts, *softened]))
    sheet.expect(name, "track_corner_cut_median_m", median, 0.6, SAMPLED)


def _expect_jump(sheet: Worksheet, at_s: float) -> None:
    name = "jumpy"
    sheet.wear(Worn(_make(name, 25, PositionJump(at_s, at_s + 8.0, 90.0, 60.0))))
    sheet.expect(name, "track_jumps", 1.0, 1.0, "out and back may count as one or as two")
    sheet.expect(name, "found:position_jump", 1.0, 0.0, "108 m in a second")


def _expect_gap(sheet: Worksheet, at_s: float, length_s: float) -> None:
    name = "gappy"
    held = sheet.wear(Worn(_make(name, 26, PositionGap(at_s, at_s + length_s))))
    sheet.expect(name, "track_gap_max_s", length_s + 1.0, 0.0, "from the last fix to the next")
    sheet.expect(name, "found:position_gap", 1.0, 0.0, "longer than what is bridged")
    share = 100.0 * (1.0 - length_s / len(held.true_s))
    sheet.expect(name, "track_coverage_pct", share, 0.2, "whole seconds")


def _expect_late_fix(sheet: Worksheet, delay_s: float) -> None:
    name = "late-fix"
    sheet.wear(Worn(_make(name, 27, LateFirstFix(delay_s))))
    sheet.expect(name, "track_first_fix_s", delay_s, 0.0, "whole seconds")


def _expect_smart(sheet: Worksheet) -> None:
    name = "smart"
    held = sheet.wear(Worn(_make(name, 28, SmartSampling(9))))
    steps = np.diff(held.true_s)
    sheet.expect(name, "track_interval_median_s", float(np.median(steps)), 0.0, "whole seconds")
    sheet.expect(name, "track_gap_max_s", float(steps.max()), 0.0, "whole seconds")
    sheet.expect(name, "track_cross_median_m", 0.0, 0.05, "fixes are true, only fewer")


def prepare_laps(seed: int) -> Prepared:
    """Give ten laps of the track, judged by a measured distance and a true device."""
    efforts = [Effort("easy", 600.0, 3.0, 0.55, 166.0)]
    for number in range(4):
        efforts.append(Effort(f"fast {number}", 90.0, 4.4, 0.85, 178.0))
        efforts.append(Effort(f"slow {number}", 90.0, 2.4, 0.45, 158.0))
    workout = perform(
        efforts,
        name=f"laps {seed}",
        activity="running",
        place=Place("track", build_track(), 500.0 + seed, -200.0),
        start_utc=START_UTC,
        seed=seed,
        finish_m=4000.0,
    )
    sheet = Worksheet(workout, seed)
    draw = np.random.default_rng([seed, 3])
    true = "reference"
    sheet.wear(Worn(_make(true, 31), "reference"))
    # A chord of v metres on a radius r is shorter than its arc by v^3 / (24 r^2): at 4.4 m/s and
    # 36.8 m that is 0.06 % of the bends, at most 0.12 m a lap.
    chords = "chords of a second's way are shorter than the arcs by up to 0.12 m a lap"
    sheet.expect(true, "distance_own_m", 4000.0, 0.02, "centimetres")
    sheet.expect(true, "distance_summed_m", 4000.0, 1.2, chords)
    # The fixes that a track reads 400.00 m a lap from.
    sheet.expect(true, "track_lap_spread_m", 0.0, 0.5, chords)
    name = "no-effect"
    sheet.wear(Worn(_make(name, 32)))
    for quantity in ("distance_error_m", "distance_error_pct", "speed_bias_mps", "speed_mae_mps",
                     "speed_lag_s", "track_cep50_m", "track_cep95_m"):  # fmt: skip
        sheet.expect(name, quantity, 0.0, 0.02, "same truth, same clock")
    _expect_scaled(sheet, float(draw.uniform(0.96, 1.04)))
    _expect_circular_error(sheet, float(draw.uniform(1.0, 4.0)))
    _expect_speed(sheet, float(draw.uniform(0.05, 0.3)), float(draw.integers(2, 7)))
    notes = (
        f'start = {START_UTC.isoformat()}\nactivity = "running"\nplace = "track"\n'
        "[truth]\ndistance_m = 4000\n"
    )
    return sheet.close(notes=notes)


def _expect_scaled(sheet: Worksheet, factor: float) -> None:
    name = "scaled"
    sheet.wear(Worn(_make(name, 33, ScaledDistance(factor))))
    sheet.expect(name, "distance_own_m", 4000.0 * factor, 0.02, "centimetres")
    sheet.expect(name, "distance_error_m", 4000.0 * (factor - 1.0), 0.02, "centimetres")
    sheet.expect(name, "distance_error_pct", 100.0 * (factor - 1.0), 0.001, "centimetres")


def _expect_circular_error(sheet: Worksheet, sd_m: float) -> None:
    name = "noisy"
    held = sheet.wear(Worn(_make(name, 34, PositionNoise(sd_m))))
    # Rayleigh quantiles: 1.1774 and 2.4477 times the SD of each coordinate.
    luck = sd_m / np.sqrt(len(held.true_s))
    sheet.expect(name, "track_cep50_m", 1.1774 * sd_m, 4.0 * luck, "four standard errors")
    sheet.expect(name, "track_cep95_m", 2.4477 * sd_m, 8.0 * luck, "four standard errors")


def _expect_speed(sheet: Worksheet, bias_mps: float, delay_s: float) -> None:
    sheet.wear(Worn(_make("hasty", 35, SpeedBias(bias_mps))))
    sheet.expect("hasty", "speed_bias_mps", bias_mps, 0.01, "the first seconds stand still")
    sheet.expect("hasty", "speed_mae_mps", bias_mps, 0.01, "the first seconds stand still")
    sheet.wear(Worn(_make("slow-speed", 36, SpeedDelay(delay_s))))
    sheet.expect("slow-speed", "speed_lag_s", delay_s, 0.6, "whole seconds")
