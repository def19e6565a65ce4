"""Correlation at every shift and distance between tracks, against plain loops and known truth."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tasks.maths.offset import (
    correlate_at_shifts,
    estimate_offset,
    estimate_track_offset,
    measure_track_distances,
    score_correlation,
)
from tests.unit.walks import wander


def make_series(n: int, seed: int, *, missing: float = 0.0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    values = wander(n, rng, memory_s=8, sd=10.0, mean=1000.0)
    values[rng.random(n) < missing] = np.nan
    return values


@given(seed=st.integers(0, 50), start=st.integers(-60, 60))
@settings(max_examples=20, deadline=None)
def test_every_correlation_equals_numpy_s_over_the_same_pairs(seed: int, start: int) -> None:
    reference = make_series(120, seed, missing=0.1)
    test = make_series(90, seed + 100, missing=0.1)
    found = correlate_at_shifts(
        reference, test, reference_start=0, test_start=start, low=-40, high=40, fewest_pairs=10
    )
    for shift, r, pairs in zip(found.shifts, found.r, found.pairs, strict=True):
        places = np.arange(120) - start - shift
        inside = (places >= 0) & (places < 90)
        x, y = reference[inside], test[places[inside]]
        both = np.isfinite(x) & np.isfinite(y)
        assert pairs == both.sum()
        if both.sum() < 10:
            assert np.isnan(r)
        else:
            assert r == pytest.approx(np.corrcoef(x[both], y[both])[0, 1], abs=1e-9)


def test_a_series_without_values_or_variation_gives_no_correlation() -> None:
    flat, nothing = np.full(200, 7.0), np.full(200, np.nan)
    for other in (flat, nothing):
        found = correlate_at_shifts(
            make_series(200, 1), other, reference_start=0, test_start=0, low=-5, high=5
        )
        assert np.isnan(found.r).all()


def test_the_published_lag_is_found_and_its_sign_is_that_of_what_is_added() -> None:
    # 8 s planted in 140 + 20 sin(2 pi t / 300) + 5 sin(2 pi t / 47) over 1,800 s: own derivation,
    # also found by a plain loop. The test shows values 8 s late: 8 s must be taken off its times.
    def signal(t: np.ndarray) -> np.ndarray:
        return 140 + 20 * np.sin(2 * np.pi * t / 300) + 5 * np.sin(2 * np.pi * t / 47)

    t = np.arange(1800.0)
    offset = estimate_offset(
        signal(t),
        signal(t - 8),
        reference_start=0,
        test_start=0,
        max_offset=40,
        trend_window=900,
        least_sd=1.0,
    )
    assert offset is not None
    assert offset.offset_s == pytest.approx(-8, abs=0.1)
    assert offset.peak == pytest.approx(1.0, abs=1e-4)


def test_the_best_shift_at_the_edge_of_the_search_is_no_offset() -> None:
    values = make_series(1800, 3)
    offset = estimate_offset(
        values[50:],
        values[:-50],
        reference_start=0,
        test_start=0,
        max_offset=20,
        trend_window=120,
        least_sd=1.0,
    )
    assert offset is None or offset.confidence < 0.3


def test_half_a_second_is_told_by_the_parabola() -> None:
    rng = np.random.default_rng(4)
    fine = np.convolve(wander(8000, rng, memory_s=20, sd=10.0), np.ones(20) / 20, mode="valid")
    # Two samples per second: the test is sampled half a second after the reference.
    offset = estimate_offset(
        fine[0:7000:2],
        fine[1:7000:2],
        reference_start=0,
        test_start=0,
        max_offset=30,
        trend_window=300,
        least_sd=1.0,
    )
    assert offset is not None
    assert offset.offset_s == pytest.approx(0.5, abs=0.1)


@pytest.mark.parametrize("seed", range(5))
def test_the_score_of_unrelated_series_is_that_of_chance(seed: int) -> None:
    scores = []
    for number in range(60):
        one = make_series(600, 1000 * seed + number)
        other = make_series(600, 1000 * seed + number + 500)
        scores.append(score_correlation(np.corrcoef(one, other)[0, 1], one, other, pairs=600))
    # A standard normal variable: 60 of them have a standard deviation of 1 within 0.3.
    assert np.std(scores) == pytest.approx(1.0, abs=0.35)


def make_tracks(seed: int, offset_s: int) -> tuple[tuple[np.ndarray, ...], tuple[np.ndarray, ...]]:
    rng = np.random.default_rng(seed)
    heading = np.cumsum(wander(1300, rng, memory_s=60, sd=0.02))
    east, north = np.cumsum(3 * np.sin(heading)), np.cumsum(3 * np.cos(heading))
    noise = rng.normal(0, 3, (4, 1200))
    late = slice(50 - offset_s, 1250 - offset_s)
    reference = (east[50:1250] + noise[0], north[50:1250] + noise[1])
    return reference, (east[late] + noise[2], north[late] + noise[3])


@given(seed=st.integers(0, 30), offset_s=st.integers(-40, 40))
@settings(max_examples=20, deadline=None)
def test_the_offset_between_tracks_is_recovered(seed: int, offset_s: int) -> None:
    reference, test = make_tracks(seed, offset_s)
    found = estimate_track_offset(reference, test, reference_start=0, test_start=0, max_offset=60)
    assert found is not None
    # The test was where the reference is now, `offset_s` ago: that much must be taken off.
    assert found.offset_s == pytest.approx(-offset_s, abs=0.5)
    assert found.standard_error_s < 0.5


def test_the_distance_is_measured_at_each_shift() -> None:
    east = np.arange(100.0)
    nothing = np.zeros(100)
    distances = measure_track_distances(
        (east, nothing),
        (east, nothing + 3.0),
        reference_start=0,
        test_start=0,
        shifts=np.array([0, 4]),
        fewest_pairs=10,
    )
    # Three metres aside; with a shift of 4 s at 1 m/s also 4 m behind: 3, 4, 5.
    assert distances.tolist() == [3.0, 5.0]


def test_a_track_that_stands_gives_no_offset() -> None:
    still = (np.zeros(600), np.zeros(600))
    assert (
        estimate_track_offset(still, still, reference_start=0, test_start=0, max_offset=60) is None
    )
