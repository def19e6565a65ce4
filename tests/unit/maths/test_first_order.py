"""Dead time and time constant are told apart where the data can, and their sum always."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from tasks.maths.first_order import NO_FIT, fit_first_order, respond
from tasks.maths.first_order_response import respond_first_order


def _waves(n: int) -> np.ndarray:
    t = np.arange(n)
    return 140 + 20 * np.sin(2 * np.pi * t / 300) + 5 * np.sin(2 * np.pi * t / 47)


def _steps(n: int, seed: int = 1) -> np.ndarray:
    generator = np.random.default_rng(seed)
    levels = generator.uniform(110, 175, n // 90 + 1)
    return respond_first_order(np.repeat(levels, 90)[:n], 20.0)


def _late(values: np.ndarray, dead: int) -> np.ndarray:
    if dead < 0:
        return np.concatenate([values[-dead:], np.full(-dead, values[-1])])
    return np.concatenate([np.full(dead, values[0]), values])[: values.size]


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


def test_on_a_ramp_the_response_runs_behind_by_dead_time_and_time_constant() -> None:
    # By hand: the answer to t is t - tau once it has settled; the dead time adds to it.
    ramp = np.arange(400.0)
    assert (ramp - respond(ramp, 3.0, 7.0))[200:380] == pytest.approx(10.0, abs=1e-6)


@pytest.mark.parametrize(("dead", "tau"), [(0, 12.0), (6, 0.0), (4, 10.0), (3, 25.0)])
def test_dead_time_and_time_constant_are_told_apart(dead: int, tau: float) -> None:
    generator = np.random.default_rng(dead)
    for seed in range(5):
        reference = _steps(3600, seed)
        test = _late(respond_first_order(reference, tau), dead)
        test = np.round(test + 2 + generator.normal(0, 1, 3600))
        found = fit_first_order(np.round(reference), test)
        assert found.delay == pytest.approx(dead + tau, abs=0.5)
        assert found.delay_interval.holds(dead + tau)
        assert found.dead_time == pytest.approx(dead, abs=1)
        assert found.time_constant == pytest.approx(tau, abs=0.1 * tau if tau else 0.5)
        assert found.time_constant_interval.holds(tau)
        assert found.offset == pytest.approx(2.0, abs=0.2)


@pytest.mark.parametrize(("dead", "tau", "kind"), [(8, 0.0, "shift"), (0, 8.0, "first order"),
                                                   (5, 12.0, "both")])  # fmt: skip
def test_the_simplest_response_that_fits_is_named(dead: int, tau: float, kind: str) -> None:
    reference = _steps(3600)
    test = np.round(_late(respond_first_order(reference, tau), dead))
    assert fit_first_order(np.round(reference), test).kind == kind


def test_a_short_delay_in_loud_noise_cannot_be_told_but_its_sum_can() -> None:
    generator = np.random.default_rng(5)
    reference = _steps(1800)
    shocks = generator.normal(0, 2 * np.sqrt(1 - 0.85**2), 1800)
    noise = np.zeros(1800)
    for second in range(1, 1800):
        noise[second] = 0.85 * noise[second - 1] + shocks[second]
    found = fit_first_order(np.round(reference), np.round(_late(reference, 2) + noise))
    assert found.kind == "cannot be told"
    assert found.delay_interval.holds(2.0)
    assert found.delay == pytest.approx(2.0, abs=1.0)
    assert found.time_constant_interval.low == 0


def test_a_device_that_is_ahead_has_a_negative_dead_time() -> None:
    reference = _steps(1800)
    found = fit_first_order(np.round(reference), np.round(_late(reference, -4)))
    assert found.dead_time == pytest.approx(-4, abs=0.1)
    assert found.time_constant == 0


def test_rounding_the_reference_is_no_time_constant() -> None:
    """Smoothing takes rounding noise off, for which a filter must not be credited."""
    reference = _steps(3600)
    generator = np.random.default_rng(2)
    for dead in (1, 2, 3):
        test = np.round(_late(reference, dead) + generator.normal(0, 0.3, 3600))
        found = fit_first_order(np.round(reference), test)
        assert found.time_constant == pytest.approx(0, abs=0.5)
        assert found.dead_time == pytest.approx(dead, abs=0.5)


def test_gaps_do_not_spoil_the_fit() -> None:
    reference = _steps(3600)
    test = respond_first_order(reference, 15.0)
    reference[500:540] = np.nan
    test[1200:1400] = np.nan
    found = fit_first_order(reference, test)
    assert found.time_constant == pytest.approx(15, rel=0.15)
    assert found.dead_time <= 1


def test_both_series_negated_have_the_negated_fit() -> None:
    reference = np.round(_steps(1800))
    test = np.round(_late(reference, 5)) + 3
    found, mirrored = fit_first_order(reference, test), fit_first_order(-reference, -test)
    assert mirrored.dead_time == found.dead_time
    assert mirrored.offset == pytest.approx(found.negate().offset)


def test_too_little_data_gives_no_fit() -> None:
    assert fit_first_order(np.ones(50), np.ones(50)) is NO_FIT
    assert fit_first_order(_waves(600), np.full(600, np.nan)) is NO_FIT
    assert fit_first_order(np.full(600, np.nan), _waves(600)) is NO_FIT
    with pytest.raises(ValueError, match="one shape"):
        fit_first_order(np.ones(50), np.ones(51))
