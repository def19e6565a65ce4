"""Height, start, pool, battery and clocks: one wrong device per effect."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np

from tests.recovery.expect import Prepared, Worksheet, Worn, find_entries
from tests.simulate.devices import Clock, Device
from tests.simulate.effects_heart_rate import PureDelay, PushOffGaps
from tests.simulate.effects_other import (
    AutomaticDetection,
    BackdatedStart,
    Barometer,
    OwnAscent,
    PoolCounter,
    SmartSampling,
    StrokeMisread,
    TreadmillEstimate,
)
from tests.simulate.places import Place, build_winding_loop
from tests.simulate.script import Effort, SwimSet, Workout, perform, swim
from tests.simulate.trace import Effect

START_UTC = datetime(2026, 1, 14, 9, 0, tzinfo=UTC)
OUTDOORS = ("position", "altitude_m", "speed_mps", "distance_m", "cadence_per_min")
WATCH = (*OUTDOORS, "heart_rate_bpm")
POOL = ("heart_rate_bpm", "speed_mps", "distance_m")
RESOLUTION = "heights are written in fifths of a metre"


def make_watch(
    name: str, serial: int, *effects: Effect, channels: tuple[str, ...] = OUTDOORS
) -> Device:
    return Device(name, name, serial=serial, channels=channels, effects=effects, barometer=True)


def write_notes(activity: str, place: str, *truth: str) -> str:
    lines = [f"start = {START_UTC.isoformat()}", f'activity = "{activity}"', f'place = "{place}"']
    return "\n".join([*lines, *(["[truth]", *truth] if truth else [])]) + "\n"


def prepare_hills(seed: int) -> Prepared:
    """Return one round of a hilly loop by bicycle: the height ends where it began."""
    path = build_winding_loop(
        seed,
        corners=14,
        radius_m=1500.0,
        wiggle=0.1,
        corner_radius_m=25.0,
        profile=((0.0, 250.0), (0.3, 340.0), (0.5, 290.0), (0.7, 365.0), (1.0, 250.0)),
    )
    workout = perform(
        [Effort("ride", path.length_m / 6.5, 6.5, 0.6, 85.0, 190.0)],
        name=f"hills {seed}",
        activity="cycling",
        place=Place("road", path),
        start_utc=START_UTC,
        seed=seed,
        finish_m=path.length_m,
    )
    sheet = Worksheet(workout, seed)
    draw = np.random.default_rng([seed, 4])
    hours = workout.duration_s / 3600.0
    true_m = workout.true_ascent_m()
    sheet.wear(Worn(make_watch("reference", 41), "reference"))
    sheet.wear(Worn(make_watch("no-effect", 42)))
    sheet.expect("no-effect", "count:shared_signal", 4.0, 0.0, "the reference's in all channels")
    sheet.expect("no-effect", "altitude_closure_m", 0.0, 0.3, RESOLUTION)
    sheet.expect("no-effect", "ascent_threshold_m", 3.0, 0.0, "a barometer stands in the export")
    kept = "nothing of a counted climb is lost; smoothing takes a little off three turns"
    sheet.expect("no-effect", "ascent_m", true_m, 1.0, kept)
    sheet.expect("no-effect", "descent_m", true_m, 1.0, kept)
    drift = float(draw.choice([-1.0, 1.0]) * draw.uniform(4.0, 15.0))
    sheet.wear(Worn(make_watch("drifting", 43, Barometer(drift_m_per_h=drift))))
    sheet.expect("drifting", "altitude_drift_m_per_h", drift, 0.3, RESOLUTION)
    sheet.expect("drifting", "altitude_closure_m", drift * hours, 0.4, RESOLUTION)
    offset = float(draw.uniform(-20.0, 20.0))
    sheet.wear(Worn(make_watch("offset", 44, Barometer(offset_m=offset, noise_m=0.2))))
    sheet.expect("offset", "altitude_bias_m", offset, 0.11, RESOLUTION)
    sheet.expect("offset", "altitude_rms_m", 0.2, 0.15, RESOLUTION)
    noise = float(draw.uniform(0.4, 1.0))
    held = sheet.wear(Worn(make_watch("noisy", 45, Barometer(noise_m=noise, noise_memory_s=0.0))))
    luck = 4.0 * noise / np.sqrt(2 * len(held.true_s))
    written = float(np.hypot(noise, 0.2 / np.sqrt(12)))
    sheet.expect("noisy", "altitude_noise_m", written, luck + 0.05,
                 "four standard errors; the high pass takes a little")  # fmt: skip
    sheet.expect("noisy", "altitude_p95_m", 1.96 * written, 2.6 * luck + 0.1, "steps of 0.2 m")
    sheet.expect("noisy", "altitude_rms_m", written, luck + 0.05, "four standard errors")
    factor = float(draw.uniform(0.9, 1.15))
    sheet.wear(Worn(make_watch("own-total", 46, OwnAscent(factor))))
    sheet.expect("own-total", "ascent_m", true_m, 1.0, kept)
    sheet.expect("own-total", "ascent_own_m", true_m * factor, 0.5, "whole metres")
    sheet.expect("own-total", "descent_own_m", workout.true_descent_m() * factor, 0.5,
                 "whole metres")  # fmt: skip
    sheet.expect("own-total", "ascent_own_error_m", true_m * (factor - 1.0), 0.51, "whole metres")
    sheet.wear(Worn(make_watch("pressure", 47, Barometer(6.0, 4.0, 0.5, 0.0, writes_pressure=True),
                          channels=(*OUTDOORS, "pressure_pa"))))  # fmt: skip
    # Rounding to 0.2 m and to 1 Pa (0.09 m) gives 0.06 and 0.03 m.
    sheet.expect("pressure", "altitude_pressure_rms_m", 0.065, 0.02, "rounding of both")
    return sheet.close(notes=write_notes("cycling", "outdoors", f"ascent_m = {true_m:.2f}"))


def live_walk(seed: int) -> Workout:
    """Return 25 minutes of walking on the flat."""
    path = build_winding_loop(
        seed, corners=16, radius_m=400.0, wiggle=0.08, corner_radius_m=5.0,
        profile=((0.0, 300.0), (1.0, 300.0)),
    )  # fmt: skip
    return perform(
        [Effort("walk", 1500.0, 1.5, 0.35, 118.0)],
        name=f"walk {seed}",
        activity="walking",
        place=Place("trail", path),
        start_utc=START_UTC,
        seed=seed,
    )


def prepare_start(seed: int) -> Prepared:
    """Return a walk that one device found out by itself."""
    sheet = Worksheet(live_walk(seed), seed)
    workout = sheet.workout
    draw = np.random.default_rng([seed, 5])
    delay_s, credit = float(draw.integers(120, 420)), float(draw.uniform(0.0, 1.0))
    sheet.wear(Worn(make_watch("reference", 51, channels=WATCH), "reference"))
    sheet.wear(Worn(make_watch("by-hand", 52, channels=WATCH)))
    sheet.wear(
        Worn(make_watch("automatic", 53, AutomaticDetection(delay_s, credit), channels=WATCH))
    )
    whole = float(workout.distance_m[-1])
    (entry,) = find_entries(sheet.recorded["automatic"], "automatic_detection")
    lost = float(entry.detail["lost_m"])
    sheet.expect("by-hand", "start_delay_s", 0.0, 0.0, "started with the athlete")
    sheet.expect("by-hand", "start_credit_pct", 100.0, 0.01, "centimetres")
    sheet.expect("by-hand", "start_hr_gap_s", 0.0, 1.0, "a heart rate with the first sample")
    sheet.expect("automatic", "start_delay_s", delay_s, 0.0, "whole seconds")
    sheet.expect("automatic", "start_credit_pct", 100.0 * (1 - lost / whole), 0.05, "centimetres")
    sheet.expect("automatic", "start_hr_gap_s", delay_s, 1.0, "whole seconds")
    sheet.expect("automatic", "start_credit_before_pct", 100.0 * credit, 0.2, "centimetres")
    sheet.expect("by-hand", "start_backdated_s", 0.0, 0.0, "nothing was written afterwards")
    filled_s = float(draw.integers(60, 120))
    credited_m = float(draw.uniform(40.0, 150.0))
    filler = BackdatedStart(delay_s, filled_s, credited_m)
    sheet.wear(Worn(make_watch("filler", 54, filler, channels=WATCH)))
    passed_m = float(workout.distance_m[int(delay_s)])
    sheet.expect("filler", "start_backdated_s", filled_s, 0.0, "whole seconds")
    sheet.expect("filler", "start_delay_s", delay_s, 0.0, "whole seconds")
    sheet.expect("filler", "start_credit_before_pct", 100.0 * credited_m / passed_m, 0.2,
                 "centimetres")  # fmt: skip
    truth = (f"start_utc = {START_UTC.isoformat()}", f"distance_m = {whole:.2f}")
    return sheet.close(notes=write_notes("walking", "outdoors", *truth))


def prepare_pool(seed: int) -> Prepared:
    """Return thirty lengths of a 25 m pool with rests."""
    sets = [
        SwimSet(10, 30.0, 40.0),
        SwimSet(10, 34.0, 45.0, "backstroke", 20),
        SwimSet(10, 29.0, 30.0),
    ]
    workout = swim(sets, name=f"pool {seed}", start_utc=START_UTC, seed=seed)
    sheet = Worksheet(workout, seed)
    draw = np.random.default_rng([seed, 6])
    sheet.wear(Worn(Device("strap", "strap", serial=60, site="chest", channels=("heart_rate_bpm",)),
                    "reference", reference_for=("heart_rate",)))  # fmt: skip
    true_strokes = sum(length.strokes for length in workout.pool_lengths)
    sheet.wear(Worn(make_watch("no-effect", 61, channels=POOL)))
    for quantity, value in (
        ("swim_lengths", 30.0), ("swim_lengths_error", 0.0), ("swim_distance_error_pct", 0.0),
        ("swim_stroke_type_match_pct", 100.0), ("swim_rests", 2.0),
        ("swim_hr_gaps_after_pushoff", 0.0), ("swim_hr_gaps", 0.0), ("swim_missed_lengths", 0.0),
        ("swim_split_lengths", 0.0), ("swim_rest_s", 85.0), ("swim_rests_found_pct", 100.0),
        ("swim_longest_stretch_lengths", 10.0), ("swim_sets_without_rest", 0.0),
        ("false:stroke_misread", 0.0), ("swim_strokes_error_pct", 0.0),
    ):  # fmt: skip
        sheet.expect("no-effect", quantity, value, 0.0, "whole lengths")
    swum_s = sum(length.end_s - length.start_s for length in workout.pool_lengths)
    sheet.expect("no-effect", "swim_pace_s_per_100m", swum_s / 7.5, 0.01, "whole seconds")
    missed = int(draw.integers(3, 9))
    split = (int(draw.integers(12, 18)), int(draw.integers(22, 29)))
    sheet.wear(Worn(make_watch("counter", 62, PoolCounter((missed,), split), channels=POOL)))
    sheet.expect("counter", "swim_lengths", 31.0, 0.0, "whole lengths")
    sheet.expect("counter", "swim_lengths_error", 1.0, 0.0, "one missed, two split")
    sheet.expect("counter", "swim_missed_lengths", 1.0, 0.0, "one missed")
    sheet.expect("counter", "swim_split_lengths", 2.0, 0.0, "two split")
    sheet.expect("counter", "swim_distance_error_pct", 100.0 / 30.0, 0.01, "whole lengths")
    sheet.expect("counter", "swim_strokes_error_pct", 0.0, 100.0 / true_strokes * 2,
                 "splitting and joining keep the strokes")  # fmt: skip
    wrong = tuple(sorted({int(number) for number in draw.integers(1, 11, 3)}))
    misread = StrokeMisread(wrong, "butterfly")
    sheet.wear(Worn(make_watch("misreader", 63, misread, channels=POOL)))
    sheet.expect("misreader", "swim_stroke_type_match_pct", 100.0 * (1 - len(wrong) / 30.0), 0.01,
                 "whole lengths")  # fmt: skip
    sheet.expect("misreader", "found:stroke_misread", len(wrong), 0.0, "whole lengths")
    sheet.expect("misreader", "false:stroke_misread", 0.0, 0.0, "whole lengths")
    for stroke, count in (
        ("freestyle", 20 - len(wrong)), ("backstroke", 10), ("butterfly", len(wrong)),
        ("breaststroke", 0), ("drill", 0), ("other", 0),
    ):  # fmt: skip
        sheet.expect("misreader", f"swim_read_as_{stroke}_lengths", count, 0.0, "whole lengths")
    held = sheet.wear(Worn(make_watch("splashed", 64, PushOffGaps(0.4, 9), channels=POOL)))
    gaps = len(find_entries(held, "push_off_gap"))
    sheet.expect("splashed", "swim_hr_gaps_after_pushoff", gaps, 0.0, "9 s are not bridged")
    sheet.expect("splashed", "swim_hr_gaps", gaps, 0.0, "9 s are not bridged")
    strokes = ", ".join(f'"{length.stroke}"' for length in workout.pool_lengths)
    truth = ("lengths = 30", "pool_length_m = 25", f"strokes = [{strokes}]")
    return sheet.close(notes=write_notes("swimming", "pool", *truth))


def prepare_treadmill(seed: int) -> Prepared:
    """Return a treadmill run whose distance was read off the belt."""
    efforts = [Effort("easy", 420.0, 2.6, 0.5, 160.0), Effort("fast", 420.0, 3.8, 0.8, 176.0)]
    workout = perform(
        efforts,
        name=f"belt {seed}",
        activity="running",
        place=Place("treadmill", None),
        start_utc=START_UTC,
        seed=seed,
        finish_m=2600.0,
    )
    sheet = Worksheet(workout, seed)
    draw = np.random.default_rng([seed, 8])
    channels = ("heart_rate_bpm", "speed_mps", "distance_m", "cadence_per_min")
    guess = TreadmillEstimate(3.2, float(draw.uniform(-6.0, -2.0)), float(draw.uniform(-4.0, 4.0)))
    held = sheet.wear(Worn(make_watch("watch", 81, guess, channels=channels)))
    (entry,) = find_entries(held, "treadmill_estimate")
    sheet.expect("watch", "distance_error_pct", entry.size, 0.002, "centimetres")
    sheet.expect("watch", "indoor_distance_error_pct", entry.size, 0.002, "centimetres")
    factor = 1.0 / (1.0 + entry.size / 100.0)
    sheet.expect("watch", "indoor_calibration_factor", factor, 1e-4, "centimetres")
    sheet.expect("watch", "indoor_speed_mps", 2600.0 / workout.duration_s, 0.005,
                 "a second at either end")  # fmt: skip
    return sheet.close(notes=write_notes("running", "treadmill", "distance_m = 2600"))


def prepare_clocks(seed: int) -> Prepared:
    """Return a ride in which clocks are off by seconds, by a zone, and by a drift."""
    path = build_winding_loop(
        seed, corners=14, radius_m=1200.0, wiggle=0.1, corner_radius_m=15.0,
        profile=((0.0, 250.0), (0.4, 310.0), (1.0, 250.0)),
    )  # fmt: skip
    hard = Effort("hard", 240.0, 8.5, 0.85, 95.0, 270.0)
    easy = Effort("easy", 300.0, 5.0, 0.4, 76.0, 120.0)
    efforts = [Effort("ride", 500.0, 6.0, 0.5, 80.0, 150.0), hard, easy, hard]
    workout = perform(
        efforts,
        name=f"clocks {seed}",
        activity="cycling",
        place=Place("road", path),
        start_utc=START_UTC,
        seed=seed,
    )
    sheet = Worksheet(workout, seed)
    draw = np.random.default_rng([seed, 9])
    sheet.wear(Worn(make_watch("reference", 91, channels=WATCH), "reference"))
    why = "whole seconds in the files; a tenth in the estimate"
    by_signal: tuple[tuple[str, int, tuple[str, ...]], ...] = (
        ("by-position", 92, OUTDOORS),
        ("by-speed", 93, ("speed_mps", "distance_m", "heart_rate_bpm")),
        ("by-pulse", 94, ("heart_rate_bpm",)),
    )
    for name, serial, channels in by_signal:
        # Less than the delay of a sensor is not taken for an error of a clock.
        least = 10 if name == "by-pulse" else 4
        ahead = float(draw.choice([-1.0, 1.0]) * draw.integers(least, 25))
        watch = replace(make_watch(name, serial, channels=channels), clock=Clock(ahead))
        sheet.wear(Worn(watch))
        room = 2.0 if name == "by-pulse" else 0.6
        sheet.expect(name, "offset_s", -ahead, room, why, effect="clock_offset")
    late = PureDelay(float(draw.uniform(2.0, 7.0)))
    sheet.wear(Worn(make_watch("late-pulse", 98, late, channels=("heart_rate_bpm",))))
    sheet.expect("late-pulse", "offset_s", 0.0, 0.0, "its clock is right and its sensor late")
    sparse: tuple[tuple[str, int, int, tuple[str, ...]], ...] = (
        ("sparse-track", 96, 9, OUTDOORS),
        ("sparse-speed", 97, 5, ("speed_mps", "distance_m")),
    )
    for name, serial, longest_s, channels in sparse:
        ahead = float(draw.choice([-1.0, 1.0]) * draw.integers(4, 25))
        watch = make_watch(name, serial, SmartSampling(longest_s), channels=channels)
        sheet.wear(Worn(replace(watch, clock=Clock(ahead))))
        sheet.expect(name, "offset_s", -ahead, 1.0, "samples every few seconds, bridged by lines",
                     effect="clock_offset")  # fmt: skip
    hours = int(draw.choice([-7, -2, -1, 1, 2, 5]))
    zoned = replace(
        make_watch("zoned", 95, channels=WATCH), clock=Clock(0.0, zone_s=3600.0 * hours)
    )
    sheet.wear(Worn(zoned))
    sheet.expect("zoned", "clock_shift_s", -3600.0 * hours, 0.0, "whole quarter hours",
                 effect="clock_zone")  # fmt: skip
    sheet.expect("zoned", "offset_s", 0.0, 1.0, "nothing remains after the shift",
                 effect="clock_zone")  # fmt: skip
    return sheet.close(notes=write_notes("cycling", "outdoors"))
