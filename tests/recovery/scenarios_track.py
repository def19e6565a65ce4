"""Position and distance: a winding loop with a surveyed course, and laps of a track."""

from datetime import UTC, datetime

import numpy as np

from tests.recovery.expect import Prepared, Worksheet, Worn, find_entries
from tests.simulate.demo import write_course
from tests.simulate.devices import Device, Recorded
from tests.simulate.effects_other import (
    ScaledDistance,
    SmartSampling,
    SpeedBias,
    SpeedDelay,
)
from tests.simulate.effects_position import (
    CornerCutting,
    LateFirstFix,
    PositionDelay,
    PositionGap,
    PositionJump,
    PositionNoise,
    SideOffset,
    StuckFix,
)
from tests.simulate.places import Place, build_track, build_winding_loop
from tests.simulate.script import Effort, Workout, perform
from tests.simulate.trace import Effect

START_UTC = datetime(2026, 1, 12, 9, 0, tzinfo=UTC)
CHANNELS = ("position", "altitude_m", "speed_mps", "distance_m", "cadence_per_min")
LOOP = "loop"
CUT_FROM_M = 5.0
# Fixes every 3 m on corners of 4 m radius stand up to 0.3 m inside the arc between them.
RESAMPLED = "both resampled every 2 m: up to half of that"
SAMPLED = "fixes once a second, course points every 2 m"


def _make(name: str, serial: int, *effects: Effect) -> Device:
    return Device(name, name, serial=serial, channels=CHANNELS, effects=effects)


def live_trail(seed: int) -> Workout:
    """Return one round of a winding loop of about 2.9 km, at an even pace."""
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
    """Return the trail with one device per position effect, judged by the course."""
    workout = live_trail(seed)
    sheet = Worksheet(workout, seed)
    draw = np.random.default_rng([seed, 2])
    _expect_true_track(sheet)
    _expect_side(sheet, float(draw.choice([-1.0, 1.0]) * draw.uniform(1.0, 2.5)))
    _expect_white_noise(sheet, float(draw.uniform(1.5, 3.5)))
    _expect_cut_corners(sheet, int(draw.choice([19, 21, 23])))
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
    ):  # fmt: skip
        sheet.expect(name, quantity, 0.0, room, SAMPLED)
    for quantity in ("track_frechet_m", "track_hausdorff_m", "track_dtw_mean_m"):
        sheet.expect(name, quantity, 0.0, 1.1, RESAMPLED)
    sheet.expect(name, "track_corners_cut_per_km", 0.0, 0.0, "no corner is cut")
    sheet.expect(name, "track_corner_lost_m", 0.0, 3.0, SAMPLED)
    sheet.expect(name, "track_turn_retention", 1.0, 0.02, SAMPLED)
    sheet.expect(name, "track_turning_ratio", 1.0, 0.05, "resampled every 10 m")
    sheet.expect(name, "track_off_line_s", 0.0, 1.0, "starts and ends on the line")
    sheet.expect(name, "track_first_fix_s", 0.0, 0.0, "a fix with the first sample")
    sheet.expect(name, "track_failed_pct", 0.0, 0.0, "a fix every second")
    sheet.expect(name, "track_interval_median_s", 1.0, 0.0, "every second")
    sheet.expect(name, "track_interval_p95_s", 1.0, 0.0, "every second")
    sheet.expect(name, "track_gap_max_s", 1.0, 0.0, "every second")
    sheet.expect(name, "track_jumps", 0.0, 0.0, "none was put in")
    sheet.expect(name, "track_stuck_s", 0.0, 0.0, "none was put in")
    sheet.expect(name, "track_coverage_pct", 100.0, 1e-6, "every second")
    for kind in ("cut_corner", "position_jump", "position_gap"):
        sheet.expect(name, f"false:{kind}", 0.0, 0.0, "none was put in")


def _expect_side(sheet: Worksheet, left_m: float) -> None:
    name = "aside"
    sheet.wear(Worn(_make(name, 22, SideOffset(left_m))))
    sheet.expect(name, "track_side_bias_m", -left_m, 0.1, SAMPLED)
    sheet.expect(name, "track_cross_median_m", abs(left_m), 0.05, SAMPLED)
    sheet.expect(name, "track_cross_mean_m", abs(left_m), 0.05, SAMPLED)
    sheet.expect(name, "track_cross_rms_m", abs(left_m), 0.1, SAMPLED)
    sheet.expect(name, "track_hausdorff_m", abs(left_m), 1.1, RESAMPLED)
    sheet.expect(name, "track_frechet_m", abs(left_m), 1.6, RESAMPLED)


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
    close = sum(abs(size - CUT_FROM_M) < 0.5 for size in [*cuts, *softened])
    whole_m = float(held.workout.distance_m[-1])
    why = f"the {close} corners within 0.5 m of the limit may fall on either side of it"
    per_km = len(cuts) / (whole_m / 1000.0)
    sheet.expect(name, "track_corners_cut_per_km", per_km, close / (whole_m / 1000.0) + 0.1, why)
    sheet.expect(name, "found:cut_corner", len(cuts), float(close), why)
    sheet.expect(name, "track_corners_cut", len(cuts), float(close), why)
    sheet.expect(name, "false:cut_corner", 0.0, float(close), why)
    median = float(np.median([*cuts, *softened]))
    sheet.expect(name, "track_corner_cut_median_m", median, 0.4, SAMPLED)
    cut_m = _sum_lost_in_cuts(held)
    # A corner near the limit loses as much as one of those that are cut.
    unsure_m = close * cut_m / max(1, len(cuts))
    near = "fixes are matched to the nearest place of the line; corners near the limit"
    room_m = 0.06 * cut_m + unsure_m + 2.0
    sheet.expect(name, "track_corners_cut_lost_m", cut_m, room_m, near)
    sheet.expect(name, "track_corners_cut_lost_pct", 100.0 * cut_m / whole_m,
                 100.0 * room_m / whole_m, near)  # fmt: skip
    lost_m, doubt_m, kept, doubt = _follow_corners(held)
    sheet.expect(
        name,
        "track_corner_lost_m",
        lost_m,
        0.05 * lost_m + doubt_m,
        "fixes are matched to the nearest place of the line; corners near 45 degrees",
    )
    sheet.expect(name, "track_turn_retention", kept, 0.03 + doubt,
                 "directions of chords of 5 m; corners near 45 degrees")  # fmt: skip


def _sum_lost_in_cuts(held: Recorded) -> float:
    """Return the way lost within 40 m of the corners that were cut."""
    path = held.workout.place.path
    if path is None:
        raise ValueError("a track has a path")
    along = held.workout.sample(held.true_s)["distance_m"]
    steps = np.hypot(np.diff(held.channels["east_m"]), np.diff(held.channels["north_m"]))
    own = np.concatenate([[0.0], np.cumsum(steps)])
    lost = 0.0
    for entry in find_entries(held, "cut_corner"):
        middle = float(np.interp((entry.start_s + entry.end_s) / 2.0, held.true_s, along))
        apex = min((one.apex_m for one in path.corners), key=lambda at: abs(at - middle))
        # The way ends within 40 m of the last corner.
        low, high = np.clip([apex - 40.0, apex + 40.0], along[0], along[-1])
        lost += high - low - float(np.diff(np.interp([low, high], along, own))[0])
    return lost


def _follow_corners(held: Recorded) -> tuple[float, float, float, float]:
    """Return the way lost within 40 m of the corners and the share of turn kept within 10 m.

    Beside each stands what the corners between 40 and 50 degrees make of it: whether they count
    depends on how a turn is measured.
    """
    path = held.workout.place.path
    if path is None:
        raise ValueError("a track has a path")
    east, north = held.channels["east_m"], held.channels["north_m"]
    along = held.workout.sample(held.true_s)["distance_m"]
    own = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(east), np.diff(north)))])
    rows = []
    for corner in path.corners:
        low, high = corner.apex_m - 40.0, corner.apex_m + 40.0
        if abs(corner.turn_deg) < 40.0 or low < along[0] or high > along[-1]:
            continue
        lost = high - low - float(np.diff(np.interp([low, high], along, own))[0])
        at = float(np.interp(corner.apex_m, along, own)) + np.array([-12.5, -7.5, 7.5, 12.5])
        x, y = np.interp(at, own, east), np.interp(at, own, north)
        before = np.arctan2(y[1] - y[0], x[1] - x[0])
        after = np.arctan2(y[3] - y[2], x[3] - x[2])
        turn = np.degrees((after - before + np.pi) % (2 * np.pi) - np.pi)
        rows.append((abs(corner.turn_deg), lost, float(turn * np.sign(corner.turn_deg))))
    table = np.array(rows)
    sure = table[:, 0] >= 45.0
    unsure = np.abs(table[:, 0] - 45.0) < 5.0
    shares = [
        float(table[chosen, 2].sum() / table[chosen, 0].sum())
        for chosen in (sure, sure & ~unsure, sure | unsure)
    ]
    doubt_m = float(table[unsure, 1].sum())
    return float(table[sure, 1].sum()), doubt_m, shares[0], float(np.ptp(shares))


def _expect_jump(sheet: Worksheet, at_s: float) -> None:
    name = "jumpy"
    sheet.wear(Worn(_make(name, 25, PositionJump(at_s, at_s + 8.0, 90.0, 60.0))))
    sheet.expect(name, "track_jumps", 1.0, 0.0, "108 m in a second; the way back is not counted")
    sheet.expect(name, "found:position_jump", 1.0, 0.0, "108 m in a second")
    sheet.wear(Worn(_make("stuck", 29, StuckFix(at_s, at_s + 40.0))))
    sheet.expect("stuck", "track_stuck_s", 40.0, 2.0, "whole seconds, a second at either end")
    sheet.expect("stuck", "count:stuck_position", 1.0, 0.0, "forty seconds at one place")


def _expect_gap(sheet: Worksheet, at_s: float, length_s: float) -> None:
    name = "gappy"
    held = sheet.wear(Worn(_make(name, 26, PositionGap(at_s, at_s + length_s))))
    sheet.expect(name, "track_gap_max_s", length_s + 1.0, 0.0, "from the last fix to the next")
    sheet.expect(name, "found:position_gap", 1.0, 0.0, "longer than what is bridged")
    failed = 100.0 if length_s > 0.05 * len(held.true_s) else 0.0
    sheet.expect(name, "track_failed_pct", failed, 0.0, "the limit is 5 % of the time")
    share = 100.0 * (1.0 - length_s / len(held.true_s))
    sheet.expect(name, "track_coverage_pct", share, 0.2, "whole seconds")


def _expect_late_fix(sheet: Worksheet, delay_s: float) -> None:
    name = "late-fix"
    sheet.wear(Worn(_make(name, 27, LateFirstFix(delay_s))))
    sheet.expect(name, "track_first_fix_s", delay_s, 0.0, "whole seconds")
    sheet.expect(name, "track_failed_pct", 0.0, 0.0, "seconds, the limit is two minutes")
    sheet.wear(Worn(_make("much-too-late", 30, LateFirstFix(121.0 + delay_s))))
    sheet.expect("much-too-late", "track_failed_pct", 100.0, 0.0, "the limit is two minutes")
    sheet.wear(Worn(_make("often-lost", 31, PositionGap(200.0, 400.0))))
    sheet.expect("often-lost", "track_failed_pct", 100.0, 0.0, "200 s, the limit is 5 %")


def _expect_smart(sheet: Worksheet) -> None:
    name = "smart"
    held = sheet.wear(Worn(_make(name, 28, SmartSampling(9))))
    steps = np.diff(held.true_s)
    sheet.expect(name, "track_interval_median_s", float(np.median(steps)), 0.0, "whole seconds")
    p95_s = float(np.quantile(steps, 0.95))
    sheet.expect(name, "track_interval_p95_s", p95_s, 1.0, "whole seconds")
    sheet.expect(name, "track_gap_max_s", float(steps.max()), 0.0, "whole seconds")
    sheet.expect(name, "track_cross_median_m", 0.0, 0.05, "fixes are true, only fewer")
    truth = held.workout.sample(held.true_s)
    chords = np.hypot(np.diff(truth["east_m"]), np.diff(truth["north_m"]))
    lost_m = float((np.diff(truth["distance_m"]) - chords).sum())
    why = "where a fix lies on the way is known to some tenths of a metre in corners"
    whole_m = float(truth["distance_m"][-1])
    sheet.expect(name, "distance_chord_loss_m", lost_m, 0.05 * lost_m + 1.0, why)
    share, room = (100.0 * part / whole_m for part in (lost_m, 0.05 * lost_m + 1.0))
    sheet.expect(name, "distance_chord_loss_pct", share, room, why)


def prepare_laps(seed: int) -> Prepared:
    """Return ten laps of the track, judged by a measured distance and a true device."""
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
    sheet.expect(true, "distance_counter_m", 4000.0, 0.02, "centimetres")
    way = workout.sample(workout.time_s)
    summed_m = float(np.hypot(np.diff(way["east_m"]), np.diff(way["north_m"])).sum())
    sheet.expect(true, "distance_summed_error_m", summed_m - 4000.0, 0.1, "a centimetre a fix")
    sheet.expect(true, "distance_summed_error_pct", summed_m / 40.0 - 100.0, 0.0025,
                 "a centimetre a fix")  # fmt: skip
    sheet.expect(true, "distance_own_ratio", 4000.0 / summed_m, 0.0001, "a centimetre a fix")
    sheet.expect(true, "track_laps", 9.5, 0.5, "whether the start counts as passing the gate")
    sheet.expect(true, "track_lap_mean_m", 400.0, 0.13, chords)
    sheet.expect(true, "track_lap_spread_m", 0.0, 0.1, chords)
    sheet.expect(true, "track_lap_lateral_m", 0.0, 0.1, chords)
    name = "no-effect"
    sheet.wear(Worn(_make(name, 32)))
    for quantity in ("distance_error_m", "distance_error_pct"):
        sheet.expect(name, quantity, 0.0, 0.02, "against the truth")
    sheet.expect(name, "count:shared_signal", 3.0, 0.0, "position, speed, distance; it is flat")
    sheet.expect(true, "count:shared_signal", 0.0, 0.0, "the reference has the sensors")
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
    sheet.expect(name, "track_2drms_m", 2 * 2**0.5 * sd_m, 6.0 * luck, "four standard errors")
    sheet.expect(name, "track_along_rms_m", sd_m, 4.0 * luck, "four standard errors")
    sheet.wear(Worn(_make("late-position", 37, PositionDelay(1.0), PositionNoise(0.5))))
    sheet.expect("late-position", "track_along_bias_m", -4000.0 / held.workout.duration_s, 0.1,
                 "a second's way; in the bends it is a chord")  # fmt: skip


def _expect_speed(sheet: Worksheet, bias_mps: float, delay_s: float) -> None:
    sheet.wear(Worn(_make("hasty", 35, SpeedBias(bias_mps))))
    sheet.expect("hasty", "speed_bias_mps", bias_mps, 0.01, "the first seconds stand still")
    sheet.expect("hasty", "speed_mae_mps", bias_mps, 0.01, "the first seconds stand still")
    true = sheet.workout.speed_mps
    moving = true > 0.5
    off = np.abs(1000.0 / (true[moving] + bias_mps) - 1000.0 / true[moving])
    sheet.expect("hasty", "pace_mae_s_per_km", float(off.mean()), 0.5,
                 "millimetres a second, and which first seconds count as moving")  # fmt: skip
    sheet.wear(Worn(_make("slow-speed", 36, SpeedDelay(delay_s))))
    sheet.expect("slow-speed", "speed_lag_s", delay_s, 0.6, "whole seconds")
