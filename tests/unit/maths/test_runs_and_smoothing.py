"""Runs of seconds, running means and slopes."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tasks.maths.runs import (
    Run,
    find_first_lasting,
    find_frozen_runs,
    find_longest_gap,
    find_runs,
    mark_runs,
)
from tasks.maths.smoothing import compute_running_mean, compute_running_slope, fill_gaps


def _mark(text: str) -> np.ndarray:
    return np.array([letter == "x" for letter in text], dtype=np.bool_)


def test_runs_are_half_open_and_reach_the_edges() -> None:
    assert find_runs(_mark("xx..x.xxx")) == (Run(0, 2), Run(4, 5), Run(6, 9))
    assert find_runs(_mark("xx..x.xxx"), shortest=2) == (Run(0, 2), Run(6, 9))
    assert find_runs(_mark("xx..x.xxx"), bridge=1) == (Run(0, 2), Run(4, 9))
    assert find_runs(_mark("")) == ()
    assert find_runs(_mark("...")) == ()


@given(st.lists(st.booleans(), max_size=60))
def test_runs_mark_exactly_what_they_were_found_in(values: list[bool]) -> None:
    marked = np.array(values, dtype=np.bool_)
    np.testing.assert_array_equal(mark_runs(find_runs(marked), marked.size), marked)


def test_frozen_stretches_hold_one_value_and_end_at_gaps() -> None:
    values = np.array([1.0, 5, 5, 5, np.nan, 5, 5, 7, 7, 7])
    assert find_frozen_runs(values, shortest=3) == (Run(1, 4), Run(7, 10))
    assert find_frozen_runs(np.empty(0), shortest=3) == ()


def test_longest_gap_counts_the_edges() -> None:
    assert find_longest_gap(_mark("..x...x.")) == 3
    assert find_longest_gap(_mark("....x")) == 4
    assert find_longest_gap(_mark("xx")) == 0


def test_first_lasting_ignores_what_does_not_last() -> None:
    assert find_first_lasting(_mark("x.xx.xxxx"), lasting=3) == 5
    assert find_first_lasting(_mark("x.xx"), lasting=3) is None


def test_running_mean_leaves_out_missing_and_says_where_too_little_is_left() -> None:
    means = compute_running_mean(np.array([1.0, 2, np.nan, 4, 5]), width=3)
    assert means.tolist() == [1.5, 1.5, 3.0, 4.5, 4.5]
    assert np.isnan(compute_running_mean(np.array([1.0, np.nan, np.nan]), width=3)[2])
    assert compute_running_mean(np.empty(0), width=3).size == 0


def test_running_slope_of_a_ramp_is_the_ramp() -> None:
    assert compute_running_slope(np.arange(20.0) * 0.5, width=15).tolist() == [0.5] * 20
    assert np.isnan(compute_running_slope(np.arange(3.0), width=15)).all()


def test_gaps_are_filled_straight_and_flat_at_the_ends() -> None:
    filled = fill_gaps(np.array([np.nan, 2.0, np.nan, 4.0, np.nan]))
    assert filled.tolist() == [2, 2, 3, 4, 4]
    assert np.isnan(fill_gaps(np.full(3, np.nan))).all()


def test_running_mean_of_an_even_width_leans_by_half_a_sample() -> None:
    assert compute_running_mean(np.arange(6.0), width=4)[3] == pytest.approx(2.5)
