"""Own errors of devices that were made with known ones."""

import numpy as np
import pytest

from tasks.maths.three_cornered_hat import estimate_memories, estimate_own_errors


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


def test_a_variance_is_freed_of_its_bias() -> None:
    # Mean over runs; at rho 0.97 half an hour is worth 27 seconds: 3.6 % are lost without.
    sds, runs = np.array([2.0, 3.0, 4.0]), 200
    with_memory, without = np.zeros(3), np.zeros(3)
    for seed in range(runs):
        series = _wear(list(sds), 1800, seed, rho=0.97)
        rhos = estimate_memories(series)
        with_memory += estimate_own_errors(series, block_length=300, rhos=rhos).raw_variances
        without += estimate_own_errors(series, block_length=300).raw_variances
    np.testing.assert_allclose((with_memory / without - 1).mean(), 0.036, atol=0.012)
    np.testing.assert_allclose((with_memory / runs / sds**2).mean(), 1.0, atol=0.03)


def test_errors_that_outlast_a_short_recording_are_not_told() -> None:
    series = np.column_stack([np.linspace(0, end, 500) for end in (0.0, 5.0, 20.0)]) + 140
    found = estimate_own_errors(series, block_length=150, rhos=estimate_memories(series))
    assert np.isnan(found.sds).all()


def test_a_late_device_does_not_spoil_the_others() -> None:
    # Its difference is a smooth wave: a memory that seems endless, but a mean that is well known.
    seconds = np.arange(3600)
    series = _wear([1.0, 2.0, 3.0, 0.0], 3600, 7)
    series[:, 3] += 6 * np.sin(2 * np.pi * seconds / 300)
    found = estimate_own_errors(series, block_length=150, rhos=estimate_memories(series))
    np.testing.assert_allclose(found.sds, [1.0, 2.0, 3.0, 6 / np.sqrt(2)], rtol=0.1)


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


@pytest.mark.filterwarnings("error")
def test_two_devices_that_are_the_same_warn_of_nothing() -> None:
    """Two that show one strap differ by nothing."""
    series = _wear([0.0, 0.0, 2.0], 1200, 3)
    found = estimate_own_errors(series, block_length=150)
    np.testing.assert_allclose(found.sds[:2], 0.0, atol=1e-6)
    assert found.sds[2] == pytest.approx(2.0, rel=0.1)
