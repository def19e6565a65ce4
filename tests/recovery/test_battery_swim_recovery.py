"""Batteries, pool swims, starts and belts put into workouts come back, from bytes.

Every number that is asked for is the manifest's or the script's, never ours.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest

from tests.recovery.expect import Prepared, Worksheet, Worn, find_entries
from tests.recovery.line import Outcome, Row, run_line
from tests.simulate.devices import Device
from tests.simulate.effects_heart_rate import PushOffGaps
from tests.simulate.effects_other import (
    AutomaticDetection,
    BatteryDrain,
    PoolCounter,
    StrokeMisread,
    TreadmillEstimate,
)
from tests.simulate.manifest import Entry
from tests.simulate.places import Place
from tests.simulate.script import Effort, SwimSet, Workout, perform, swim
from tests.tiers import choose

if TYPE_CHECKING:
    from tests.simulate.trace import Changed, Effect, Trace

SEEDS = range(7001, 7001 + choose(short=3, full=20))
START_UTC = datetime(2026, 2, 3, 9, 0, tzinfo=UTC)
BELT = ("heart_rate_bpm", "speed_mps", "distance_m", "cadence_per_min")
POOL = ("heart_rate_bpm", "speed_mps", "distance_m")
#: The international yard is 0.9144 m exactly.
YARD_M = 0.9144


def write_notes(activity: str, place: str, *lines: str) -> str:
    head = [f"start = {START_UTC.isoformat()}", f'activity = "{activity}"', f'place = "{place}"']
    return "\n".join([*head, *lines]) + "\n"


def make(name: str, serial: int, *effects: Effect, channels: tuple[str, ...] = BELT) -> Device:
    return Device(name, name, serial=serial, channels=channels, effects=effects)


def find_row(outcome: Outcome, device: str, metric: str, *, against: str | None = None) -> Row:
    """Return the row of the whole workout; None stands for a metric without a reference."""
    (row,) = (
        row
        for row in outcome.results
        if (row["device_id"], row["metric"], row["segment"]) == (device, metric, "all")
        and row["reference"] == against
    )
    return row


# --- battery ----------------------------------------------------------------------------------
def walk(seed: int, duration_s: float = 9000.0) -> Workout:
    # At two paces: a counter that is exactly proportional to time is none that measured.
    half_s = duration_s / 2.0
    return perform(
        [Effort("walk", half_s, 1.4, 0.35, 112.0), Effort("stroll", half_s, 1.2, 0.3, 104.0)],
        name=f"walk {seed}",
        activity="walking",
        place=Place("hall", None),
        start_utc=START_UTC,
        seed=seed,
    )


def drain_batteries(seed: int) -> tuple[Prepared, dict[str, float]]:
    """Four rates, read at several intervals, one of them from the notes only."""
    sheet = Worksheet(walk(seed), seed)
    draw = np.random.default_rng([seed, 1])
    rates: dict[str, float] = {}
    for number, (name, every_s) in enumerate(
        (("minute", 60), ("five-minutes", 300), ("seven-minutes", 420))
    ):
        rates[name] = float(draw.uniform(2.5, 9.0))
        drain = BatteryDrain(rates[name], float(draw.uniform(60.0, 100.0)), every_s)
        sheet.wear(Worn(make(name, 11 + number, drain)))
    rates["noted"] = float(draw.uniform(2.0, 9.0))
    sheet.wear(Worn(make("noted", 19)))
    start = float(draw.uniform(50.0, 100.0))
    end = start - rates["noted"] * 2.5
    notes = write_notes(
        "walking",
        "gym",
        "[setup.noted]",
        f"battery_start_pct = {int(np.floor(start))}",
        f"battery_end_pct = {int(np.floor(end))}",
    )
    return sheet.close(notes=notes), rates


@pytest.mark.parametrize("seed", SEEDS)
def test_every_true_battery_rate_lies_inside_its_stated_interval(seed: int) -> None:
    # The bounds are worst cases, not 95 % intervals, so that every single one must hold.
    prepared, rates = drain_batteries(seed)
    outcome = run_line(prepared)
    for name, rate in rates.items():
        row = find_row(outcome, name, "battery_rate_pct_per_h")
        assert row["ci_low"] <= rate <= row["ci_high"], name
        hours = find_row(outcome, name, "battery_projected_h")
        assert hours["ci_low"] <= 100.0 / rate <= hours["ci_high"], name
    difference = find_row(
        outcome, "minute", "battery_rate_difference_pct_per_h", against="seven-minutes"
    )
    true = rates["minute"] - rates["seven-minutes"]
    assert difference["ci_low"] <= true <= difference["ci_high"]


# --- pool -------------------------------------------------------------------------------------
@dataclass(frozen=True)
class Swim:
    """One swim with what its devices did wrong, by number of the length from 1."""

    prepared: Prepared
    missed: tuple[int, ...]
    split: tuple[int, ...]
    misread: tuple[int, ...]


def draw_swim(seed: int, pool_m: float = 25.0) -> Swim:
    sets = [
        SwimSet(12, 30.0, 40.0),
        SwimSet(10, 36.0, 0.0, "backstroke", 20),
        SwimSet(8, 34.0, 35.0, "freestyle", 17),
        SwimSet(10, 45.0, 20.0, "breaststroke", 14),
    ]
    workout = swim(sets, name=f"swim {seed}", start_utc=START_UTC, seed=seed, pool_m=pool_m)
    draw = np.random.default_rng([seed, 2])
    # Within one set each and not next to each other: what a person could still tell apart.
    missed = (int(draw.integers(3, 7)), int(draw.integers(14, 17)))
    split = (int(draw.integers(9, 12)), int(draw.integers(33, 40)))
    misread = tuple(sorted({int(number) for number in draw.integers(23, 31, 3)}))
    sheet = Worksheet(workout, seed)
    sheet.wear(Worn(make("plain", 21, channels=POOL)))
    sheet.wear(Worn(make("counter", 22, PoolCounter(missed, split), channels=POOL)))
    sheet.wear(Worn(make("misreader", 23, StrokeMisread(misread, "butterfly"), channels=POOL)))
    sheet.wear(Worn(make("splashed", 24, PushOffGaps(0.4, 9), channels=POOL)))
    words = ", ".join(f'"{length.stroke}"' for length in workout.pool_lengths)
    notes = write_notes(
        "swimming",
        "pool",
        "[truth]",
        f"lengths = {len(workout.pool_lengths)}",
        f"pool_length_m = {pool_m}",
        f"strokes = [{words}]",
    )
    return Swim(sheet.close(notes=notes), missed, split, misread)


@cache
def run_swim(seed: int) -> Outcome:
    return run_line(draw_swim(seed).prepared)


@pytest.mark.parametrize("seed", SEEDS)
def test_lengths_and_their_miscounts_come_back_exactly(seed: int) -> None:
    swum, outcome = draw_swim(seed), run_swim(seed)
    for against in ("truth", "plain"):
        expected = {
            "swim_lengths_error": len(swum.split) - len(swum.missed),
            "swim_missed_lengths": len(swum.missed),
            "swim_split_lengths": len(swum.split),
        }
        for metric, number in expected.items():
            assert find_row(outcome, "counter", metric, against=against)["value"] == number
    assert find_row(outcome, "counter", "swim_lengths")["value"] == 40
    plain = {"swim_lengths": 40, "swim_rests": 2, "swim_sets_without_rest": 1}
    plain |= {"swim_longest_stretch_lengths": 18, "swim_rest_s": 75}
    for metric, number in plain.items():
        assert find_row(outcome, "plain", metric)["value"] == number
    assert find_row(outcome, "plain", "swim_rests_found_pct", against="counter")["value"] == 100


@pytest.mark.parametrize("seed", SEEDS)
def test_the_confusion_table_holds_every_length_once(seed: int) -> None:
    swum, outcome = draw_swim(seed), run_swim(seed)
    table = {
        (row["segment"], row["metric"]): row["value"]
        for row in outcome.results
        if row["device_id"] == "misreader"
        and row["reference"] == "truth"
        and row["metric"].startswith("swim_read_as_")
        and row["value"]
    }
    wrong = len(swum.misread)
    assert table == {
        ("all", "swim_read_as_freestyle_lengths"): 20 - wrong,
        ("all", "swim_read_as_backstroke_lengths"): 10,
        ("all", "swim_read_as_breaststroke_lengths"): 10,
        ("all", "swim_read_as_butterfly_lengths"): wrong,
        ("stroke:freestyle", "swim_read_as_freestyle_lengths"): 20 - wrong,
        ("stroke:freestyle", "swim_read_as_butterfly_lengths"): wrong,
        ("stroke:backstroke", "swim_read_as_backstroke_lengths"): 10,
        ("stroke:breaststroke", "swim_read_as_breaststroke_lengths"): 10,
    }
    misread = outcome.find_findings("misreader", "stroke_misread")
    assert sum(row["size"] for row in misread) == wrong
    assert outcome.find_findings("plain", "stroke_misread") == []
    gaps = len(find_entries(swum.prepared.recorded["splashed"], "push_off_gap"))
    assert find_row(outcome, "splashed", "swim_hr_gaps_after_pushoff")["value"] == gaps


def test_a_pool_in_yards_is_exact_and_a_wrong_setting_shows() -> None:
    pool_m = 25 * YARD_M
    swum = draw_swim(7001, pool_m=pool_m)
    outcome = run_line(swum.prepared)
    error = find_row(outcome, "plain", "swim_distance_error_pct", against="truth")["value"]
    assert error == pytest.approx(0.0, abs=1e-9)
    # The pool was 25 m all the time, the devices were set to yards: by hand 22.86 / 25 - 1.
    metres = replace(
        swum.prepared,
        notes=swum.prepared.notes.replace(f"pool_length_m = {pool_m}", "pool_length_m = 25"),
    )
    outcome = run_line(metres)
    error = find_row(outcome, "plain", "swim_distance_error_pct", against="truth")["value"]
    assert error == pytest.approx(-8.56, abs=1e-9)


# --- start ------------------------------------------------------------------------------------
@dataclass(frozen=True)
class Backdate:
    """The device notices after some seconds and fills them in: even distance, nothing measured."""

    delay_s: float

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del rng
        before = trace.time_s < self.delay_s
        covered = float(np.interp(self.delay_s, workout.time_s, workout.distance_m))
        distance = np.where(
            before, covered * trace.time_s / self.delay_s, trace.channels["distance_m"]
        )
        rate = np.where(before, np.nan, trace.channels["heart_rate_bpm"])
        cadence = np.where(before, np.nan, trace.channels["cadence_per_min"])
        changed = (
            trace.with_channel("distance_m", distance)
            .with_channel("heart_rate_bpm", rate)
            .with_channel("cadence_per_min", cadence)
        )
        return changed, (Entry("backdated", "timer", 0.0, self.delay_s, self.delay_s, "s"),)


@pytest.mark.parametrize("seed", SEEDS)
def test_start_delays_come_back_within_a_second(seed: int) -> None:
    workout = walk(seed, 1500.0)
    sheet = Worksheet(workout, seed)
    draw = np.random.default_rng([seed, 3])
    delays = {name: float(draw.integers(60, 400)) for name in ("automatic", "backdating")}
    credit = float(draw.uniform(0.2, 1.0))
    sheet.wear(Worn(make("by-hand", 31), "reference"))
    sheet.wear(Worn(make("automatic", 32, AutomaticDetection(delays["automatic"], credit))))
    sheet.wear(Worn(make("backdating", 33, Backdate(delays["backdating"]))))
    truth = ("[truth]", f"start_utc = {START_UTC.isoformat()}")
    outcome = run_line(sheet.close(notes=write_notes("walking", "gym", *truth)))
    for name, delay_s in delays.items():
        found = find_row(outcome, name, "start_delay_s", against="truth")["value"]
        assert found == pytest.approx(delay_s, abs=1.0), name
        gap = find_row(outcome, name, "start_hr_gap_s", against="truth")["value"]
        assert gap == pytest.approx(delay_s, abs=1.0), name
    assert find_row(outcome, "automatic", "start_backdated_s")["value"] == 0.0
    backdated = find_row(outcome, "backdating", "start_backdated_s")["value"]
    assert backdated == pytest.approx(delays["backdating"], abs=1.0)
    assert find_row(outcome, "by-hand", "start_backdated_s")["value"] == 0.0
    before = find_row(outcome, "automatic", "start_credit_before_pct", against="by-hand")["value"]
    # Distances are written in centimetres; the least distance before is 60 s at walking pace.
    assert before == pytest.approx(100.0 * credit, abs=0.1)


# --- belt -------------------------------------------------------------------------------------
@pytest.mark.parametrize("seed", SEEDS)
def test_the_error_of_each_pace_on_a_belt_comes_back_within_a_twentieth_percent(seed: int) -> None:
    draw = np.random.default_rng([seed, 4])
    efforts = [
        Effort("walk", 300.0, 1.6, 0.35, 120.0),
        Effort("easy", 420.0, 2.6, 0.5, 160.0),
        Effort("fast", 420.0, 3.8, 0.8, 176.0),
    ]
    workout = perform(
        efforts,
        name=f"belt {seed}",
        activity="running",
        place=Place("treadmill", None),
        start_utc=START_UTC,
        seed=seed,
    )
    sheet = Worksheet(workout, seed)
    guess = TreadmillEstimate(3.2, float(draw.uniform(-6.0, -2.0)), float(draw.uniform(-4, 4)))
    held = sheet.wear(Worn(make("watch", 41, guess)))
    sheet.wear(Worn(make("pod", 42), "reference"))
    lines = ["[truth]", f"distance_m = {workout.distance_m[-1]:.2f}", "distance_tolerance_pct = 1"]
    expected = {}
    for span in workout.efforts:
        true = np.interp([span.start_s, span.end_s], workout.time_s, workout.distance_m)
        own = np.interp([span.start_s, span.end_s], held.true_s, held.channels["distance_m"])
        expected[span.name] = 100.0 * (np.diff(own)[0] / np.diff(true)[0] - 1.0)
        minutes = [f"{int(at // 60)}:{int(at % 60):02d}" for at in (span.start_s, span.end_s)]
        lines += ["[[segment]]", f'name = "{span.name}"', f'from = "{minutes[0]}"']
        lines += [f'to = "{minutes[1]}"', f"distance_m = {np.diff(true)[0]:.3f}"]
    outcome = run_line(sheet.close(notes=write_notes("running", "treadmill", *lines)))
    metric = "indoor_distance_error_pct"
    # Paces of 1.6, 2.6 and 3.8 m/s: 10:25, 6:25 and 4:23 per kilometre.
    bands = {"walk": "10:00-15:00", "easy": "6:00-7:30", "fast": "4:00-5:00"}
    for name, error in expected.items():
        row = next(
            row
            for row in outcome.results
            if (row["device_id"], row["metric"], row["segment"]) == ("watch", metric, name)
            and row["reference"] == "truth"
        )
        assert row["value"] == pytest.approx(error, abs=0.05), name
        # One percent of tolerance of the belt is about one percent of the error, either way.
        assert row["ci_high"] - row["value"] == pytest.approx(1.0, abs=0.2)
        assert row["value"] - row["ci_low"] == pytest.approx(1.0, abs=0.2)
        in_band = [
            row["value"]
            for row in outcome.results
            if row["device_id"] == "watch"
            and row["metric"] == metric
            and row["reference"] == "truth"
            and row["segment"] == f"band:pace-{bands[name]}"
        ]
        assert in_band == [pytest.approx(error, abs=0.05)]
    (entry,) = find_entries(held, "treadmill_estimate")
    for against in ("truth", "pod"):
        found = find_row(outcome, "watch", metric, against=against)["value"]
        assert found == pytest.approx(entry.size, abs=0.05)
