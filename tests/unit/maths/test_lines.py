"""Lines in the plane: thinning, closing, cutting long legs, even spacing."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tasks.maths.lines import LONGEST_LEG_M, Line, build_line, resample_evenly


def make(*points: tuple[float, float], **options: float) -> Line:
    east, north = np.array(points, dtype=np.float64).T
    line = build_line(east, north, **options)
    assert line is not None
    return line


def test_long_legs_are_cut_without_changing_the_line() -> None:
    line = make((0, 0), (100, 0), (100, 30))
    assert line.length_m == pytest.approx(130)
    assert np.diff(line.along_m).max() <= LONGEST_LEG_M
    assert set(line.north_m[line.along_m <= 100]) == {0.0}
    east, north = line.locate(np.array([50.0, 115.0]))
    assert east.tolist() == [50.0, 100.0]
    assert north.tolist() == [0.0, 15.0]


def test_one_place_is_no_line() -> None:
    assert build_line(np.array([3.0, 3.0]), np.array([4.0, 4.0])) is None
    assert build_line(np.empty(0), np.empty(0)) is None


def test_line_closes_only_where_its_ends_are_near() -> None:
    square = [(0.0, 0.0), (100.0, 0.0), (100.0, 100.0), (0.0, 100.0), (0.0, 10.0)]
    closed = make(*square, closes_within_m=20.0)
    # By hand: 100 + 100 + 100 + 90 and the last leg of 10 m.
    assert closed.cycle_m == pytest.approx(400)
    assert make(*square, closes_within_m=5.0).cycle_m is None
    # A way there and back is as long as it is, however near its ends are.
    assert make((0, 0), (20, 0), closes_within_m=20.0).cycle_m is None


def test_closed_line_goes_round_and_round() -> None:
    closed = make((0, 0), (100, 0), (100, 100), (0, 100), (0, 0), closes_within_m=1.0)
    east, north = closed.locate(np.array([50.0, 450.0, -350.0]))
    assert east == pytest.approx([50.0] * 3)
    assert north == pytest.approx([0.0] * 3)


def test_standing_still_leaves_one_point() -> None:
    generator = np.random.default_rng(0)
    scatter = generator.uniform(-0.5, 0.5, (60, 2))
    line = make((-50, 0), *map(tuple, scatter), (50, 0), spacing_m=2.0)
    assert line.length_m == pytest.approx(100, abs=1)


def test_gap_stays_a_gap_when_points_are_left_out_and_legs_cut() -> None:
    east = np.array([0.0, 10.0, 10.5, 80.0, 90.0])
    gaps = np.array([False, False, True, False])
    line = build_line(east, np.zeros(5), is_gap=gaps, spacing_m=2.0)
    assert line is not None
    middle = (line.along_m[:-1] + line.along_m[1:]) / 2
    assert line.is_gap.tolist() == ((middle > 10) & (middle < 80)).tolist()


def test_reversed_line_has_the_same_places() -> None:
    line = make((0, 0), (10, 0), (10, 5))
    back = line.reverse()
    assert back.along_m.tolist() == [0.0, 5.0, 15.0]
    assert back.locate(np.array([5.0]))[0].tolist() == [10.0]


@given(
    st.lists(
        st.tuples(st.floats(-1e3, 1e3), st.floats(-1e3, 1e3)), min_size=2, max_size=30, unique=True
    )
)
def test_cutting_and_even_spacing_keep_ends_and_never_lengthen(
    points: list[tuple[float, float]],
) -> None:
    east, north = np.array(points).T
    length = float(np.hypot(np.diff(east), np.diff(north)).sum())
    line = build_line(east, north)
    if line is None:
        return
    assert line.length_m == pytest.approx(length, rel=1e-6, abs=1e-3)
    x, y = resample_evenly(east, north, spacing_m=7.0)
    assert (x[0], y[0], x[-1], y[-1]) == pytest.approx((east[0], north[0], east[-1], north[-1]))
    steps = np.hypot(np.diff(x), np.diff(y))
    assert steps.max() <= 7.0 + 1e-6
    assert steps.sum() <= length * (1 + 1e-9) + 1e-9


def test_even_spacing_of_a_single_place_is_that_place() -> None:
    east, north = resample_evenly(np.array([2.0, 2.0]), np.array([3.0, 3.0]), spacing_m=1.0)
    assert (east.tolist(), north.tolist()) == ([2.0], [3.0])
