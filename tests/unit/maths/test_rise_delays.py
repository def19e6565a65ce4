"""A rise is read by its whole shape; where the device answers in another way, by its crossing."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tasks.maths.first_order import NO_FIT, FirstOrderFit, fit_first_order
from tasks.maths.first_order_response import respond_first_order
from tasks.maths.rise_delays import Delay, RiseDelays, measure_rise_delays, pool_delays
from tasks.maths.rises import Rise, find_rises, follow_rise


def _intervals(seconds: int = 1500) -> np.ndarray:
    levels = np.where(np.arange(seconds) % 300 < 150, 110.0, 165.0)
    return respond_first_order(respond_first_order(levels, 14.0), 14.0)


def _late(values: np.ndarray, delay: float) -> np.ndarray:
    seconds = np.arange(float(values.size))
    return np.interp(seconds - delay, seconds, values)


def _remember(size: int, sd: float, seed: int) -> np.ndarray:
    generator = np.random.default_rng(seed)
    shocks = generator.normal(0, sd * np.sqrt(1 - 0.85**2), size)
    noise = np.zeros(size)
    for second in range(1, size):
        noise[second] = 0.85 * noise[second - 1] + shocks[second]
    return noise


def _measure(
    reference: np.ndarray, test: np.ndarray, fit: FirstOrderFit | None = None
) -> tuple[tuple[Rise, ...], tuple[RiseDelays, ...]]:
    rises = find_rises(reference, size=15, within=90)
    followings = [follow_rise(reference, test, rise, patience=60) for rise in rises]
    return rises, measure_rise_delays(
        reference,
        test,
        rises,
        fit or fit_first_order(reference, test),
        crossings=[(each.delay_half, each.delay_near) for each in followings],
        patience=60,
    )


@settings(max_examples=20, deadline=None)
@given(st.floats(0.0, 20.0), st.floats(-2.5, 2.5))
def test_a_shift_is_the_delay_at_every_level_whatever_the_bias(delay: float, bias: float) -> None:
    reference = _intervals()
    _, delays = _measure(reference, _late(reference, delay) + bias)
    assert len(delays) == 5
    for each in delays:
        assert each.half.value == pytest.approx(delay, abs=0.15)
        assert each.near.value == pytest.approx(delay, abs=0.3)


def test_noise_moves_single_crossings_more_than_whole_rises() -> None:
    reference = np.round(_intervals(3000))
    test = np.round(_late(_intervals(3000), 6) + _remember(3000, 1.5, 4))
    rises, delays = _measure(reference, test)
    by_shape = np.array([each.half.value for each in delays]) - 6
    by_crossing = [follow_rise(reference, test, rise, patience=60).delay_half - 6 for rise in rises]
    assert np.sqrt(np.mean(by_shape**2)) < 0.7 * np.sqrt(np.mean(np.square(by_crossing)))
    errors = np.array([each.half.error for each in delays])
    # Standard errors say how far off the rises are: the squares of ten ratios are about 1.
    assert 0.3 < np.mean((by_shape / errors) ** 2) < 2.5


def test_a_single_late_rise_keeps_its_own_delay() -> None:
    reference = _intervals()
    test = _late(reference, 3)
    test[440:] = np.where(np.arange(440, 1500) < 590, _late(reference, 15)[440:], test[440:])
    _, delays = _measure(reference, test)
    found = [each.half.value for each in delays]
    assert found[1] == pytest.approx(15, abs=1)
    assert np.delete(found, 1) == pytest.approx(3.0, abs=0.5)


def test_a_device_that_halts_on_the_way_is_read_where_it_passes() -> None:
    """It follows to 60 % of the rise at once, waits there for half a minute, and then jumps."""
    reference = _intervals()
    test = reference.copy()
    (rise, *_) = find_rises(reference, size=15, within=90)
    level = rise.low + 0.6 * rise.size
    halt = rise.start + int(np.argmax(reference[rise.start :] > level))
    test[halt : halt + 45] = np.minimum(test[halt : halt + 45], level)
    _, delays = _measure(reference, test)
    passed = rise.start + int(np.argmax(reference[rise.start :] > rise.low + 0.9 * rise.size))
    assert abs(delays[0].half.value) < 1.5
    assert delays[0].near.value == pytest.approx(halt + 45 - passed, abs=3)


def test_a_rise_that_is_never_followed_has_no_delay() -> None:
    reference = _intervals()
    test = reference.copy()
    (_, second, *_) = find_rises(reference, size=15, within=90)
    test[second.start : second.end + 120] = test[second.start]
    _, delays = _measure(reference, test)
    assert np.isnan(delays[1].half.value)
    assert np.isnan(delays[1].near.value)
    assert delays[0].half.value == pytest.approx(0, abs=0.2)


def test_without_a_fit_the_plain_crossings_stand() -> None:
    reference = _intervals()
    _, delays = _measure(reference, _late(reference, 4), NO_FIT)
    assert [each.half.value for each in delays] == pytest.approx([4.0] * 5, abs=0.1)
    assert np.isnan(delays[0].half.error)


def test_silent_seconds_leave_a_rise_to_the_rest_of_it_or_to_nothing() -> None:
    reference = _intervals()
    test = _late(reference, 5)
    first, second, *_ = find_rises(reference, size=15, within=90)
    test[first.start + 5 : first.start + 10] = np.nan
    test[second.start - 5 : second.end + 70] = np.nan
    _, delays = _measure(reference, test)
    assert delays[0].half.value == pytest.approx(5, abs=0.3)
    assert np.isnan(delays[1].half.value)


def test_rises_alike_are_pooled_to_their_weighted_mean() -> None:
    # By hand: (4 / 1 + 5 / 4) / (1 + 1 / 4) = 4.2.
    value = pool_delays([Delay(4.0, 1.0), Delay(5.0, 2.0)])
    assert value == pytest.approx(4.2)


def test_a_rise_that_went_wrong_hardly_moves_the_pool() -> None:
    delays = [Delay(4.0, 0.5), Delay(4.2, 0.5), Delay(30.0, np.nan)]
    value = pool_delays(delays)
    # By hand: a wrong one pulls like 1.345 errors, so 2 (x - 4.1) = 1.345 * 0.5.
    assert value == pytest.approx(4.1 + 1.345 * 0.25, abs=1e-3)


def test_nothing_pools_to_nothing() -> None:
    for delays in ([], [Delay(np.nan, np.nan)]):
        assert np.isnan(pool_delays(delays))
