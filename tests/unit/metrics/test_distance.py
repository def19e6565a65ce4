"""Distances against truth, course, devices; what sparse fixes lose; speed and its lag."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise

import numpy as np
import pytest

from tasks.core.discovery import load_metrics
from tasks.core.notes import NamedSegment, Notes, Truth
from tasks.workout.case import Case, Reference, Segment, make_example
from tests.unit.tracks import Floats, compute, measure, place, place_course, walk_stairs

load_metrics()
START = datetime.fromtimestamp(1_750_000_000, tz=UTC)


def run_straight(n: int = 400, speed_mps: float = 3.0) -> tuple[Floats, Floats]:
    return np.arange(n) * speed_mps, np.zeros(n)


def against(case: Case, name: str) -> Case:
    """Hold the test of a case against the truth or the course."""
    return replace(case, reference=Reference(name, "truth", why="test"), memo={})


# --- what a distance is compared with ----------------------------------------------------------
def test_truth_of_the_notes_is_for_the_whole_and_parts_have_their_own() -> None:
    notes = Notes(
        START,
        truth=Truth(distance_m=1000.0),
        segments=(NamedSegment("half", from_s=0, to_s=200, distance_m=500.0),),
    )
    counter = np.arange(401) * 2.4
    case = against(make_example(test={"distance_m": counter.tolist()}, notes=notes), "truth")
    # By hand: 960 against 1000.
    assert measure("distance_error_m", case) == pytest.approx(-40.0)
    assert measure("distance_error_pct", case) == pytest.approx(-4.0)
    half = np.arange(401) < 200
    # By hand: a part of 200 s, begun and ended by instants, holds 200 steps of 2.4 m.
    assert measure("distance_error_m", case.for_segment(Segment("half", half))) == pytest.approx(
        200 * 2.4 - 500
    )
    other = compute("distance_error_m", case.for_segment(Segment("other", half)))
    assert other.reason == "the notes give no true distance for this part"


def test_course_counts_between_the_first_and_last_fix_on_it() -> None:
    """Approach and departure are not compared with the course."""
    east = np.concatenate([np.full(50, -90.0), np.arange(0, 1200.1, 3.0), np.full(50, 1400.0)])
    north = np.concatenate([np.linspace(90, 60, 50), np.zeros(401), np.linspace(60, 90, 50)])
    # The counter runs 2 % long everywhere, and counts the approach as well.
    counter = np.concatenate([np.arange(50), 50 + np.arange(401) * 3.06, 1274 + np.arange(50)])
    course = place_course(np.array([0.0, 1200.0]), np.zeros(2))
    case = make_example(test={**place(east, north), "distance_m": counter.tolist()}, course=course)
    held = against(case, "course:example")
    assert measure("distance_error_pct", held) == pytest.approx(2.0, abs=0.05)
    assert measure("distance_error_m", held) == pytest.approx(24.0, abs=0.5)
    assert measure("distance_summed_error_m", held) == pytest.approx(0.0, abs=0.1)


def test_laps_of_a_course_of_one_lap_count_each() -> None:
    angle = np.arange(0, 2 * np.pi * 4.9, 3.0 / 80)
    lap = np.linspace(0, 2 * np.pi, 300)
    course = place_course(80 * np.cos(lap), 80 * np.sin(lap))
    track = place(80 * np.cos(angle), 80 * np.sin(angle))
    case = make_example(test={**track, "distance_m": (angle * 80).tolist()}, course=course)
    held = against(case, "course:example")
    # Chords of 1.2 degrees are 2e-5 shorter than their arcs.
    assert measure("distance_error_pct", held) == pytest.approx(0.0, abs=0.05)


def test_counters_are_compared_over_the_time_that_both_recorded() -> None:
    own = (np.arange(100) * 3.0 + 500).tolist()
    other = [None] * 20 + (np.arange(80) * 2.5).tolist()
    case = make_example(test={"distance_m": own}, reference={"distance_m": other})
    # By hand: 79 steps of 0.5 m.
    assert measure("distance_error_m", case) == pytest.approx(79 * 0.5)


def test_scaled_distance_comes_back_within_a_twentieth_of_a_percent() -> None:
    for seed in range(20):
        generator = np.random.default_rng(seed)
        factor = generator.uniform(0.95, 1.05)
        way = np.cumsum(generator.uniform(2, 4, 1200))
        case = make_example(
            test={"distance_m": np.round(way * factor, 2).tolist()},
            reference={"distance_m": np.round(way, 2).tolist()},
        )
        assert measure("distance_error_pct", case) == pytest.approx(100 * (factor - 1), abs=0.05)


def test_three_distances_of_one_recording_are_kept_apart() -> None:
    east, north = run_straight()
    case = make_example(
        test={**place(east, north), "distance_m": (east * 1.01).tolist()},
        header={"device_distance_m": 1180.0},
    )
    assert measure("distance_own_m", case) == 1180.0
    assert measure("distance_counter_m", case) == pytest.approx(399 * 3.0 * 1.01)
    assert measure("distance_summed_m", case) == pytest.approx(399 * 3.0, rel=1e-4)
    assert measure("distance_own_ratio", case) == pytest.approx(1180 / 1197, rel=1e-4)


def test_pauses_are_not_bridged_in_the_sum() -> None:
    seconds = np.r_[0:100, 300:400].astype(np.int64)
    east = np.concatenate([np.arange(100) * 3.0, 900 + np.arange(100) * 3.0])
    native = {
        "time_utc": (1_750_000_000 + seconds) * 1_000_000,
        "piece": np.repeat([0.0, 1.0], 100),
        **place(east, np.zeros(200)),
    }
    grid = place(np.arange(400) * 3.0, np.zeros(400))
    case = make_example(test=grid, samples=native)
    # By hand: two times 99 steps.
    assert measure("distance_summed_m", case) == pytest.approx(2 * 99 * 3.0, rel=1e-4)


# --- sparse fixes -----------------------------------------------------------------------------
def thin(track: tuple[Floats, Floats], every: int) -> dict[str, list[float | None]]:
    return {
        name: [value if number % every == 0 else None for number, value in enumerate(values)]
        for name, values in place(*track).items()
    }


def test_chord_loss_makes_sparse_and_dense_recordings_comparable() -> None:
    stairs = walk_stairs(21)  # 420 s: both end with the same fix
    loss = {
        every: measure(
            "distance_chord_loss_m",
            make_example(test=thin(stairs, every), reference=place(*stairs)),
        )
        for every in (1, 7)
    }
    summed = {
        every: measure("distance_summed_m", make_example(test=thin(stairs, every)))
        for every in (1, 7)
    }
    # What sparse fixes lack in their sum is their chord loss.
    assert loss[1] == pytest.approx(0.0, abs=0.5)
    assert loss[7] == pytest.approx(summed[1] - summed[7], abs=1.0)
    assert loss[7] > 20.0


def test_noise_is_no_chord_loss() -> None:
    generator = np.random.default_rng(3)
    east, north = run_straight()
    noise = generator.normal(0, 3, (2, east.size))
    case = make_example(test=place(east + noise[0], north + noise[1]), reference=place(east, north))
    assert measure("distance_summed_m", case) > 1.2 * 399 * 3.0
    assert measure("distance_chord_loss_pct", case) == pytest.approx(0.0, abs=0.01)


def test_noise_against_a_course_is_no_chord_loss_and_sparse_fixes_are() -> None:
    angle = np.linspace(0, 6 * np.pi, 3000)
    course = (60 * angle, 50 * np.sin(angle))
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(course)))])
    at = np.arange(0, way[-1], 3.0)
    east, north = np.interp(at, way, course[0]), np.interp(at, way, course[1])
    noise = np.random.default_rng(4).normal(0, 3, (2, at.size))
    losses = {}
    for name, track, every in (
        ("dense", (east, north), 1),
        ("noisy", (east + noise[0], north + noise[1]), 1),
        ("sparse", (east, north), 8),
    ):
        case = make_example(test=thin(track, every), course=place_course(*course))
        losses[name] = measure("distance_chord_loss_m", against(case, "course:example"))
    chords = np.hypot(np.diff(east[::8]), np.diff(north[::8])).sum()
    assert losses["dense"] == pytest.approx(0.0, abs=0.3)
    assert losses["noisy"] == pytest.approx(0.0, abs=0.02 * at[-1])
    assert losses["sparse"] == pytest.approx(at[::8][-1] - chords, abs=1.0)


# --- speed ------------------------------------------------------------------------------------
def draw_pace(n: int = 1800) -> Floats:
    """Intervals of a minute and a half, as runners do them."""
    return np.where((np.arange(n) // 90) % 2 == 0, 2.5, 4.2)


def compare_speeds(test: Floats, reference: Floats, **more: object) -> Case:
    return make_example(
        test={"speed_mps": test.tolist()},
        reference={"speed_mps": reference.tolist()},
        **more,  # type: ignore[arg-type]
    )


def test_delay_of_speed_is_its_lag() -> None:
    pace = draw_pace()
    for delay_s in (0, 3, 8):
        late = np.concatenate([np.full(delay_s, pace[0]), pace[: pace.size - delay_s]])
        assert measure("speed_lag_s", compare_speeds(late, pace)) == delay_s


def test_bias_of_speed_and_its_interval_hold_the_truth() -> None:
    generator = np.random.default_rng(5)
    pace = draw_pace(3600)
    case = compare_speeds(pace + 0.2 + generator.normal(0, 0.3, pace.size), pace)
    value = compute("speed_bias_mps", case)
    assert value.ci_low is not None
    assert value.ci_high is not None
    assert value.ci_low < 0.2 < value.ci_high
    assert value.value == pytest.approx(0.2, abs=0.03)


def test_half_an_hour_is_too_short_for_an_interval_of_speed() -> None:
    pace = draw_pace()
    case = compare_speeds(pace + np.random.default_rng(5).normal(0, 0.3, pace.size), pace)
    for name in ("speed_bias_mps", "speed_mae_mps"):
        value = compute(name, case)
        assert value.ci_low is None
        assert value.ci_reason == "30 min can be compared; an interval takes 45"


@pytest.mark.parametrize("method", ["speed", "none"])
def test_lag_is_declined_where_the_clocks_are_not_known_otherwise(method: str) -> None:
    case = compare_speeds(draw_pace(), draw_pace(), method=method)
    unsure = replace(case.test, alignment=replace(case.test.alignment, confidence=0.2))
    value = compute("speed_lag_s", replace(case, test=unsure, memo={}))
    assert value.value is None
    assert value.reason


def test_lag_of_even_pace_is_not_known() -> None:
    even = np.full(1800, 3.0) + np.random.default_rng(1).normal(0, 0.01, 1800)
    assert compute("speed_lag_s", compare_speeds(even, even)).value is None


def test_rest_has_no_pace_and_is_counted_out() -> None:
    moving, rest = np.full(600, 3.0), np.zeros(200)
    test = np.concatenate([moving * 1.1, rest + 0.05])
    reference = np.concatenate([moving, rest])
    value = compute("pace_mae_s_per_km", compare_speeds(test, reference))
    # By hand: 333.3 s/km against 303.0 s/km.
    assert value.value == pytest.approx(1000 / 3 - 1000 / 3.3)
    assert value.n == 600
    assert value.coverage == pytest.approx(600 / 800)


def test_virtual_positions_have_no_sum() -> None:
    case = make_example(
        test=place(*run_straight()), header={"position_kind": "virtual", "device_distance_m": 9e3}
    )
    assert compute("distance_summed_m", case).reason == "the positions are those of a virtual ride"
    assert measure("distance_own_m", case) == 9000.0


# --- parts and pauses -------------------------------------------------------------------------
def part(case: Case, start: int, end: int) -> Case:
    """Return the case over the seconds from `start` to before `end`."""
    seconds = np.arange(case.workout.grid.n_seconds)
    return case.for_segment(Segment("part", (seconds >= start) & (seconds < end)))


def test_part_lasts_until_the_next_one_begins() -> None:
    """By hand: 300 s at 3 m/s are 900 m, by the counter and by the fixes."""
    east, north = run_straight(601)
    case = make_example(test={**place(east, north), "distance_m": east.tolist()})
    for name in ("distance_own_m", "distance_counter_m", "distance_summed_m"):
        assert measure(name, part(case, 0, 300)) == pytest.approx(900.0, rel=1e-4)


@pytest.mark.parametrize("name", ["distance_own_m", "distance_counter_m", "distance_summed_m"])
def test_parts_add_up_to_the_whole(name: str) -> None:
    """Sparse fixes too: the leg over a border belongs to both parts by its time."""
    east, north = walk_stairs(21)
    track = thin((east, north), 4)
    counter = np.cumsum(np.hypot(np.diff(east, prepend=0), np.diff(north, prepend=0)))
    case = make_example(test={**track, "distance_m": counter.tolist()})
    ends = [0, 101, 110, 250, east.size]
    parts = [measure(name, part(case, a, b)) for a, b in pairwise(ends)]
    assert sum(parts) == pytest.approx(
        measure(name, case) - counter[0] * (name == "distance_counter_m")
    )


@pytest.mark.parametrize("name", ["distance_error_m", "distance_summed_error_m"])
@pytest.mark.parametrize("who", ["test", "reference"])
def test_way_during_a_pause_of_either_counts_for_neither(name: str, who: str) -> None:
    """By hand: both are right while both record; one stops for 100 s in which the other runs on."""
    east, north = run_straight(600)
    stopped = np.where(np.arange(600) <= 200, east, np.maximum(east - 300.0, 600.0))
    counters = {"test": east, "reference": east, who: stopped}
    case = make_example(
        test={**place(east, north), "distance_m": counters["test"].tolist()},
        reference={"distance_m": counters["reference"].tolist()},
    )
    side = case.test if who == "test" else case.reference
    assert side is not None
    assert side.paused is not None
    side.paused[201:300] = True
    value = compute(name, case)
    assert value.value == pytest.approx(0.0, abs=0.1)
    assert value.n == 501


@pytest.mark.parametrize("name", ["distance_error_m", "distance_summed_error_m"])
def test_course_passed_during_a_pause_counts_for_neither(name: str) -> None:
    east, north = run_straight(400)
    counter = np.where(np.arange(400) <= 100, east, np.maximum(east - 300.0, 300.0))
    case = make_example(
        test={**place(east, north), "distance_m": counter.tolist()},
        course=place_course(np.array([0.0, 1197.0]), np.zeros(2)),
    )
    case.test.paused[101:200] = True
    # By hand: 100 s before and 199 s after the pause, right on the course.
    assert measure(name, against(case, "course:example")) == pytest.approx(0.0, abs=0.2)


def test_pieces_without_a_pause_between_lose_no_way() -> None:
    """Some exports begin a new piece at each lap: the next second follows at once."""
    east, north = run_straight(300)
    samples = {
        "time_utc": (1_750_000_000 + np.arange(300)) * 1_000_000,
        "piece": np.repeat([0.0, 1.0, 2.0], 100),
        **place(east, north),
    }
    case = make_example(test=place(east, north), samples=samples)
    # By hand: 299 steps.
    assert measure("distance_summed_m", case) == pytest.approx(299 * 3.0, rel=1e-4)
