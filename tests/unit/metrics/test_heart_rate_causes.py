"""Parts of a workout and causes of errors."""

from dataclasses import replace

import numpy as np
import pytest

from tasks.core.discovery import load_metrics
from tasks.core.registers import METRICS
from tasks.metrics.heart_rate import causes, parts
from tasks.workout.case import Case, make_example

load_metrics()
HEART_RATE = "heart_rate_bpm"
N = 1800


def shares(case: Case) -> dict[str, float]:
    found = {}
    for name, *_ in causes.CAUSES:
        value = METRICS[f"hr_why_{name}_pct"].compute(case).value
        if value:
            found[name] = value
    return found


def steady(level: float = 140.0) -> np.ndarray:
    return np.round(level + np.sin(np.arange(N) / 7))


def make_case(test: np.ndarray, reference: np.ndarray, **channels: np.ndarray) -> Case:
    return make_example(
        test={HEART_RATE: test, **channels}, reference={HEART_RATE: np.round(reference)}
    )


def test_each_biased_second_has_exactly_one_cause() -> None:
    generator = np.random.default_rng(1)
    test = steady() + generator.choice([0, 0, 0, 12], N)
    case = make_case(test, steady(), cadence_rpm=np.full(N, 76.0))
    found = causes.attribute_seconds(case)
    off = np.abs(test - steady()) > 5
    assert ((found >= 0) == off).all()
    assert sum(shares(case).values()) == pytest.approx(100)


def test_errors_before_the_lock_are_put_down_to_it() -> None:
    test = steady()
    test[:120] -= 30
    assert shares(make_case(test, steady())) == {"before_lock": 100}


def test_errors_that_follow_the_steps_are_put_down_to_cadence() -> None:
    """Cadence wanders and heart rate with it; a cadence that never changes tells nothing."""
    steps = np.round(85 + 4 * np.sin(np.arange(N) / 35))
    test = steady()
    test[600:700] = 2 * steps[600:700]
    found = shares(make_case(test, steady(), cadence_rpm=steps))
    assert found["cadence_lock"] == pytest.approx(100, abs=8)
    test[600:700] = 170
    assert shares(make_case(test, steady(), cadence_rpm=np.full(N, 85.0))) == {"near_cadence": 100}


def test_errors_while_the_effort_changes_are_put_down_to_it() -> None:
    reference = np.interp(np.arange(N), [0, 600, 660, N], [120, 120, 170, 170])
    late = np.concatenate([np.full(15, 120.0), reference[:-15]])
    assert shares(make_case(late, reference)) == {"changing_effort": 100}


def test_errors_after_a_pause_are_put_down_to_it() -> None:
    test = steady()
    test[900:920] -= 20
    case = make_case(test, steady())
    case.test.paused[880:900] = True
    assert shares(case) == {"after_pause": 100}


def test_errors_after_a_stop_are_put_down_to_it() -> None:
    test = steady()
    test[900:920] -= 20
    speed = np.full(N, 3.0)
    speed[860:900] = 0
    assert shares(make_case(test, steady(), speed_mps=speed)) == {"after_pause": 100}


def test_standing_all_the_time_is_no_stop() -> None:
    test = steady()
    test[900:920] -= 20
    found = shares(make_case(test, steady(), speed_mps=np.zeros(N)))
    assert found == {"unexplained": 100}


def test_early_errors_in_the_cold_are_put_down_to_it_and_later_ones_are_not() -> None:
    test = steady()
    test[200:230] -= 15
    test[1200:1230] -= 15
    cold = make_case(test, steady(), temperature_degc=np.full(N, -8.0))
    assert shares(cold) == {"cold_start": 50, "unexplained": 50}
    warm = make_case(test, steady(), temperature_degc=np.full(N, 20.0))
    assert shares(warm) == {"unexplained": 100}


def test_errors_among_many_gaps_are_put_down_to_low_coverage() -> None:
    test = steady()
    test[900:1060] = np.nan
    test[970:990] = 160
    assert shares(make_case(test, steady())) == {"low_coverage": 100}


def test_errors_where_the_references_disagree_are_put_down_to_them() -> None:
    reference = steady()
    reference[900:960] += 10
    case = make_example(
        test={HEART_RATE: steady()},
        reference={HEART_RATE: reference},
        others=({HEART_RATE: steady()},),
    )
    subjects = list(case.workout.subjects)
    device = subjects[2].device.model_copy(update={"role": "reference"})
    subjects[2] = replace(subjects[2], device=device)
    workout = replace(case.workout, subjects=tuple(subjects), memo={})
    assert shares(replace(case, workout=workout, memo={})) == {"doubtful_reference": 100}


def test_a_device_without_errors_has_no_causes() -> None:
    case = make_case(steady(), steady())
    found = METRICS["hr_why_unexplained_pct"].compute(case)
    assert found.value is None
    assert found.reason


def test_bands_cut_the_workout_by_the_reference_without_overlap() -> None:
    reference = np.interp(np.arange(N), [0, N], [80, 200])
    case = make_case(reference, reference)
    bands = parts.intensity_bands(case)
    assert [band.name for band in bands] == [
        "band:below-60", "band:60-70", "band:70-80", "band:80-90", "band:above-90",
    ]  # fmt: skip
    assert (sum(band.mask.astype(int) for band in bands) == 1).all()
    # 99th percentile of an even ramp of whole numbers from 80 to 200: 199; 90 % of it: 179.1.
    assert np.round(reference)[bands[-1].mask].min() == 180


def test_a_configured_maximum_sets_the_bands() -> None:
    reference = np.full(N, 150.0)
    case = make_case(reference, reference)
    limits = case.settings.heart_rate.model_copy(update={"max_bpm": 200.0})
    settings = case.settings.model_copy(update={"heart_rate": limits})
    workout = replace(case.workout, settings=settings, memo={})
    (band,) = parts.intensity_bands(replace(case, workout=workout, memo={}))
    assert band.name == "band:70-80"


def test_directions_follow_the_slope_of_the_reference() -> None:
    reference = np.interp(
        np.arange(N), [0, 600, 700, 1200, 1300, N], [120, 120, 170, 170, 120, 120]
    )
    found = {part.name: part.mask for part in parts.directions(make_case(reference, reference))}
    assert set(found) == {"rising", "steady", "falling"}
    assert found["rising"].sum() == pytest.approx(100, abs=12)
    assert found["falling"].sum() == pytest.approx(100, abs=12)
    assert found["rising"][650]
    assert found["falling"][1250]
    assert found["steady"][300]


def test_without_a_reference_value_there_are_no_parts() -> None:
    case = make_case(np.full(N, 120.0), np.full(N, np.nan))
    assert parts.intensity_bands(case) == []
    assert parts.directions(case) == []
