"""Height, start, pool, battery and clocks: one wrong device per effect."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np

from tests.recovery.expect import Prepared, Worksheet, Worn, find_entries
from tests.simulate.devices import Clock, Device
from tests.simulate.effects_heart_rate import PushOffGaps
from tests.simulate.effects_other import (
    AutomaticDetection,
    BackdatedStart,
    Barometer,
    BatteryDrain,
    OwnAscent,
    PoolCounter,
    SmartSampling,
    StrokeMisread,
    TreadmillEstimate,
)
from tests.simulate.places import Place, build_winding_loop
from tests.simulate.script import Effort, SwimSet, perform, swim
from tests.simulate.trace import Effect

START_UTC = datetime(2026, 1, 14, 9, 0, tzinfo=UTC)
OUTDOORS = ("position", "altitude_m", "speed_mps", "distance_m", "cadence_per_min")
WATCH = (*OUTDOORS, "heart_rate_bpm")
POOL = ("heart_rate_bpm", "speed_mps", "distance_m")
RESOLUTION = "heights are written in fifths of a metre"


def _make(name: str, serial: int, *effects: Effect, channels: tuple[str, ...] = OUTDOORS) -> Device:
    return Device(name, name, serial=serial, channels=channels, effects=effects, barometer=True)


def _write_notes(activity: str, place: str, *truth: str) -> str:
    lines = [f"start = {START_UTC.isoformat()}", f'activity = "{activity}"', f'place = "{place}"']
    return "\n".join([*lines, *(["[truth]", *truth] if truth else [])]) + "\n"


def prepare_hills(seed: int) -> Prepared:
    """Give one round of a hilly loop by bicycle: the height ends where it began."""
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
    sheet.wear(Worn(_make("reference", 41), "reference"))
    sheet.wear(Worn(_make("no-effect", 42)))
    for quantity in ("altitude_bias_m", "altitude_rms_m", "altitude_drift_m_per_h",
                     "ascent_error_m", "ascent_error_pct"):  # fmt: skip
        sheet.expect("no-effect", quantity, 0.0, 1e-6, "same truth, same rounding")
    sheet.expect("no-effect", "altitude_closure_m", 0.0, 0.3, RESOLUTION)
    sheet.expect("no-effect", "ascent_m", true_m, 1.0, RESOLUTION)
    sheet.expect("no-effect", "descent_m", true_m, 1.0, RESOLUTION)
    drift = float(draw.choice([-1.0, 1.0]) * draw.uniform(4.0, 15.0))
    sheet.wear(Worn(_make("drifting", 43, Barometer(drift_m_per_h=drift))))
    sheet.expect("drifting", "altitude_drift_m_per_h", drift, 0.3, RESOLUTION)
    sheet.expect("drifting", "altitude_closure_m", drift * hours, 0.4, RESOLUTION)
    offset = float(draw.uniform(-20.0, 20.0))
    sheet.wear(Worn(_make("offset", 44, Barometer(offset_m=offset))))
    sheet.expect("offset", "altitude_bias_m", offset, 0.11, RESOLUTION)
    sheet.expect("offset", "altitude_rms_m", 0.0, 0.15, RESOLUTION)
    noise = float(draw.uniform(0.4, 1.0))
    held = sheet.wear(Worn(_make("noisy", 45, Barometer(noise_m=noise, noise_memory_s=0.0))))
    luck = 4.0 * noise / np.sqrt(2 * len(held.true_s))
    written = float(np.hypot(noise, 0.2 / np.sqrt(12)))
    sheet.expect("noisy", "altitude_noise_m", written, luck + 0.05,
                 "four standard errors; the high pass takes a little")  # fmt: skip
    sheet.expect("noisy", "altitude_rms_m", written, luck + 0.05, "four standard errors")
    factor = float(draw.uniform(0.9, 1.15))
    sheet.wear(Worn(_make("own-total", 46, OwnAscent(factor))))
    sheet.expect("own-total", "ascent_m", true_m, 1.0, "from the profile, not from its own total")
    return sheet.close(notes=_write_notes("cycling", "outdoors"))


def prepare_start(seed: int) -> Prepared:
    """Give a walk that one device found out by itself."""
    path = build_winding_loop(
        seed, corners=16, radius_m=400.0, wiggle=0.08, corner_radius_m=5.0,
        profile=((0.0, 300.0), (1.0, 300.0)),
    )  # fmt: skip
    workout = perform(
        [Effort("walk", 1500.0, 1.5, 0.35, 118.0)],
        name=f"walk {seed}",
        activity="walking",
        place=Place("trail", path),
        start_utc=START_UTC,
        seed=seed,
    )
    sheet = Worksheet(workout, seed)
    draw = np.random.default_rng([seed, 5])
    delay_s, credit = float(draw.integers(120, 420)), float(draw.uniform(0.0, 1.0))
    sheet.wear(Worn(_make("reference", 51, channels=WATCH), "reference"))
    sheet.wear(Worn(_make("by-hand", 52, channels=WATCH)))
    sheet.wear(Worn(_make("automatic", 53, AutomaticDetection(delay_s, credit), channels=WATCH)))
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
    sheet.wear(Worn(_make("filler", 54, filler, channels=WATCH)))
    passed_m = float(workout.distance_m[int(delay_s)])
    sheet.expect("filler", "start_backdated_s", filled_s, 0.0, "whole seconds")
    sheet.expect("filler", "start_delay_s", delay_s, 0.0, "whole seconds")
    sheet.expect("filler", "start_credit_before_pct", 100.0 * credited_m / passed_m, 0.2,
                 "centimetres")  # fmt: skip
    truth = (f"start_utc = {START_UTC.isoformat()}", f"distance_m = {whole:.2f}")
    return sheet.close(notes=_write_notes("walking", "outdoors", *truth))


def prepare_pool(seed: int) -> Prepared:
    """Give thirty lengths of a 25 m pool with rests."""
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
    sheet.wear(Worn(_make("no-effect", 61, channels=POOL)))
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
    sheet.wear(Worn(_make("counter", 62, PoolCounter((missed,), split), channels=POOL)))
    sheet.expect("counter", "swim_lengths", 31.0, 0.0, "whole lengths")
    sheet.expect("counter", "swim_lengths_error", 1.0, 0.0, "one missed, two split")
    sheet.expect("counter", "swim_missed_lengths", 1.0, 0.0, "one missed")
    sheet.expect("counter", "swim_split_lengths", 2.0, 0.0, "two split")
    sheet.expect("counter", "swim_distance_error_pct", 100.0 / 30.0, 0.01, "whole lengths")
    sheet.expect("counter", "swim_strokes_error_pct", 0.0, 100.0 / true_strokes * 2,
                 "splitting and joining keep the strokes")  # fmt: skip
    wrong = tuple(sorted({int(number) for number in draw.integers(1, 11, 3)}))
    misread = StrokeMisread(wrong, "butterfly")
    sheet.wear(Worn(_make("misreader", 63, misread, channels=POOL)))
    sheet.expect("misreader", "swim_stroke_type_match_pct", 100.0 * (1 - len(wrong) / 30.0), 0.01,
                 "whole lengths")  # fmt: skip
    sheet.expect("misreader", "found:stroke_misread", len(wrong), 0.0, "whole lengths")
    sheet.expect("misreader", "false:stroke_misread", 0.0, 0.0, "whole lengths")
    for stroke, count in (
        ("freestyle", 20 - len(wrong)), ("backstroke", 10), ("butterfly", len(wrong)),
        ("breaststroke", 0), ("drill", 0), ("other", 0),
    ):  # fmt: skip
        sheet.expect("misreader", f"swim_read_as_{stroke}_lengths", count, 0.0, "whole lengths")
    held = sheet.wear(Worn(_make("splashed", 64, PushOffGaps(0.4, 9), channels=POOL)))
    gaps = len(find_entries(held, "push_off_gap"))
    sheet.expect("splashed", "swim_hr_gaps_after_pushoff", gaps, 0.0, "9 s are not bridged")
    sheet.expect("splashed", "swim_hr_gaps", gaps, 0.0, "9 s are not bridged")
    strokes = ", ".join(f'"{length.stroke}"' for length in workout.pool_lengths)
    truth = ("lengths = 30", "pool_length_m = 25", f"strokes = [{strokes}]")
    return sheet.close(notes=_write_notes("swimming", "pool", *truth))


def prepare_battery(seed: int) -> Prepared:
    """Give a long hike with two settings of one watch."""
    path = build_winding_loop(
        seed, corners=20, radius_m=1200.0, wiggle=0.08, corner_radius_m=8.0,
        profile=((0.0, 300.0), (0.5, 520.0), (1.0, 300.0)),
    )  # fmt: skip
    workout = perform(
        [Effort("hike", 9000.0, 1.4, 0.35, 112.0)],
        name=f"hike {seed}",
        activity="hiking",
        place=Place("ridge", path),
        start_utc=START_UTC,
        seed=seed,
    )
    sheet = Worksheet(workout, seed)
    draw = np.random.default_rng([seed, 7])
    rates = {"thirsty": float(draw.uniform(5.0, 9.0)), "sparing": float(draw.uniform(2.5, 4.5))}
    rooms, ranges = {}, {}
    for serial, (name, rate) in enumerate(rates.items(), start=71):
        drain = BatteryDrain(rate, float(draw.uniform(70.0, 100.0)))
        held = sheet.wear(Worn(_make(name, serial, drain, SmartSampling(9)), claimed_gnss_hours=20))
        # Between two changes of a whole percent the time is known to a minute at either end.
        changes_h = (np.floor(rate * 2.5) - 1) / rate
        room = rooms[name] = 2.0 / 60.0 / changes_h
        why = "the level is written once a minute"
        sheet.expect(name, "battery_rate_pct_per_h", rate, rate * room, why)
        sheet.expect(name, "battery_projected_h", 100.0 / rate, 100.0 / rate * room * 1.1, why)
        percent = 100.0 * (100.0 / rate / 20.0 - 1.0)
        sheet.expect(name, "battery_vs_claim_pct", percent, (100.0 + percent) * room * 1.1, why)
        levels = [percent for _, percent, _ in held.battery]
        ranges[name] = (levels[-1], levels[0] - 1)
        sheet.expect(name, "battery_from_pct", levels[0] - 1, 0.0, "the level after one change")
        sheet.expect(name, "battery_to_pct", levels[-1], 0.0, "the last level")
    both = rates["thirsty"] - rates["sparing"]
    room = sum(rates[name] * rooms[name] for name in rates)
    sheet.expect("thirsty", "battery_rate_difference_pct_per_h", both, room, why)
    sheet.expect("sparing", "battery_rate_difference_pct_per_h", -both, room, why)
    (low, high), (other_low, other_high) = ranges.values()
    common = max(0, min(high, other_high) - max(low, other_low))
    share = 100.0 * common / min(high - low, other_high - other_low)
    sheet.expect("thirsty", "battery_shared_range_pct", share, 0.01, "whole percent")
    return sheet.close(notes=_write_notes("hiking", "outdoors"))


def prepare_treadmill(seed: int) -> Prepared:
    """Give a treadmill run whose distance was read off the belt."""
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
    held = sheet.wear(Worn(_make("watch", 81, guess, channels=channels)))
    (entry,) = find_entries(held, "treadmill_estimate")
    sheet.expect("watch", "distance_error_pct", entry.size, 0.002, "centimetres")
    return sheet.close(notes=_write_notes("running", "treadmill", "distance_m = 2600"))


def prepare_clocks(seed: int) -> Prepared:
    """Give a ride in which clocks are off by seconds, by a zone, and by a drift."""
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
    sheet.wear(Worn(_make("reference", 91, channels=WATCH), "reference"))
    why = "whole seconds in the files; a tenth in the estimate"
    by_signal: tuple[tuple[str, int, tuple[str, ...]], ...] = (
        ("by-position", 92, OUTDOORS),
        ("by-speed", 93, ("speed_mps", "distance_m", "heart_rate_bpm")),
        ("by-pulse", 94, ("heart_rate_bpm",)),
    )
    for name, serial, channels in by_signal:
        ahead = float(draw.choice([-1.0, 1.0]) * draw.integers(4, 25))
        watch = replace(_make(name, serial, channels=channels), clock=Clock(ahead))
        sheet.wear(Worn(watch))
        room = 2.0 if name == "by-pulse" else 0.6
        sheet.expect(name, "offset_s", -ahead, room, why, effect="clock_offset")
    sparse: tuple[tuple[str, int, int, tuple[str, ...]], ...] = (
        ("sparse-track", 96, 9, OUTDOORS),
        ("sparse-speed", 97, 5, ("speed_mps", "distance_m")),
    )
    for name, serial, longest_s, channels in sparse:
        ahead = float(draw.choice([-1.0, 1.0]) * draw.integers(4, 25))
        watch = _make(name, serial, SmartSampling(longest_s), channels=channels)
        sheet.wear(Worn(replace(watch, clock=Clock(ahead))))
        sheet.expect(name, "offset_s", -ahead, 1.0, "samples every few seconds, bridged by lines",
                     effect="clock_offset")  # fmt: skip
    hours = int(draw.choice([-7, -2, -1, 1, 2, 5]))
    zoned = replace(_make("zoned", 95, channels=WATCH), clock=Clock(0.0, zone_s=3600.0 * hours))
    sheet.wear(Worn(zoned))
    sheet.expect("zoned", "clock_shift_s", -3600.0 * hours, 0.0, "whole quarter hours",
                 effect="clock_zone")  # fmt: skip
    sheet.expect("zoned", "offset_s", 0.0, 1.0, "nothing remains after the shift",
                 effect="clock_zone")  # fmt: skip
    return sheet.close(notes=_write_notes("cycling", "outdoors"))
