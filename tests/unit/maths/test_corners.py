"""Corners of a line and how a track passes them; expected values by plane geometry."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tasks.maths.corners import (
    Corner,
    compute_inside_rad,
    compute_turning_rad,
    find_corners,
    measure_passage,
)
from tasks.maths.lines import Line, build_line


def make(points: list[tuple[float, float]], **options: float) -> Line:
    east, north = np.array(points, dtype=np.float64).T
    line = build_line(east, north, **options)
    assert line is not None
    return line


def find(line: Line) -> tuple[Corner, ...]:
    return find_corners(line, least_turn_deg=45.0, within_m=20.0)


def draw_bend(radius_m: float, turn_deg: float) -> Line:
    """100 m, a bend to the left of a radius, 100 m; a point every half metre of the bend."""
    turn = np.radians(turn_deg)
    angle = np.linspace(0, turn, max(2, int(abs(turn) * radius_m * 2)))
    bend_east, bend_north = 100 + radius_m * np.sin(angle), radius_m * (1 - np.cos(angle))
    end = (bend_east[-1] + 100 * np.cos(turn), bend_north[-1] + 100 * np.sin(turn))
    return make([(0.0, 0.0), *zip(bend_east, bend_north, strict=True), end])


def test_square_corner_is_found_at_its_apex_with_its_turn() -> None:
    (corner,) = find(make([(0, 0), (100, 0), (100, 100)]))
    assert corner.along_m == pytest.approx(100, abs=0.5)
    assert (corner.east_m, corner.north_m) == pytest.approx((100, 0), abs=0.5)
    assert corner.turn_deg == pytest.approx(90)


def test_turn_to_the_right_is_negative() -> None:
    (corner,) = find(make([(0, 0), (100, 0), (100, -100)]))
    assert corner.turn_deg == pytest.approx(-90)


@pytest.mark.parametrize(
    ("radius_m", "turn_deg", "is_corner"),
    # Within 20 m a bend of radius R turns by 20 / R rad: 45 degrees at R = 25.5 m.
    [(10.0, 90.0, True), (24.0, 90.0, True), (28.0, 90.0, False), (36.8, 180.0, False),
     (5.0, 50.0, True), (5.0, 40.0, False)],
)  # fmt: skip
def test_bend_is_a_corner_from_forty_five_degrees_within_twenty_metres(
    radius_m: float,
    turn_deg: float,
    is_corner: bool,  # noqa: FBT001 - a row of the table
) -> None:
    assert len(find(draw_bend(radius_m, turn_deg))) == is_corner


def test_apex_of_a_bend_is_its_middle() -> None:
    (corner,) = find(draw_bend(15.0, 90.0))
    # By hand: 100 m and half of 15 pi / 2.
    assert corner.along_m == pytest.approx(100 + 15 * np.pi / 4, abs=0.5)


def test_hairpin_turns_by_half_a_circle() -> None:
    (corner,) = find(draw_bend(3.0, 180.0))
    assert corner.turn_deg == pytest.approx(180, abs=3)


def test_two_turns_of_a_zigzag_are_two_corners() -> None:
    corners = find(make([(0, 0), (100, 0), (150, 80), (250, 80)]))
    assert [round(corner.turn_deg) for corner in corners] == [58, -58]


def test_corner_across_the_ends_of_a_closed_line_is_found() -> None:
    square = [(0.0, 0.0), (100.0, 0.0), (100.0, 100.0), (0.0, 100.0), (0.0, 0.0)]
    assert len(find(make(square, closes_within_m=1.0))) == 4
    assert len(find(make(square))) == 3


def test_line_that_stands_still_has_no_corner_there() -> None:
    east = np.array([0.0, 50, 100, 103, 100, 103, 100, 103, 103, 103])
    north = np.array([0.0, 0, 0, 3, 3, 0, 3, 3, 50, 100])
    seconds = np.array([0.0, 25, 50, 80, 110, 140, 170, 200, 225, 250])
    line = build_line(east, north, seconds=seconds)
    assert line is not None
    assert not [corner for corner in find(line) if 100 < corner.along_m < 110]


def test_gap_of_a_line_turns_nothing() -> None:
    east, north = np.array([0.0, 100.0, 100.0]), np.array([0.0, 0.0, 100.0])
    line = build_line(east, north, is_gap=np.array([False, True]))
    assert line is not None
    assert find(line) == ()


def test_short_line_has_no_corner() -> None:
    assert find(make([(0, 0), (5, 0), (5, 5)])) == ()


# --- passages ---------------------------------------------------------------------------------
SQUARE = make([(0, 0), (100, 0), (100, 100)])


def leave_before(offset_m: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Fixes that leave the corner's line some metres before it and meet it as far behind."""
    points = [(60.0, 0.0), (100 - offset_m, 0.0), (100.0, offset_m), (100.0, 40.0)]
    east, north = np.array(points).T
    along = np.array([60.0, 100 - offset_m, 100 + offset_m, 140.0])
    return east, north, along


@pytest.mark.parametrize("offset_m", [2.0, 8.0, 20.0])
def test_chord_over_a_corner_is_as_deep_and_as_short_as_geometry_says(offset_m: float) -> None:
    (corner,) = find(SQUARE)
    east, north, along = leave_before(offset_m)
    inside = compute_inside_rad(SQUARE, corner.along_m)
    passage = measure_passage(corner, east, north, along, inside_rad=inside, within_m=20.0)
    assert passage is not None
    # By hand: the chord's middle is offset / sqrt(2) inside; it saves (2 - sqrt(2)) offset.
    # The apex is found to half a metre, its depth to 0.36 m.
    assert passage.depth_m == pytest.approx(offset_m / np.sqrt(2), abs=0.36)
    assert passage.lost_m == pytest.approx((2 - np.sqrt(2)) * offset_m, abs=1e-9)


def test_swinging_out_of_a_corner_is_a_negative_depth() -> None:
    (corner,) = find(SQUARE)
    east, north = np.array([60.0, 106.0, 106.0, 100.0]), np.array([0.0, -6.0, 0.0, 40.0])
    along = np.array([60.0, 95.0, 105.0, 140.0])
    inside = compute_inside_rad(SQUARE, corner.along_m)
    passage = measure_passage(corner, east, north, along, inside_rad=inside, within_m=20.0)
    assert passage is not None
    assert passage.depth_m < -3
    assert passage.lost_m < 0


@pytest.mark.parametrize("side", [1.0, -1.0])
@pytest.mark.parametrize("angle_deg", [0.0, 30.0, 90.0, 200.0])
def test_turn_back_has_no_side_and_its_inside_is_the_way_back(
    side: float, angle_deg: float
) -> None:
    """A course straight out and back: turning before the mark cuts it, on either hand."""
    angle = np.radians(angle_deg)
    rotate = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    line = make([tuple(rotate @ np.array(point)) for point in ((0, 0), (200, 0), (0, 0))])
    (corner,) = find(line)
    out, back = np.arange(150.0, 193.0), np.arange(192.0, 150.0, -1.0)
    fixes = np.vstack(
        [np.concatenate([out, back]), np.repeat([-1.0, 1.0], [out.size, back.size]) * side]
    )
    east, north = rotate @ fixes
    along = np.concatenate([np.minimum(out, 200.0), 400 - np.minimum(back, 200.0)])
    inside = compute_inside_rad(line, corner.along_m)
    passage = measure_passage(corner, east, north, along, inside_rad=inside, within_m=20.0)
    assert passage is not None
    assert passage.turn_deg == pytest.approx(180.0, abs=1.0)
    # By hand: it turns 8 m before the mark.
    assert passage.depth_m == pytest.approx(8.0, abs=0.3)


def test_track_that_does_not_reach_the_corner_passes_nothing() -> None:
    (corner,) = find(SQUARE)
    nothing = measure_passage(
        corner, np.array([60.0, 90.0]), np.zeros(2), np.array([60.0, 90.0]),
        inside_rad=0.0, within_m=20.0,
    )  # fmt: skip
    assert nothing is None


@settings(deadline=None, max_examples=40)
@given(st.floats(60.0, 120.0), st.floats(0.0, 360.0))
def test_turning_and_moving_the_whole_plane_changes_no_passage(
    turn_deg: float, by_deg: float
) -> None:
    turn, by = np.radians(turn_deg), np.radians(by_deg)
    points = np.array([(0.0, 0.0), (100.0, 0.0), (100 + 100 * np.cos(turn), 100 * np.sin(turn))])
    rotate = np.array([[np.cos(by), -np.sin(by)], [np.sin(by), np.cos(by)]])
    fixes = np.array([points[1] * 0.6, points[1] * 0.9, points[1] + 0.1 * (points[2] - points[1]),
                      points[1] + 0.4 * (points[2] - points[1])])  # fmt: skip
    along = np.array([60.0, 90.0, 110.0, 140.0])
    found = []
    for matrix, shift in ((np.eye(2), 0.0), (rotate, 300.0)):
        line = make([tuple(point) for point in points @ matrix.T + shift])
        (corner,) = find(line)
        placed = fixes @ matrix.T + shift
        found.append(
            measure_passage(
                corner, placed[:, 0], placed[:, 1], along,
                inside_rad=compute_inside_rad(line, corner.along_m), within_m=20.0,
            )
        )  # fmt: skip
    one, other = found
    assert one is not None
    assert other is not None
    assert other.depth_m == pytest.approx(one.depth_m, abs=0.02)
    assert other.lost_m == pytest.approx(one.lost_m, abs=1e-6)
    assert other.turn_deg == pytest.approx(one.turn_deg, abs=1.5)


# --- smooth or noisy --------------------------------------------------------------------------
def test_smoothing_turns_less_and_noise_turns_more() -> None:
    generator = np.random.default_rng(6)
    # Stairs of 30 m; the smoothing reaches over 45 m, over two corners that undo each other.
    east = np.cumsum(np.tile(np.repeat([3.0, 0.0], 10), 8))
    north = np.cumsum(np.tile(np.repeat([0.0, 3.0], 10), 8))
    true = compute_turning_rad(east, north, spacing_m=10.0)
    window = np.ones(15) / 15
    smooth = compute_turning_rad(
        np.convolve(east, window, "valid"), np.convolve(north, window, "valid"), spacing_m=10.0
    )
    noisy = compute_turning_rad(
        east + generator.normal(0, 2, east.size),
        north + generator.normal(0, 2, east.size),
        spacing_m=10.0,
    )
    # Fifteen square corners.
    assert true == pytest.approx(15 * np.pi / 2, rel=1e-6)
    assert smooth < 0.5 * true
    assert noisy > 1.5 * true


def test_straight_way_turns_nothing() -> None:
    assert compute_turning_rad(np.arange(100.0), np.zeros(100), spacing_m=10.0) == 0.0
    assert compute_turning_rad(np.zeros(1), np.zeros(1), spacing_m=10.0) == 0.0
