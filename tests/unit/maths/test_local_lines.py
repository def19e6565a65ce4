"""Straight lines through neighbours: what is straight stays, what jitters is calmed."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tasks.maths.smoothing import fit_local_lines


@given(st.integers(0, 10_000), st.floats(-50, 50), st.floats(-1e5, 1e5))
def test_straight_course_comes_back_whatever_the_spacing(
    seed: int, slope: float, start: float
) -> None:
    generator = np.random.default_rng(seed)
    at = 1.75e9 + np.cumsum(generator.choice([1.0, 3.0, 9.0, 40.0], 60))
    values = start + slope * (at - at[0])
    assert fit_local_lines(at, values, half_width=5.0) == pytest.approx(values, abs=1e-4)


def test_fit_equals_least_squares_in_every_window() -> None:
    generator = np.random.default_rng(3)
    at = np.cumsum(generator.uniform(0.5, 3.0, 40))
    values = generator.normal(0, 10, 40)
    found = fit_local_lines(at, values, half_width=5.0)
    for index, place in enumerate(at):
        near = np.abs(at - place) <= 5.0
        slope, level = np.polyfit(at[near], values[near], 1)
        assert found[index] == pytest.approx(level + slope * place, abs=1e-6)


def test_value_alone_in_its_window_stays() -> None:
    at, values = np.array([0.0, 20.0, 60.0]), np.array([5.0, -3.0, 8.0])
    assert fit_local_lines(at, values, half_width=5.0) == pytest.approx(values)
    assert fit_local_lines(np.empty(0), np.empty(0), half_width=5.0).size == 0
    # Two at one instant have no slope: their mean.
    assert fit_local_lines(np.zeros(2), np.array([1.0, 3.0]), half_width=5.0).tolist() == [2.0, 2.0]
