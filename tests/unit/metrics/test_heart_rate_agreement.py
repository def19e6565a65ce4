"""Heart-rate agreement on cases: intervals, gaps, symmetry; single values are worked examples."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import lfilter

from tasks.core.discovery import load_metrics
from tasks.core.registers import METRICS, Value
from tasks.metrics.heart_rate import (
    agreement,
    concordance,
    continuity,
    independence,
    lock,
    shares,
)
from tasks.workout.case import Case, Segment, make_example

load_metrics()
HEART_RATE = "heart_rate_bpm"
AGREEMENT = [
    metric
    for metric in METRICS.values()
    if metric.compute.__module__
    in {module.__name__ for module in (agreement, concordance, independence, shares)}
]


def make_case(test: object, reference: object) -> Case:
    return make_example(test={HEART_RATE: test}, reference={HEART_RATE: reference})


def make_worn(n: int = 3600, bias: float = 1.0, seed: int = 1, sd: float = 4.0) -> Case:
    generator = np.random.default_rng(seed)
    noise = generator.standard_normal(n) * sd * np.sqrt(1 - 0.97**2)
    reference = 140 + 20 * np.sin(np.arange(n) / 150)
    return make_case(reference + bias + lfilter([1], [1, -0.97], noise), reference)


def test_the_figures_of_means_and_shares_are_those_with_an_interval() -> None:
    assert {metric.id for metric in AGREEMENT if metric.has_interval} == {
        "hr_bias_bpm",
        "hr_mae_bpm",
        "hr_mape_pct",
        "hr_within_5_bpm_pct",
        "hr_within_10_pct_pct",
        "hr_within_5_bpm_or_10_pct_pct",
    }


@pytest.mark.parametrize("metric", AGREEMENT, ids=lambda metric: metric.id)
def test_every_estimate_lies_inside_its_interval(metric) -> None:  # noqa: ANN001
    found = metric.compute(make_worn(n=7200, sd=9.0))
    if metric.has_interval:
        assert found.ci_low < found.value < found.ci_high
        assert found.ci_reason is None
    else:
        assert found.ci_low is None
    assert found.n == 7200
    assert found.coverage == 1.0


@pytest.mark.parametrize("metric", AGREEMENT, ids=lambda metric: metric.id)
def test_ten_minutes_are_too_few_for_an_interval_and_say_so(metric) -> None:  # noqa: ANN001
    found = metric.compute(make_worn(n=599))
    assert found.value is not None
    assert found.ci_low is None
    assert metric.has_interval == bool(found.ci_reason)


def test_autocorrelated_seconds_are_worth_few_independent_ones() -> None:
    found = independence.hr_effective_n(make_worn())
    # n (1 - rho) / (1 + rho) with rho 0.97 is 54.8 of 3,600.
    assert found.value == pytest.approx(54.8, rel=0.3)


def test_the_interval_of_the_bias_is_many_times_the_naive_one() -> None:
    found = agreement.hr_bias_bpm(make_worn(n=7200))
    assert found.ci_low is not None
    assert found.ci_high is not None
    naive = 2 * 1.96 * 4 / np.sqrt(7200)
    assert found.ci_high - found.ci_low > 5 * naive


def test_seconds_missing_on_either_side_are_left_out_and_counted() -> None:
    found = agreement.hr_bias_bpm(make_case([100, None, 103, 90], [100, 100, 100, None]))
    assert (found.value, found.n, found.coverage) == (1.5, 2, pytest.approx(2 / 3))


def test_pauses_do_not_count() -> None:
    case = make_case([100, 200, 100], [100, 100, 100])
    case.test.paused[1] = True
    assert agreement.hr_mae_bpm(case).value == 0


def test_a_part_of_a_workout_counts_only_its_seconds() -> None:
    case = make_case([100, 110, 120], [100, 100, 100])
    part = case.for_segment(Segment("hill", np.array([False, True, True])))
    assert agreement.hr_bias_bpm(part).value == 15


def test_a_share_without_exception_has_no_interval() -> None:
    generator = np.random.default_rng(2)
    reference = np.full(3600, 140.0)
    case = make_case(reference + generator.uniform(-1, 1, 3600), reference)
    found = shares.hr_within_5_bpm_pct(case)
    assert found.value == 100
    assert found.ci_low is None
    assert found.ci_reason
    assert "all seconds are inside" in found.ci_reason


def test_a_heart_rate_that_does_not_vary_has_no_concordance_or_correlation() -> None:
    case = make_case([100, 100, 100], [100, 100, 100])
    for compute in (concordance.hr_ccc, concordance.hr_pearson_r):
        assert compute(case).value is None
        assert compute(case).reason


@given(
    st.lists(st.tuples(st.integers(50, 200), st.integers(50, 200)), min_size=2, max_size=60),
    st.integers(-30, 30),
)
def test_swapping_devices_flips_signs_and_adding_moves_the_bias(
    values: list[tuple[int, int]], added: int
) -> None:
    test, reference = zip(*values, strict=True)
    there, back = make_case(test, reference), make_case(reference, test)
    assert agreement.hr_bias_bpm(there).value == pytest.approx(-_value(agreement.hr_bias_bpm(back)))
    assert concordance.hr_loa_low_bpm(there).value == pytest.approx(
        -_value(concordance.hr_loa_high_bpm(back))
    )
    assert agreement.hr_mae_bpm(there).value == pytest.approx(agreement.hr_mae_bpm(back).value)
    moved = make_case([value + added for value in test], reference)
    assert agreement.hr_bias_bpm(moved).value == pytest.approx(
        _value(agreement.hr_bias_bpm(there)) + added
    )
    assert agreement.hr_sd_bpm(moved).value == pytest.approx(agreement.hr_sd_bpm(there).value)


def _value(found: Value) -> float:
    assert found.value is not None
    return found.value


def test_moving_both_clocks_changes_nothing() -> None:
    values = {"test": {HEART_RATE: [100, 105, 99]}, "reference": {HEART_RATE: [101, 101, 101]}}
    early, late = make_example(**values), make_example(**values, start_s=1_750_086_400)
    for metric in AGREEMENT:
        assert metric.compute(early) == metric.compute(late)


def test_lock_counts_from_when_both_record() -> None:
    reference = [None] * 30 + [120] * 60
    case = make_case([70] * 50 + [120] * 40, reference)
    assert lock.hr_lock_s(case).value == 20  # at second 50, the reference begins at second 30


def test_the_part_after_lock_begins_at_the_lock_and_is_missing_without_one() -> None:
    case = make_case([70] * 12 + [120] * 25, [120] * 37)
    (part,) = lock.after_lock(case)
    assert part.name == "after_lock"
    assert np.flatnonzero(part.mask)[0] == 12
    assert lock.after_lock(make_case([70] * 40, [120] * 40)) == []


def test_gap_is_not_counted_in_pauses_or_outside_the_recording() -> None:
    case = make_case([None, 90, None, None, 91, None], [90] * 6)
    case.test.covered[5] = False
    assert continuity.hr_longest_gap_s(case).value == 2
    case.test.paused[2:4] = True
    assert continuity.hr_longest_gap_s(case).value == 1
