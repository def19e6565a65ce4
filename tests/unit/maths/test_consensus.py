"""The middle of several devices, without steps where one of them comes or goes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tasks.maths.consensus import compute_fade, compute_weighted_median, remove_offsets

table = st.lists(
    st.lists(st.floats(-1e4, 1e4), min_size=5, max_size=5), min_size=1, max_size=6
).map(np.array)


@given(table)
def test_median_of_equal_weights_is_the_usual_one(values: np.ndarray) -> None:
    found = compute_weighted_median(values, np.full(values.shape, 2.5))
    assert found == pytest.approx(np.median(values, axis=0), rel=1e-9, abs=1e-6)


@given(table, st.floats(0.1, 10))
def test_median_lies_between_the_values_and_ignores_the_scale_of_weights(
    values: np.ndarray, scale: float
) -> None:
    weights = np.linspace(0.2, 1.0, values.size).reshape(values.shape)
    found = compute_weighted_median(values, weights)
    assert (found >= values.min(axis=0) - 1e-9).all()
    assert (found <= values.max(axis=0) + 1e-9).all()
    assert compute_weighted_median(values, weights * scale) == pytest.approx(found, abs=1e-6)


def test_missing_and_weightless_values_are_left_out() -> None:
    values = np.array([[1.0, np.nan, np.nan], [5.0, 7.0, np.nan], [90.0, 9.0, np.nan]])
    weights = np.array([[1.0, 1.0, 1.0], [1.0, 1.0, 1.0], [0.0, 1.0, 1.0]])
    found = compute_weighted_median(values, weights)
    assert found[:2].tolist() == [3.0, 8.0]
    assert np.isnan(found[2])


def test_device_that_is_lost_leaves_no_step() -> None:
    """Three devices 10 m apart, one of them lost for a while: without fading a step of 5 m."""
    values = np.array([np.full(200, 0.0), np.full(200, 10.0), np.full(200, 20.0)])
    values[2, 80:120] = np.nan
    weights = compute_fade(np.isfinite(values), fade_s=20.0)
    faded = compute_weighted_median(values, weights)
    plain = np.nanmedian(values, axis=0)
    assert np.abs(np.diff(plain)).max() == 5.0
    assert np.abs(np.diff(faded)).max() < 0.5
    assert faded[[10, 100, 190]].tolist() == [10.0, 5.0, 10.0]


def test_weight_grows_from_a_gap_and_ends_are_no_gap() -> None:
    known = np.ones((1, 60), dtype=np.bool_)
    known[0, 30] = False
    weights = compute_fade(known, fade_s=20.0)[0]
    assert weights[30] == 0.0
    assert weights[[29, 31, 35, 40]] == pytest.approx([0.05, 0.05, 0.25, 0.5])
    assert weights[[0, 59]].tolist() == [1.0, 1.0]
    assert compute_fade(np.ones((1, 3), dtype=np.bool_), fade_s=20.0).tolist() == [[1.0, 1.0, 1.0]]


def test_levels_of_barometers_that_nobody_set_are_taken_off() -> None:
    shape = 50 * np.sin(np.arange(500) / 60)
    values = np.array([shape + 300, shape + 340, shape + 260])
    levelled = remove_offsets(values)
    # The middle one stays where it is.
    assert levelled == pytest.approx(np.array([shape + 300] * 3))


def test_levels_are_found_where_never_all_are_there() -> None:
    values = np.array([np.full(300, 10.0), np.full(300, 30.0), np.full(300, 50.0)])
    values[0, :100] = np.nan
    values[1, 100:200] = np.nan
    values[2, 200:] = np.nan
    levelled = remove_offsets(values)
    assert np.nanstd(levelled, axis=0).max() <= np.nanstd(values, axis=0).max()
    alone = remove_offsets(np.array([[1.0, np.nan], [np.nan, 5.0]]))
    assert np.array_equal(alone, np.array([[1.0, np.nan], [np.nan, 5.0]]), equal_nan=True)
