"""Words beside the lines of the agreement plot."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tasks.report.charts.agreement import spread_words


@pytest.mark.parametrize(
    ("values", "places"),
    [
        ([], []),
        ([1.0], [1.0]),
        ([9.0, 0.0, -9.0], [9.0, 0.0, -9.0]),
        ([0.5, 0.0, -0.5], [2.0, 0.0, -2.0]),
        ([5.0, 0.0, -0.5], [5.0, 0.0, -2.0]),
    ],
)
def test_words_move_apart_only_where_they_must(values: list[float], places: list[float]) -> None:
    assert spread_words(values, apart=2.0) == places


@given(st.lists(st.floats(-60, 60), max_size=3), st.floats(0.1, 9))
def test_words_are_never_nearer_than_asked(values: list[float], apart: float) -> None:
    places = spread_words(sorted(values, reverse=True), apart=apart)
    assert all(upper - lower >= apart - 1e-9 for upper, lower in pairwise(places))
