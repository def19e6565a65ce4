"""Findings, lag and own error on cases made by hand."""

from dataclasses import replace

import numpy as np
import pytest

from tasks.core.registers import METRICS
from tasks.maths.first_order_response import respond_first_order
from tasks.metrics.heart_rate import (
    bias,
    cadence,
    continuity,
    delays,
    gaps,
    lag,
    lock,
    own_error,
    quality,
    response,
    spikes,
    stretches,
)
from tasks.workout.alignment import Alignment
from tasks.workout.case import Case, make_example

HEART_RATE = "heart_rate_bpm"
N = 1800


def steady(level: float = 140.0) -> np.ndarray:
    return np.round(level + 2 * np.sin(np.arange(N) / 9))


def intervals() -> np.ndarray:
    demand = np.repeat([115.0, 170.0] * 6, 150)
    return respond_first_order(demand, 20.0)


def make_case(test: np.ndarray, reference: np.ndarray, **more: object) -> Case:
    return make_example(
        test={HEART_RATE: np.round(test)}, reference={HEART_RATE: np.round(reference)}, **more
    )


def with_method(case: Case, method: str, confidence: float) -> Case:
    alignment = Alignment("test", 0.0, method, confidence)
    test = replace(case.test, alignment=alignment)
    return replace(case, test=test, memo={})


def test_findings_are_on_the_clock_of_the_workout() -> None:
    test = steady()
    test[500:600] += 15
    case = make_case(test, steady())
    (found,) = stretches.find_biased_stretches(case)
    start_s = case.workout.grid.start_s
    assert (found.start_s, found.end_s) == (start_s + 500, start_s + 600)
    assert found.size == pytest.approx(15, abs=0.01)


def test_a_late_lock_is_not_reported_again_as_a_biased_stretch() -> None:
    test = steady()
    test[:200] -= 30
    case = make_case(test, steady())
    (found,) = lock.find_late_lock(case)
    assert found.size == 200
    assert "-30 bpm" in found.note
    assert stretches.find_biased_stretches(case) == []
    assert bias.hr_biased_s(case).value == 0


def test_a_stretch_that_goes_on_after_the_lock_begins_with_it() -> None:
    """By hand: +20 bpm up to the lock at 72 s are no part of the +6 bpm behind it."""
    reference = np.full(N, 140.0)
    test = reference + np.where(np.arange(N) < 72, 20.0, 6.0)
    case = make_case(test, reference)
    (found,) = stretches.find_biased_stretches(case)
    assert found.start_s == case.workout.grid.start_s + 72
    assert found.size == pytest.approx(6.0)
    assert bias.hr_biased_s(case).value == N - 72


def test_a_device_that_never_locks_is_late_for_the_whole_time() -> None:
    wandering = 30 * np.sign(np.sin(np.arange(N) / 6))
    case = make_case(steady() + wandering, steady())
    (found,) = lock.find_late_lock(case)
    assert found.size == N
    assert "never" in found.note
    assert stretches.find_biased_stretches(case) == []


@pytest.mark.parametrize("size", [6.0, 8.0, -30.0])
def test_a_constant_bias_is_one_finding_and_no_late_lock(size: float) -> None:
    """Six bpm lie about the lock limits, 30 never come within them."""
    noise = np.random.default_rng(5).normal(0, 1.2, N)
    case = make_case(intervals() + size + noise, intervals())
    (found,) = stretches.find_biased_stretches(case)
    assert found.end_s - found.start_s == N
    assert found.size == pytest.approx(size, abs=0.1)
    assert "throughout" in found.note
    assert lock.find_late_lock(case) == []


def test_a_late_lock_beside_a_constant_bias_is_told_too() -> None:
    test = steady() + 7
    test[:120] -= 30
    case = make_case(test, steady())
    (late,) = lock.find_late_lock(case)
    assert late.size == pytest.approx(120, abs=2)
    (found,) = stretches.find_biased_stretches(case)
    assert found.start_s - case.workout.grid.start_s == pytest.approx(120, abs=2)


def test_stretches_of_one_sign_less_than_half_a_minute_apart_are_one() -> None:
    test = steady()
    test[500:700] += 12
    test[590:610] -= 12
    test[900:960] -= 12
    case = make_case(test, steady())
    first, second = stretches.find_biased_stretches(case)
    begun = case.workout.grid.start_s
    assert (first.start_s - begun, first.end_s - begun) == (500, 700)
    assert (second.start_s - begun, second.end_s - begun) == (900, 960)
    assert bias.hr_biased_s(case).value == 260


def test_no_biased_stretch_is_smaller_than_its_limit() -> None:
    """What is left behind a late lock is judged anew: 3 bpm are none."""
    test = steady()
    test[:80] += 25
    test[80:160] += 3
    case = make_case(test, steady())
    assert len(lock.find_late_lock(case)) == 1
    assert stretches.find_biased_stretches(case) == []


def test_a_wide_slow_noise_has_no_biased_stretches() -> None:
    """SD 3 bpm with a memory of 30 s passes 5 bpm several times an hour, a bias of 15 does once."""
    generator = np.random.default_rng(3)
    kept = np.exp(-1 / 30)
    noise = np.zeros(2 * N)
    for second in range(1, 2 * N):
        noise[second] = kept * noise[second - 1] + generator.normal(0, 3 * np.sqrt(1 - kept**2))
    reference = np.tile(steady(), 2)
    case = make_case(reference + noise, reference)
    assert bias.hr_biased_s(case).value == 0
    noise[1000:1200] += 15
    (found,) = stretches.find_biased_stretches(make_case(reference + noise, reference))
    assert found.size == pytest.approx(15, abs=3)


def test_a_spike_is_at_least_as_large_as_its_limit() -> None:
    """The watch jumps by 10 bpm, of which the reference makes 3 itself."""
    reference, test = np.full(N, 140.0), np.full(N, 140.0)
    test[600:604] += 10
    reference[598:606] += 3
    assert spikes.find_heart_rate_spikes(make_case(test, reference)) == []
    test[600:604] += 4
    (found,) = spikes.find_heart_rate_spikes(make_case(test, reference))
    assert found.size >= 10


def test_a_quick_lock_is_no_finding() -> None:
    test = steady()
    test[:20] -= 30
    assert lock.find_late_lock(make_case(test, steady())) == []


def test_no_heart_rate_before_the_first_one_is_no_dropout() -> None:
    test = steady()
    test[:60] = np.nan
    test[700:730] = np.nan
    case = make_case(test, steady())
    (found,) = gaps.find_dropouts(case)
    assert found.size == 30


def test_a_gap_of_six_seconds_is_a_dropout_only_where_samples_went_on() -> None:
    test = steady()
    test[700:706] = np.nan
    case = make_case(test, steady())
    assert len(gaps.find_dropouts(case)) == 1
    kept = np.isfinite(np.round(test))
    micros = ((case.workout.grid.start_s + np.flatnonzero(kept)) * 1_000_000).astype(np.int64)
    sparse = make_case(
        test, steady(), samples={"time_utc": micros, HEART_RATE: np.round(test)[kept]}
    )
    assert gaps.find_dropouts(sparse) == []


def test_a_value_that_stands_while_the_heart_stands_is_not_frozen() -> None:
    case = make_case(np.full(N, 140.0), steady())
    assert gaps.find_frozen(case) == []


def test_a_spike_during_a_sprint_of_the_reference_is_no_finding() -> None:
    reference = steady()
    reference[895:915] += 30
    test = steady()
    test[898:906] += 30
    assert spikes.find_heart_rate_spikes(make_case(test, reference)) == []


def test_cadence_of_another_device_is_used_when_the_test_has_none() -> None:
    test = steady()
    test[600:700] = 174
    steps = 84 + 6 * np.sin(np.arange(N) / 40)
    steps[600:700] = 87
    case = make_case(test, steady(), others=({"cadence_rpm": steps},))
    (found,) = cadence.find_cadence_locks(case)
    assert found.end_s - found.start_s == pytest.approx(100, abs=4)
    assert cadence.hr_cadence_lock_s(case).value == pytest.approx(100, abs=4)
    assert stretches.find_biased_stretches(case) == []


def test_a_cadence_that_never_changes_proves_no_lock() -> None:
    test = steady()
    test[600:700] = 174
    case = make_case(test, steady(), others=({"cadence_rpm": np.full(N, 87.0)},))
    assert cadence.find_cadence_locks(case) == []
    found = cadence.hr_cadence_lock_s(case)
    assert found.value == 0
    assert found.reason == "100 s near cadence, its half or its double, which may be chance"
    (stretch,) = stretches.find_biased_stretches(case)
    assert "near cadence" in stretch.note
    assert METRICS["hr_why_near_cadence_pct"].compute(case).value == 100
    assert METRICS["hr_why_cadence_lock_pct"].compute(case).value == 0


def test_cadence_is_near_by_chance_as_often_as_it_is() -> None:
    """A ride whose heart rate is off by other things: 20 of them, at most 2 told as locked."""
    told = 0
    for seed in range(20):
        generator = np.random.default_rng(seed)
        steps = 80 + np.repeat(generator.normal(0, 8, N // 30), 30)
        test = steady(150.0)
        for start in range(100, N - 100, 300):
            test[start : start + 90] += generator.choice([-1, 1]) * generator.uniform(12, 60)
        case = make_case(test, steady(150.0), others=({"cadence_rpm": steps},))
        told += bool(cadence.find_cadence_locks(case))
    assert told <= 2


def test_cadence_lock_from_the_start_is_told_as_that() -> None:
    reference = np.interp(np.arange(N), [0, 300, N], [95, 140, 142])
    steps = 85 + 4 * np.sin(np.arange(N) / 35)
    test = np.where(np.arange(N) < 200, np.round(2 * steps), reference)
    case = make_case(test, reference, others=({"cadence_rpm": steps},))
    (found,) = cadence.find_cadence_locks(case)
    assert found.end_s - found.start_s == pytest.approx(200, abs=6)
    assert lock.find_late_lock(case) == []
    assert METRICS["hr_why_cadence_lock_pct"].compute(case).value == pytest.approx(100, abs=3)
    assert METRICS["hr_why_before_lock_pct"].compute(case).value == pytest.approx(0, abs=3)


def test_a_missed_rise_lasts_until_the_device_has_caught_up() -> None:
    reference = intervals()
    test = reference.copy()
    test[450:600] = np.minimum(test[450:600], test[450] + 5 + np.arange(150) % 2)
    case = make_case(test, reference)
    (found,) = stretches.find_missed_rises(case)
    begun = found.start_s - case.workout.grid.start_s
    assert begun == pytest.approx(450, abs=5)
    assert found.end_s - case.workout.grid.start_s == pytest.approx(600, abs=5)
    assert found.size == pytest.approx(-49, abs=2)
    assert response.hr_missed_rises_pct(case).value == pytest.approx(100 / 6)


def test_a_missed_rise_ends_with_the_rise() -> None:
    """The heart comes down after two minutes; the device stays low for ten."""
    reference = np.interp(np.arange(N), [0, 500, 550, 680, 740, N], [110, 110, 160, 160, 112, 112])
    test = reference.copy()
    test[500:1155] = np.minimum(test[500:1155], 111 + np.arange(655) % 2)
    (found,) = stretches.find_missed_rises(make_case(test, reference))
    assert found.end_s - found.start_s < 240


def test_lag_is_given_where_another_signal_set_the_clocks() -> None:
    late = np.concatenate([np.full(7, 115.0), intervals()[:-7]])
    case = make_case(late, intervals())
    assert lag.hr_lag_s(case).value == pytest.approx(7, abs=0.01)
    assert delays.hr_dead_time_s(case).value == pytest.approx(7, abs=1)
    assert delays.hr_time_constant_s(case).value == pytest.approx(0, abs=1)
    assert delays.hr_rise_delay_s(case).value == pytest.approx(7, abs=0.5)
    assert delays.hr_recovery_delay_s(case).value == pytest.approx(7, abs=0.5)
    without = lag.hr_mae_without_lag_bpm(case).value
    assert without is not None
    assert without < 0.05


def test_a_first_order_device_is_told_from_a_late_one() -> None:
    case = make_case(respond_first_order(intervals(), 14.0), intervals())
    assert delays.hr_time_constant_s(case).value == pytest.approx(14, rel=0.1)
    assert delays.hr_dead_time_s(case).value == pytest.approx(0, abs=1)
    found = lag.hr_lag_s(case).value
    assert found is not None
    assert 5 <= found < 14


@pytest.mark.parametrize(
    ("method", "confidence", "is_known"),
    [("gnss", 1.0, True), ("speed", 0.8, True), ("heart_rate", 0.9, False), ("none", 0.0, False),
     ("none", 1.0, True)],
)  # fmt: skip
def test_delays_are_given_only_where_the_clocks_are_known(
    method: str, confidence: float, *, is_known: bool
) -> None:
    late = np.concatenate([np.full(7, 115.0), intervals()[:-7]])
    case = with_method(make_case(late, intervals()), method, confidence)
    for compute in (
        lag.hr_lag_s,
        lag.hr_lag_spread_s,
        delays.hr_dead_time_s,
        delays.hr_time_constant_s,
        lag.hr_mae_without_lag_bpm,
        delays.hr_rise_delay_s,
        delays.hr_rise_delay_90_s,
        delays.hr_recovery_delay_s,
    ):
        found = compute(case)
        assert (found.value is not None) == is_known
        assert is_known or found.reason


def test_an_unrelated_heart_rate_has_no_lag_and_the_correlation_is_said() -> None:
    generator = np.random.default_rng(3)
    unrelated = respond_first_order(np.repeat(generator.uniform(110, 170, 30), 60), 15.0)
    found = lag.hr_lag_s(make_case(unrelated, intervals()))
    assert found.value is None
    assert found.reason
    assert "correlate only" in found.reason or "largest" in found.reason


def test_own_errors_come_back_and_sharing_a_sensor_is_said() -> None:
    generator = np.random.default_rng(4)
    truth = intervals()
    worn = [truth + generator.normal(0, sd, N) for sd in (1.0, 2.0, 3.0)]
    case = make_case(worn[0], worn[1], others=({HEART_RATE: np.round(worn[2])},))
    # Rounding adds a twelfth to the variance.
    found = own_error.hr_own_error_sd_bpm(case)
    assert found.value == pytest.approx(np.sqrt(1 + 1 / 12), rel=0.15)
    assert found.ci_low is None
    mirrored = make_case(worn[1], worn[1], others=({HEART_RATE: np.round(worn[2])},))
    said = own_error.hr_own_error_sd_bpm(mirrored)
    assert said.value is None
    assert said.reason == "shows the same signal as reference"


def test_a_negative_variance_is_said_and_never_zero() -> None:
    generator = np.random.default_rng(5)
    truth = intervals()
    first, second = (truth + generator.normal(0, 4, N) for _ in "ab")
    middle = (first + second) / 2
    found = own_error.hr_own_error_sd_bpm(
        make_case(middle, first, others=({HEART_RATE: np.round(second)},))
    )
    assert found.value is None
    assert found.reason
    assert "negative" in found.reason


def test_the_session_mean_counts_only_the_seconds_of_its_part() -> None:
    case = make_case(np.concatenate([np.full(900, 100.0), np.full(900, 150.0)]), steady())
    assert quality.hr_mean_bpm(case).value == pytest.approx(125)
    case.test.paused[:900] = True
    assert quality.hr_mean_bpm(replace(case, memo={})).value == pytest.approx(150)


def test_a_late_device_that_still_shows_its_plateau_is_not_frozen() -> None:
    reference = np.interp(np.arange(N), [0, 600, 640, N], [170, 170, 120, 120])
    late = np.concatenate([np.full(12, 170.0), reference[:-12]])
    assert gaps.find_frozen(make_case(late, reference)) == []
    stuck = reference.copy()
    stuck[590:660] = 170
    assert len(gaps.find_frozen(make_case(stuck + (np.arange(N) < 580), reference))) == 1


def test_a_rise_before_the_lock_is_not_missed_again() -> None:
    reference = np.interp(np.arange(N), [0, 60, 120, N], [90, 90, 150, 150])
    test = reference.copy()
    test[:200] = 80
    case = make_case(test, reference)
    assert len(lock.find_late_lock(case)) == 1
    assert stretches.find_missed_rises(case) == []
    assert response.hr_rises(case).value == 0


def test_a_rise_that_ends_in_a_dropout_is_no_spike() -> None:
    reference = np.interp(np.arange(N), [0, 900, 940, N], [110, 110, 160, 160])
    test = reference.copy()
    test[925:955] = np.nan
    assert spikes.find_heart_rate_spikes(make_case(test, reference)) == []


def test_a_recording_of_beats_alone_has_a_first_value_and_a_mean() -> None:
    values = steady()
    values[:5] = np.nan
    bare = {"time_utc": [1_750_000_000_000_000], "speed_mps": [1.0]}
    case = make_case(values, steady(), samples=bare)
    assert continuity.hr_first_value_s(case).value == 5
    assert quality.hr_mean_bpm(case).value == pytest.approx(140, abs=0.2)
