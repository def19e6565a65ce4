"""Whole-track distances against plain definitions and against two other libraries."""

from __future__ import annotations

import math
import platform
import tracemalloc
from collections.abc import Callable

import numpy as np
import pytest
import shapely
import similaritymeasures
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.spatial.distance import cdist, directed_hausdorff

from tasks.maths.curves import (
    _load_compiled,
    _sum_by_diagonals,
    _walk_evenly,
    compute_directed_hausdorff_m,
    compute_frechet_m,
    compute_hausdorff_m,
    compute_warping_mean_m,
    compute_warping_sum_m,
)
from tests.tiers import choose

coordinate = st.floats(-1e3, 1e3).map(lambda value: round(value, 3))
curves = st.lists(st.tuples(coordinate, coordinate), min_size=1, max_size=25).map(
    lambda points: np.array(points, dtype=np.float64)
)


def fill_table(one: np.ndarray, other: np.ndarray, join: Callable[[float, float], float]) -> float:
    """The recurrence as it stands in the papers, cell by cell."""
    apart = cdist(one, other)
    cost = np.full((len(one) + 1, len(other) + 1), math.inf)
    cost[0, 0] = 0.0
    for i in range(1, len(one) + 1):
        for j in range(1, len(other) + 1):
            before = min(cost[i - 1, j], cost[i, j - 1], cost[i - 1, j - 1])
            cost[i, j] = join(apart[i - 1, j - 1], before)
    return float(cost[-1, -1])


@settings(deadline=None)
@given(curves, curves)
def test_frechet_is_what_the_recurrence_gives(one: np.ndarray, other: np.ndarray) -> None:
    assert compute_frechet_m(one, other) == pytest.approx(fill_table(one, other, max), abs=1e-9)


@settings(deadline=None)
@given(curves, curves)
def test_warping_is_what_the_recurrence_gives(one: np.ndarray, other: np.ndarray) -> None:
    expected = fill_table(one, other, lambda apart, before: apart + before)
    assert compute_warping_sum_m(one, other) == pytest.approx(expected, rel=1e-12, abs=1e-9)


def sum_by_numpy(one: np.ndarray, other: np.ndarray) -> float:
    """As where the library in C is not to be had; the first pairing changes no sum."""
    return _sum_by_diagonals(one, other, _walk_evenly(one, other))


def test_the_recurrence_in_c_is_there() -> None:
    # All machines that run these tests have its wheel; else the next test would compare nothing.
    assert _load_compiled() is not None


@settings(deadline=None)
@given(curves, curves)
def test_warping_in_c_and_by_numpy_is_the_same_to_the_bit(
    one: np.ndarray, other: np.ndarray
) -> None:
    # Elsewhere a compiler may join a product and a sum into one rounding.
    tolerance = 0.0 if platform.machine() in {"x86_64", "AMD64"} else 1e-12
    assert compute_warping_sum_m(one, other) == pytest.approx(
        sum_by_numpy(one, other), rel=tolerance, abs=0.0
    )


@settings(deadline=None, max_examples=60)
@example(1380)
@given(st.integers(0, 10_000))
def test_noisy_tracks_are_as_far_apart_as_other_libraries_find(seed: int) -> None:
    generator = np.random.default_rng(seed)
    n = int(generator.integers(2, 150))
    one = np.cumsum(generator.normal(1, 2, (n, 2)), axis=0)
    other = one[generator.random(n) < 0.8] + generator.normal(0, 2, 2)
    if len(other) < 2:
        other = one + 1.0
    lines = shapely.LineString(one), shapely.LineString(other)
    frechet = compute_frechet_m(one, other)
    # The search of GEOS along a diagonal misses some paths (seed 1380: 18.26 where the recurrence
    # gives 5.25): it is an upper bound, mostly equal.
    assert frechet <= shapely.frechet_distance(*lines) * (1 + 1e-12)
    assert frechet == pytest.approx(similaritymeasures.frechet_dist(one, other), rel=1e-9)
    warped, _ = similaritymeasures.dtw(one, other)
    assert compute_warping_sum_m(one, other) == pytest.approx(warped, rel=1e-9)
    assert compute_directed_hausdorff_m(one, other) == pytest.approx(
        directed_hausdorff(one, other)[0], rel=1e-12
    )


@pytest.mark.parametrize("kind", ["late", "loops", "detour", "apart"])
def test_warping_is_exact_where_the_best_path_leaves_the_first_corridor(kind: str) -> None:
    """Hundreds of points, pairings far from both first guesses."""
    generator = np.random.default_rng(11)
    way = np.arange(320.0)
    one = np.column_stack([way, 20 * np.sin(way / 15)])
    other = {
        # Stands still for as long as the corridor is wide, twice over.
        "late": np.vstack([np.repeat(one[:1], 150, axis=0), one[:200]]),
        "loops": np.column_stack([30 * np.cos(way / 10), 30 * np.sin(way / 10)]),
        "detour": np.vstack([one[:100], one[100] + generator.normal(0, 40, (120, 2)), one[100:]]),
        "apart": generator.normal(0, 80, (320, 2)),
    }[kind]
    if kind == "loops":
        one = np.column_stack([30 * np.cos(way / 13 + 1), 31 * np.sin(way / 13 + 1)])
    expected = fill_table(one, other, lambda apart, before: apart + before)
    for compute in (compute_warping_sum_m, sum_by_numpy):
        assert compute(one, other) == pytest.approx(expected, rel=1e-12)
    assert compute_frechet_m(one, other) == pytest.approx(fill_table(one, other, max), rel=1e-12)


@settings(deadline=None)
@given(curves, curves)
def test_order_of_the_two_curves_does_not_matter(one: np.ndarray, other: np.ndarray) -> None:
    for measure in (compute_hausdorff_m, compute_frechet_m, compute_warping_mean_m):
        assert measure(one, other) == pytest.approx(measure(other, one), rel=1e-9, abs=1e-9)


@settings(deadline=None)
@given(curves, st.tuples(coordinate, coordinate))
def test_a_shifted_curve_is_as_far_as_the_shift_at_most(
    one: np.ndarray, shift: tuple[float, float]
) -> None:
    other = one + np.array(shift)
    size = float(np.hypot(*shift))
    assert compute_frechet_m(one, other) <= size + 1e-9
    assert compute_hausdorff_m(one, other) <= compute_frechet_m(one, other) + 1e-9
    assert compute_warping_mean_m(one, other) <= size + 1e-9


@pytest.mark.parametrize("measure", [compute_frechet_m, compute_hausdorff_m, compute_warping_sum_m])
def test_a_curve_without_points_is_refused(
    measure: Callable[[np.ndarray, np.ndarray], float],
) -> None:
    with pytest.raises(ValueError, match="points of two coordinates"):
        measure(np.empty((0, 2)), np.zeros((1, 2)))
    with pytest.raises(ValueError, match="found shape"):
        measure(np.zeros(3), np.zeros((1, 2)))


def make_laps(n: int, generator: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """A hundred laps of a track and what a receiver makes of them."""
    angle = np.arange(n) * 2.0 / 63.66
    one = 63.66 * np.column_stack([np.cos(angle), np.sin(angle)])
    kept = np.exp(-1 / 30)
    error = np.zeros((n, 2))
    for index in range(1, n):
        error[index] = kept * error[index - 1] + generator.normal(0, 3 * np.sqrt(1 - kept**2), 2)
    return one, one + error


@pytest.mark.parametrize("measure", [compute_frechet_m, compute_hausdorff_m, compute_warping_sum_m])
def test_memory_grows_with_the_points_and_not_with_the_pairs(
    measure: Callable[[np.ndarray, np.ndarray], float],
) -> None:
    n_points = choose(short=5_000, full=20_000)
    one, other = make_laps(n_points, np.random.default_rng(4))
    measure(one[:10], other[:10])
    tracemalloc.start()
    measure(one, other)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    # A table of pairs would hold 40 or 160 kB for each point.
    assert peak < 10e3 * n_points
