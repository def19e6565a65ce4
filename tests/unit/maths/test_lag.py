"""Planted shifts and first-order responses are found and told apart."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from tasks.maths.lag import estimate_lag, fit_first_order, respond_first_order


def _waves(n: int, shift: float = 0.0) -> np.ndarray:
    t = np.arange(n) - shift
    return 140 + 20 * np.sin(2 * np.pi * t / 300) + 5 * np.sin(2 * np.pi * t / 47)


def _steps(n: int, seed: int = 1) -> np.ndarray:
    generator = np.random.default_rng(seed)
    levels = generator.uniform(110, 175, n // 90 + 1)
    return respond_first_order(np.repeat(levels, 90)[:n], 20.0)


@pytest.mark.parametrize("shift", [0, 8, -6])
def test_a_planted_shift_is_found_exactly(shift: int) -> None:
    # Two sines over half an hour; without aligning, 8 s make a mean absolute error of 3.6 bpm.
    reference, test = _waves(1800), _waves(1800, shift)
    found = estimate_lag(reference, test, max_shift=60)
    assert found.shift == shift
    assert found.r_at_best == pytest.approx(1.0, abs=1e-9)
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


def test_the_response_solves_the_differential_equation() -> None:
    # scipy's own integrator on y' = (x - y) / 12 with x straight between the seconds.
    values = _waves(120)
    seconds = np.arange(120.0)
    solved = solve_ivp(
        lambda t, y: (np.interp(t, seconds, values) - y) / 12.0,
        (0, 119),
        [values[0]],
        t_eval=seconds,
        rtol=1e-9,
        atol=1e-9,
        max_step=0.5,
    )
    np.testing.assert_allclose(respond_first_order(values, 12.0), solved.y[0], atol=1e-5)
    np.testing.assert_array_equal(respond_first_order(values, 0.0), values)


@pytest.mark.parametrize(("dead", "tau"), [(0, 12.0), (6, 0.0), (4, 10.0), (3, 25.0)])
def test_dead_time_and_time_constant_are_told_apart(dead: int, tau: float) -> None:
    generator = np.random.default_rng(dead)
    for seed in range(5):
        reference = _steps(3600, seed)
        response = respond_first_order(reference, tau)
        test = np.concatenate([np.full(dead, response[0]), response])[:3600]
        test = np.round(test + 2 + generator.normal(0, 1, 3600))
        found = fit_first_order(np.round(reference), test)
        # A short time constant is nearly a shift: their sum is sharp to 1 s, the split to 2.5 s.
        assert found.dead_time + found.time_constant == pytest.approx(dead + tau, abs=1)
        assert found.dead_time == pytest.approx(dead, abs=1 if tau else 2)
        assert found.time_constant == pytest.approx(tau, abs=0.15 * tau if tau else 2.5)
        assert found.offset == pytest.approx(2.0, abs=0.2)
        if tau:
            assert found.residual_sd < found.shift_residual_sd


def test_gaps_do_not_spoil_the_fit() -> None:
    reference = _steps(3600)
    test = respond_first_order(reference, 15.0)
    reference[500:540] = np.nan
    test[1200:1400] = np.nan
    found = fit_first_order(reference, test)
    assert found.time_constant == pytest.approx(15, rel=0.15)
    assert found.dead_time <= 1


def test_too_little_data_gives_no_fit() -> None:
    assert np.isnan(fit_first_order(np.ones(50), np.ones(50)).time_constant)
    assert np.isnan(fit_first_order(_waves(600), np.full(600, np.nan)).time_constant)
    with pytest.raises(ValueError, match="one shape"):
        fit_first_order(np.ones(50), np.ones(51))
