"""Fixes belong to places in order along the line: where the nearest leg would be the wrong one."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from tasks.maths.candidates import find_candidates
from tasks.maths.lines import Line, build_line
from tasks.maths.matching import match_in_order

REACH_M = 50.0


def make(*points: tuple[float, float], closes_within_m: float = 0.0) -> Line:
    east, north = np.array(points, dtype=np.float64).T
    line = build_line(east, north, closes_within_m=closes_within_m)
    assert line is not None
    return line


def draw_eight(n: int = 400) -> Line:
    angle = np.linspace(0, 2 * np.pi, n)
    return make(*zip(200 * np.sin(angle), 100 * np.sin(2 * angle), strict=True))


def draw_circle(
    radius_m: float = 60.0, n: int = 200, rounds: float = 1.0
) -> list[tuple[float, float]]:
    angle = np.arange(0, 2 * np.pi * rounds, 2 * np.pi / n)
    return list(zip(radius_m * np.cos(angle), radius_m * np.sin(angle), strict=True))


def draw_hairpins(width_m: float = 6.0, ways: int = 6) -> Line:
    """Ways of 100 m beside each other, joined at their ends."""
    points = []
    for number in range(ways):
        ends = [(0.0, number * width_m), (100.0, number * width_m)]
        points += ends if number % 2 == 0 else ends[::-1]
    return make(*points)


def drift(n: int, sd_m: float, memory: float, generator: np.random.Generator) -> np.ndarray:
    kept = np.exp(-1 / memory)
    steps = generator.normal(0, sd_m * np.sqrt(1 - kept**2), n)
    values = np.zeros(n)
    for index in range(1, n):
        values[index] = kept * values[index - 1] + steps[index]
    return values


def test_crossing_of_a_figure_of_eight_does_not_change_the_way() -> None:
    line = draw_eight()
    true = np.arange(0, line.length_m, 3.0)
    east, north = line.locate(true)
    generator = np.random.default_rng(1)
    east += generator.normal(0, 3, true.size)
    north += generator.normal(0, 3, true.size)
    matched = match_in_order(east, north, line=line, reach_m=REACH_M)
    on = matched.is_on
    # Along the way the noise shows, up to four spreads; the other branch is 400 m away.
    assert np.abs(matched.along_m - true)[on].max() < 13
    assert np.sqrt(np.mean(matched.distance_m[on] ** 2)) == pytest.approx(3.0, rel=0.1)
    # The nearest leg alone would be on the other branch near the crossing.
    legs = shapely.LineString(np.column_stack([line.east_m, line.north_m]))
    nearest = shapely.line_locate_point(legs, shapely.points(east, north))
    assert np.abs(nearest - true)[on].max() > 300


def test_way_back_six_metres_beside_the_way_out_is_kept_apart() -> None:
    line = make((0, -3), (1000, -3), (1000, 3), (0, 3))
    true = np.arange(0, line.length_m, 3.0)
    east, north = line.locate(true)
    # On the way out the track lies exactly on the way back, and the other way round: 6 m aside.
    north = np.where(true < 1000, north + 6, north - 6)
    inside = (true < 960) | (true > 1046)
    matched = match_in_order(east, north, line=line, reach_m=REACH_M)
    assert np.abs(matched.along_m - true)[inside].max() < 1e-6
    # Left of the way both times: the side is negative.
    assert matched.side_m[inside] == pytest.approx(np.full(inside.sum(), -6.0))


def test_noise_with_a_memory_does_not_move_a_track_to_the_other_way() -> None:
    line = make((0, -3), (1000, -3), (1000, 3), (0, 3))
    true = np.arange(0, line.length_m, 3.0)
    generator = np.random.default_rng(2)
    errors = drift(true.size, 4.0, 20.0, generator)
    east, north = line.locate(true)
    matched = match_in_order(east, north + errors, line=line, reach_m=REACH_M)
    inside = matched.is_on & ((true < 960) | (true > 1046))
    assert np.abs(matched.along_m - true)[inside].max() < 1e-6
    assert matched.distance_m[inside] == pytest.approx(np.abs(errors[inside]), abs=1e-9)


def test_hairpins_six_metres_apart_are_followed_one_by_one() -> None:
    line = draw_hairpins()
    true = np.arange(0, line.length_m, 2.0)
    generator = np.random.default_rng(3)
    east, north = line.locate(true)
    north = north + drift(true.size, 2.5, 15.0, generator)
    matched = match_in_order(east, north, line=line, reach_m=REACH_M)
    # Within a few metres of a turn both ways are equally near, and equally right.
    assert np.abs(matched.along_m - true)[matched.is_on].max() < 20
    assert np.mean(np.abs(matched.along_m - true)[matched.is_on] < 6) > 0.97


@pytest.mark.parametrize("rounds_in_line", [1, 5])
def test_five_laps_are_counted_on_a_course_of_one_lap_and_of_five(rounds_in_line: int) -> None:
    circle = make(*draw_circle(rounds=rounds_in_line), closes_within_m=30.0)
    lap = 2 * np.pi * 60
    true = np.arange(0, 4.9 * lap, 3.0)
    east, north = 63 * np.cos(true / 60), 63 * np.sin(true / 60)
    matched = match_in_order(east, north, line=circle, reach_m=REACH_M)
    assert matched.is_on.all()
    gone = matched.along_m - matched.along_m[0]
    # The course's chords are shorter than the circle by 4e-5.
    assert gone == pytest.approx(true, rel=1e-3, abs=1.0)
    # Anticlockwise outside the circle: to the right.
    assert matched.side_m.mean() == pytest.approx(3.0, abs=0.02)


def test_start_in_the_middle_of_a_closed_course_is_no_jump() -> None:
    circle = make(*draw_circle(), closes_within_m=30.0)
    true = np.arange(0, 2 * np.pi * 60 * 1.5, 3.0)
    angle = true / 60 + 2.0
    matched = match_in_order(60 * np.cos(angle), 60 * np.sin(angle), line=circle, reach_m=REACH_M)
    assert (np.diff(matched.along_m) > 0).all()
    assert matched.along_m[-1] - matched.along_m[0] == pytest.approx(true[-1], rel=1e-3)


def test_course_run_from_its_end_is_turned_round() -> None:
    line = make((0, 0), (300, 0), (300, 200))
    true = np.arange(0, line.length_m, 3.0)
    east, north = line.reverse().locate(true)
    # 2 m to the right of a runner who goes west is north.
    matched = match_in_order(east[80:], north[80:] + 2.0, line=line, reach_m=REACH_M)
    assert matched.is_reversed
    assert matched.side_m[5:-5] == pytest.approx(np.full(matched.side_m.size - 10, 2.0), abs=1e-6)


def test_approach_and_departure_are_off_the_line_and_nothing_between_is() -> None:
    line = make((0, 0), (300, 0))
    east = np.concatenate([np.full(20, -2.0), np.arange(0, 301, 5.0), np.full(20, 302.0)])
    north = np.concatenate([np.linspace(120, 3, 20), np.zeros(61), np.linspace(3, 120, 20)])
    north[45] = 90.0
    matched = match_in_order(east, north, line=line, reach_m=REACH_M)
    assert not matched.is_on[:20].any()
    assert not matched.is_on[-20:].any()
    assert matched.is_on[20:-20].all()
    # One fix far aside in the middle counts, although nothing was in reach.
    assert matched.distance_m[45] == pytest.approx(90.0)


def test_jump_is_held_against_the_part_of_the_line_where_it_happened() -> None:
    # The jump lands on the way back, 100 m from where the runner was.
    line = make((0, 0), (1000, 0), (1000, 100), (0, 100))
    true = np.arange(0, 900, 3.0)
    east, north = line.locate(true)
    jumped = (true > 300) & (true < 330)
    north = np.where(jumped, 100.0, north)
    matched = match_in_order(east, north, line=line, reach_m=REACH_M, is_jump=jumped)
    assert matched.distance_m[jumped] == pytest.approx(np.full(jumped.sum(), 100.0))
    assert np.abs(matched.along_m - true).max() < 31


def test_times_of_the_line_tell_rounds_apart() -> None:
    points = draw_circle(rounds=3)
    east, north = np.array(points).T
    seconds = np.arange(east.size, dtype=np.float64)
    line = build_line(east, north, seconds=seconds)
    assert line is not None
    second_round = slice(200, 400)
    matched = match_in_order(
        east[second_round],
        north[second_round] + 0.5,
        line=line,
        reach_m=REACH_M,
        seconds=seconds[second_round] + 4.0,
        window_s=60.0,
    )
    passed = np.interp(matched.along_m, line.along_m, seconds)
    assert np.abs(passed - seconds[second_round]).max() < 1.0


def test_places_on_a_gap_of_the_line_are_marked() -> None:
    east = np.array([0.0, 20.0, 40.0, 140.0, 160.0])
    line = build_line(east, np.zeros(5), is_gap=np.array([False, False, True, False]))
    assert line is not None
    fixes = np.array([10.0, 30.0, 90.0, 150.0])
    matched = match_in_order(fixes, np.ones(4), line=line, reach_m=REACH_M)
    assert matched.is_gap.tolist() == [False, False, True, False]


def test_nothing_in_reach_is_nowhere_on_the_line() -> None:
    line = make((0, 0), (100, 0))
    matched = match_in_order(np.full(3, 50.0), np.full(3, 500.0), line=line, reach_m=REACH_M)
    assert not matched.is_on.any()
    assert np.isnan(matched.distance_m).all()
    empty = match_in_order(np.empty(0), np.empty(0), line=line, reach_m=REACH_M)
    assert empty.is_on.size == 0


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 10_000))
def test_distances_of_single_passes_equal_shapely(seed: int) -> None:
    generator = np.random.default_rng(seed)
    heading = np.cumsum(generator.normal(0, 0.15, 60))
    steps = generator.uniform(5, 60, 60)
    east, north = np.cumsum(steps * np.cos(heading)), np.cumsum(steps * np.sin(heading))
    line = build_line(east, north)
    assert line is not None
    fixes = np.column_stack(
        line.locate(generator.uniform(0, line.length_m, 40))
    ) + generator.normal(0, 8, (40, 2))
    found = find_candidates(
        fixes[:, 0], fixes[:, 1], line, usable=np.ones(40, dtype=np.bool_), reach_m=REACH_M
    )
    whole = shapely.LineString(np.column_stack([east, north]))
    expected = shapely.distance(whole, shapely.points(fixes))
    for fix in range(40):
        mine = found.distance_m[found.fix == fix]
        if expected[fix] < REACH_M:
            assert mine.min() == pytest.approx(expected[fix], abs=1e-6)
        else:
            assert not mine.size


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 10_000))
def test_swapping_left_and_right_flips_every_side(seed: int) -> None:
    generator = np.random.default_rng(seed)
    line = draw_eight(120)
    true = np.sort(generator.uniform(0, line.length_m, 80))
    east, north = line.locate(true)
    north = north + generator.normal(0, 4, 80)
    mirrored = build_line(line.east_m, -line.north_m)
    assert mirrored is not None
    one = match_in_order(east, north, line=line, reach_m=REACH_M)
    other = match_in_order(east, -north, line=mirrored, reach_m=REACH_M)
    both = one.is_on & other.is_on
    assert one.is_on.tolist() == other.is_on.tolist()
    assert other.side_m[both] == pytest.approx(-one.side_m[both], abs=1e-6)
