"""Distance on belts: tolerance, parts, pace bands, other devices."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from config.settings import load_settings
from tasks.core.notes import NamedSegment, Notes, Truth
from tasks.metrics import indoor
from tasks.processing.measure import measure_workout
from tasks.workout.case import Case, Segment, make_example, refer_to

START_S = 1_750_000_000
START_UTC = datetime.fromtimestamp(START_S, tz=UTC)


def run(*speeds_mps: float, seconds_each: int = 100) -> list[float]:
    """A counter over so many seconds at each speed."""
    steps = np.concatenate([np.full(seconds_each, speed) for speed in speeds_mps])
    return [0.0, *np.cumsum(steps).tolist()]


def note(*parts: tuple[str, float, float, float], **truth: float) -> Notes:
    """Notes with parts: name, from [s], to [s], distance [m]."""
    segments = tuple(
        NamedSegment(name, from_s=first, to_s=last, distance_m=distance)
        for name, first, last, distance in parts
    )
    return Notes(start_utc=START_UTC, truth=Truth(**truth), segments=segments)  # type: ignore[arg-type]


def make_case(counter: list[float], notes: Notes | None) -> Case:
    return make_example(test={"distance_m": counter}, notes=notes, place="treadmill")


def find_values(case: Case, metric: str = "indoor_distance_error_pct") -> dict[str, float]:
    rows = measure_workout(case.workout).results.to_pylist()
    return {
        row["segment"]: row["value"]
        for row in rows
        if row["metric"] == metric and row["value"] is not None and row["recording_id"] == "test"
    }


def test_the_tolerance_of_the_belt_is_the_interval() -> None:
    notes = note(distance_m=500.0, distance_tolerance_pct=2.0)
    found = indoor.indoor_distance_error_pct(make_case(run(2.5, 2.5), notes))
    # By hand: 500 against 490 to 510 m.
    assert found.value == pytest.approx(0.0)
    assert found.ci_low == pytest.approx(-100.0 * 10.0 / 510.0)
    assert found.ci_high == pytest.approx(100.0 * 10.0 / 490.0)


def test_without_a_tolerance_there_is_no_interval() -> None:
    found = indoor.indoor_distance_error_pct(make_case(run(2.5), note(distance_m=250.0)))
    assert (found.value, found.ci_low, found.ci_high) == (0.0, None, None)


def test_each_part_has_an_error_of_its_own_and_a_band_by_its_true_pace() -> None:
    # Truth: 2.5 m/s is 6:40 per kilometre, 4 m/s is 4:10. The device says 2.6 and 3.8 m/s.
    notes = note(("easy", 0, 100, 250.0), ("fast", 100, 200, 400.0), distance_m=650.0)
    found = find_values(make_case(run(2.6, 3.8), notes))
    assert found["easy"] == pytest.approx(4.0)
    assert found["fast"] == pytest.approx(-5.0)
    assert found["all"] == pytest.approx(100.0 * (640.0 / 650.0 - 1.0))
    assert found["band:pace-6:00-7:30"] == pytest.approx(4.0)
    assert found["band:pace-4:00-5:00"] == pytest.approx(-5.0)


def test_parts_of_one_pace_are_one_band() -> None:
    notes = note(("a", 0, 100, 250.0), ("b", 200, 300, 250.0), distance_m=900.0)
    found = find_values(make_case(run(2.6, 4.0, 2.4), notes))
    assert found["band:pace-6:00-7:30"] == pytest.approx(0.0)


def test_a_whole_run_at_one_pace_counts_for_its_band() -> None:
    notes = note(distance_m=600.0)
    found = find_values(make_case(run(2.7, seconds_each=240), notes))
    # The true pace counts: 2.5 m/s, 6:40.
    assert found == {
        "all": pytest.approx(8.0),
        "band:pace-6:00-7:30": pytest.approx(8.0),
    }


def test_a_run_of_two_paces_that_is_only_known_as_a_whole_counts_for_no_band() -> None:
    found = find_values(make_case(run(2.5, 4.0), note(distance_m=650.0)))
    assert list(found) == ["all"]


def test_against_another_device_bands_are_cut_second_by_second() -> None:
    case = make_example(
        test={"distance_m": run(2.6, 3.8)},
        reference={"distance_m": run(2.5, 4.0)},
        place="treadmill",
    )
    found = find_values(case)
    assert found["all"] == pytest.approx(100.0 * (640.0 / 650.0 - 1.0))
    # Over the window of the pace the two mix near the change; far from it they do not.
    assert found["band:pace-6:00-7:30"] == pytest.approx(4.0, abs=0.5)
    assert found["band:pace-4:00-5:00"] == pytest.approx(-5.0, abs=0.5)


def test_the_factor_makes_the_distance_right() -> None:
    case = make_case(run(2.5), note(distance_m=240.0))
    factor = indoor.indoor_calibration_factor(case).value
    assert factor == pytest.approx(0.96)
    right = make_case([step * factor for step in run(2.5)], note(distance_m=240.0))
    assert indoor.indoor_distance_error_pct(right).value == pytest.approx(0.0)


def test_a_part_that_the_device_missed_has_a_reason() -> None:
    counter = run(2.5, 2.5)
    half = [np.nan] * 90 + counter[90:]
    case = make_case(half, note(("first", 0, 100, 250.0), distance_m=500.0))
    mask = np.arange(len(half)) < 100
    found = indoor.indoor_distance_error_pct(case.for_segment(Segment("first", mask)))
    assert found.value is None
    assert found.reason == "the device did not count throughout this part"


def test_gaps_of_either_counter_are_left_out_on_both_sides() -> None:
    own, other = run(2.6, 2.6), run(2.5, 2.5)
    own[50:60] = [np.nan] * 10
    case = make_example(test={"distance_m": own}, reference={"distance_m": other}, place="trainer")
    assert indoor.indoor_distance_error_pct(case).value == pytest.approx(4.0)


def test_a_run_outdoors_has_no_indoor_rows() -> None:
    case = make_example(test={"distance_m": run(2.5)}, place="outdoors")
    metrics = {row["metric"] for row in measure_workout(case.workout).results.to_pylist()}
    assert not any(metric.startswith("indoor_") for metric in metrics)


def test_bands_without_edges_are_one() -> None:
    settings = load_settings()
    none = settings.model_copy(
        update={"indoor": settings.indoor.model_copy(update={"pace_edges_min_per_km": ()})}
    )
    case = make_case(run(2.5, 4.0), note(distance_m=650.0))
    workout = replace(case.workout, settings=none, memo={})
    found = find_values(replace(case, workout=workout, memo={}))
    assert sorted(found) == ["all", "band:pace-any"]


def test_a_reference_without_a_distance_has_a_reason() -> None:
    case = make_case(run(2.5), None)
    strap = make_example(test={"heart_rate_bpm": [100.0] * 101}).test
    found = indoor.indoor_distance_error_pct(
        replace(case, reference=refer_to(strap, "device", why="the only other device"), memo={})
    )
    assert found.reason == "the reference has no distance"
