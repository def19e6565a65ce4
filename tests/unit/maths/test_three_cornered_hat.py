"""Own errors of devices that were made with known ones."""

import numpy as np
import pytest

from tasks.maths.three_cornered_hat import estimate_own_errors


def _wear(sds: list[float], n: int, seed: int, rho: float = 0.0) -> np.ndarray:
    generator = np.random.default_rng(seed)
    truth = 140 + 25 * np.sin(np.arange(n) / 200)
    errors = generator.standard_normal((n, len(sds)))
    for i in range(1, n if rho else 0):
        errors[i] = rho * errors[i - 1] + np.sqrt(1 - rho**2) * errors[i]
    return truth[:, None] + errors * np.array(sds)


def test_three_variances_solve_the_equations_by_pencil() -> None:
    # Differences chosen so that var_12, var_13, var_23 are 5, 10, 13: v = (1, 4, 9).
    basis = np.linalg.qr(np.random.default_rng(0).normal(size=(50, 4)))[0]
    basis -= basis.mean(axis=0)
    basis = np.linalg.qr(basis)[0][:, :3] * np.sqrt(49)
    series = 100 + basis * np.array([1.0, 2.0, 3.0])
    found = estimate_own_errors(series, block_length=10)
    np.testing.assert_allclose(found.raw_variances, [1, 4, 9], atol=1e-9)
    np.testing.assert_allclose(found.sds, [1, 2, 3], atol=1e-9)


@pytest.mark.parametrize("sds", [[1.0, 3.0, 5.0], [0.5, 2.0, 4.0, 6.0, 3.0]])
def test_known_own_errors_are_recovered_within_15_percent(sds: list[float]) -> None:
    for seed in range(10):
        found = estimate_own_errors(_wear(sds, 5400, seed), block_length=150)
        for estimate, truth in zip(found.sds, sds, strict=True):
            assert estimate == pytest.approx(truth, rel=0.15, abs=0.4)


def test_the_truth_and_constant_offsets_do_not_matter() -> None:
    series = _wear([1.0, 2.0, 3.0], 2000, 1)
    moved = series + np.array([5.0, -3.0, 0.0]) + np.linspace(0, 60, 2000)[:, None]
    np.testing.assert_allclose(
        estimate_own_errors(series, block_length=150).sds,
        estimate_own_errors(moved, block_length=150).sds,
        rtol=1e-6,
    )


def test_a_shared_error_is_credited_to_the_others() -> None:
    # Devices 1 and 2 share an error of 4 bpm: their difference does not show it.
    series = _wear([1.0, 1.0, 1.0], 5000, 2)
    shared = np.random.default_rng(3).normal(0, 4, 5000)
    series[:, 0] += shared
    series[:, 1] += shared
    found = estimate_own_errors(series, block_length=150)
    assert found.sds[0] == pytest.approx(1.0, abs=0.2)
    assert found.sds[2] == pytest.approx(np.sqrt(1 + 16), rel=0.1)


def test_a_negative_variance_is_said_and_fitted_away() -> None:
    # A device that is the exact middle of two noisy ones has errors that cancel theirs.
    series = _wear([4.0, 4.0, 1.0], 3000, 4)
    series[:, 2] = (series[:, 0] + series[:, 1]) / 2
    found = estimate_own_errors(series, block_length=150)
    assert found.was_negative == (False, False, True)
    assert found.raw_variances[2] < 0
    assert found.sds[2] == 0
    assert (found.sds[:2] > 0).all()


def test_intervals_hold_the_truth_about_as_often_as_they_say() -> None:
    sds = [1.0, 3.0, 5.0]
    held = np.zeros(3)
    for seed in range(40):
        found = estimate_own_errors(
            _wear(sds, 3600, seed, rho=0.9),
            block_length=200,
            generator=np.random.default_rng(seed),
            n_resamples=200,
        )
        held += [
            interval.holds(truth) for interval, truth in zip(found.intervals, sds, strict=True)
        ]
    # Nominal 95 %; 40 runs have a standard error of 3.4 points.
    assert (held / 40 >= 0.82).all(), held


def test_seconds_with_a_missing_device_are_left_out() -> None:
    series = _wear([1.0, 2.0, 3.0], 1000, 5)
    series[:400, 1] = np.nan
    assert estimate_own_errors(series, block_length=150).n == 600
    nothing = estimate_own_errors(np.full((100, 3), np.nan), block_length=150)
    assert nothing.n == 0
    assert np.isnan(nothing.sds).all()


def test_two_devices_are_refused() -> None:
    with pytest.raises(ValueError, match="found 2"):
        estimate_own_errors(np.ones((10, 2)), block_length=150)
