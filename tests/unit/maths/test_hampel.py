"""Outliers against running medians."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from tasks.maths.hampel import MAD_SCALE, find_hampel_outliers
from tasks.maths.smoothing import compute_running_median

SERIES = np.array([150.0, 151, 150, 152, 190, 151, 152, 153, 152, 151, 90, 152, 153, 152])


def test_the_two_planted_outliers_are_found_and_nothing_else() -> None:
    # Window of 7, 3 sigma; another implementation (PyPI hampel 1.0.2) marks the same two places.
    found = find_hampel_outliers(SERIES, half_window=3)
    assert np.flatnonzero(found.is_outlier).tolist() == [4, 10]
    assert found.medians[[4, 10]].tolist() == [152, 152]


def test_a_plateau_marks_every_step_unless_there_is_a_floor() -> None:
    plateau = np.array([120.0, 120, 120, 121, 120, 120, 120])
    without = find_hampel_outliers(plateau, half_window=3)
    assert np.flatnonzero(without.is_outlier).tolist() == [3]
    assert not find_hampel_outliers(plateau, half_window=3, floor=3).is_outlier.any()


def test_the_scale_is_that_of_a_normal_distribution() -> None:
    assert pytest.approx(1 / stats.norm.ppf(0.75)) == MAD_SCALE


def test_the_limit_equals_scipys_median_absolute_deviation() -> None:
    found = find_hampel_outliers(SERIES, half_window=3, n_sigma=2)
    for middle in range(3, 11):
        window = SERIES[middle - 3 : middle + 4]
        expected = 2 * stats.median_abs_deviation(window, scale="normal")
        assert found.limits[middle] == pytest.approx(expected)


def test_missing_values_are_neither_counted_nor_marked() -> None:
    gappy = SERIES.copy()
    gappy[[3, 5]] = np.nan
    found = find_hampel_outliers(gappy, half_window=3)
    assert found.is_outlier[4]
    assert not found.is_outlier[[3, 5]].any()
    assert not find_hampel_outliers(np.full(5, np.nan), half_window=3).is_outlier.any()
    assert find_hampel_outliers(np.empty(0), half_window=3).is_outlier.size == 0


@given(
    st.lists(st.one_of(st.integers(40, 200), st.just(None)), min_size=1, max_size=40),
    st.integers(0, 6),
)
def test_running_median_equals_numpy_in_every_window(
    values: list[int | None], half_window: int
) -> None:
    series = np.array([np.nan if value is None else value for value in values], float)
    found = compute_running_median(series, half_window=half_window)
    for i in range(series.size):
        window = series[max(0, i - half_window) : i + half_window + 1]
        present = window[np.isfinite(window)]
        if present.size:
            assert found[i] == np.median(present)
        else:
            assert np.isnan(found[i])
