"""Planted shifts are found, whatever gain, offset and gaps."""

import numpy as np
import pytest

from tasks.maths.first_order_response import respond_first_order
from tasks.maths.lag import estimate_lag


def _waves(n: int, shift: float = 0.0) -> np.ndarray:
    t = np.arange(n) - shift
    return 140 + 20 * np.sin(2 * np.pi * t / 300) + 5 * np.sin(2 * np.pi * t / 47)


def _steps(n: int, seed: int = 1) -> np.ndarray:
    generator = np.random.default_rng(seed)
    levels = generator.uniform(110, 175, n // 90 + 1)
    return respond_first_order(np.repeat(levels, 90)[:n], 20.0)


@pytest.mark.parametrize("shift", [0.25, 8.5, -5.7])
def test_a_shift_between_whole_seconds_is_found(shift: float) -> None:
    found = estimate_lag(_waves(1800), _waves(1800, shift), max_shift=60)
    assert found.refined.mean == pytest.approx(shift, abs=0.02)
    whole = estimate_lag(_waves(1800), np.round(_waves(1800, shift)), max_shift=60)
    assert whole.refined.mean == pytest.approx(shift, abs=0.1)


def test_the_error_of_a_shift_grows_with_the_noise_and_shrinks_with_time() -> None:
    # Twice the noise, twice the error; four times the time, half of it.
    noise = np.random.default_rng(2).normal(0, 1, 7200)
    errors = [
        estimate_lag(_waves(n), _waves(n, 4) + sd * noise[:n], max_shift=60).refined.standard_error
        for n, sd in ((1800, 1.0), (1800, 2.0), (7200, 1.0))
    ]
    assert errors[1] / errors[0] == pytest.approx(2, rel=0.2)
    assert errors[2] / errors[0] == pytest.approx(0.5, rel=0.3)


def test_a_shift_of_few_blocks_has_no_error() -> None:
    found = estimate_lag(_waves(600), _waves(600, 4), max_shift=60).refined
    assert found.mean == pytest.approx(4, abs=0.02)
    assert np.isnan(found.standard_error)


@pytest.mark.parametrize("shift", [0, 8, -6])
def test_a_planted_shift_is_found_exactly(shift: int) -> None:
    # Two sines over half an hour; without aligning, 8 s make a mean absolute error of 3.6 bpm.
    reference, test = _waves(1800), _waves(1800, shift)
    found = estimate_lag(reference, test, max_shift=60)
    assert found.shift == shift
    assert found.r_at_best == pytest.approx(1.0, abs=1e-9)
    assert found.refined.mean == shift
    assert found.spread == 0
    if shift == 8:
        assert np.abs(test - reference).mean() == pytest.approx(3.6, abs=0.05)
        assert np.abs(test[8:] - reference[:-8]).mean() == pytest.approx(0, abs=1e-9)


def test_gain_offset_and_gaps_do_not_move_the_shift() -> None:
    reference, test = _waves(1800), 0.8 * _waves(1800, 8) + 30
    reference[200:260] = np.nan
    test[900:1000] = np.nan
    assert estimate_lag(reference, test, max_shift=60).shift == 8


def test_a_first_order_response_shows_as_a_shift_smaller_than_its_time_constant() -> None:
    reference = _steps(3600)
    found = estimate_lag(reference, respond_first_order(reference, 12.0), max_shift=60)
    assert found.shift is not None
    assert 5 <= found.shift < 12


def test_a_shift_beyond_the_range_is_said_to_be_at_the_edge() -> None:
    t = np.arange(1800)
    slow = 140 + 20 * np.sin(2 * np.pi * t / 600)
    late = 140 + 20 * np.sin(2 * np.pi * (t - 90) / 600)
    assert estimate_lag(slow, late, max_shift=30).is_at_edge


def test_still_short_or_missing_series_have_no_lag() -> None:
    assert estimate_lag(np.full(900, 120.0), _waves(900), max_shift=60).shift is None
    assert estimate_lag(_waves(900), np.full(900, 120.0), max_shift=60).shift is None
    assert estimate_lag(_waves(100), _waves(100), max_shift=60).shift is None
    assert estimate_lag(_waves(900), np.full(900, np.nan), max_shift=60).shift is None
    assert (
        estimate_lag(_waves(900), _waves(900), max_shift=60, least_reference_sd=100).shift is None
    )
