"""What was put into a track comes back from its metrics; what is no place is declined."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from tasks.core.discovery import load_metrics
from tasks.core.registers import FINDING_KINDS, Finding
from tasks.workout.case import Case, Segment, make_example
from tasks.workout.references import choose_references
from tests.unit.tracks import compare, compute, measure, place, place_course, smooth, walk_stairs

load_metrics()
STAIRS = walk_stairs(20)


def look_for(kind: str, case: Case) -> list[Finding]:
    return FINDING_KINDS[kind].detect(case)


def with_course(case: Case) -> Case:
    """Hold the test against the workout's course."""
    assert case.reference is not None
    course = replace(
        case.reference, name="course:example", subject=None, on_grid={}, covered=None, paused=None
    )
    return replace(case, reference=course, memo={})


# --- deviation --------------------------------------------------------------------------------
def test_noise_across_the_way_comes_back_within_five_percent() -> None:
    errors = []
    for seed in range(20):
        generator = np.random.default_rng(seed)
        way = np.arange(0, 5400, 3.0)
        noise = generator.normal(0, 2.5, (2, way.size))
        case = compare((way + noise[0], noise[1]), (way, np.zeros(way.size)))
        errors.append(measure("track_cross_rms_m", case) / 2.5 - 1)
    assert np.abs(errors).max() < 0.05


def test_side_bias_comes_back_on_a_winding_way() -> None:
    angle = np.linspace(0, 4 * np.pi, 800)
    east, north = angle * 100, 60 * np.sin(angle)
    slope = np.arctan2(60 * np.cos(angle), np.full(angle.size, 100.0))
    right = (east + 2.0 * np.sin(slope), north - 2.0 * np.cos(slope))
    case = compare(right, (east, north))
    assert measure("track_side_bias_m", case) == pytest.approx(2.0, abs=0.1)


def test_swapping_test_and_reference_flips_the_side() -> None:
    way = np.arange(0, 900, 3.0)
    one, other = (way, np.full(way.size, 1.5)), (way, np.zeros(way.size))
    assert measure("track_side_bias_m", compare(one, other)) == pytest.approx(-1.5, abs=0.01)
    assert measure("track_side_bias_m", compare(other, one)) == pytest.approx(1.5, abs=0.01)


def test_approach_and_departure_are_counted_and_not_scored() -> None:
    way = np.concatenate([np.full(30, -80.0), np.arange(0, 600, 3.0), np.full(40, 700.0)])
    north = np.concatenate([np.full(30, 90.0), np.zeros(200), np.full(40, 90.0)])
    course = place_course(np.array([0.0, 597.0]), np.zeros(2))
    case = with_course(
        make_example(test=place(way, north), reference=place(way, north), course=course)
    )
    assert measure("track_cross_max_m", case) == pytest.approx(0.0, abs=0.01)
    assert measure("track_off_line_s", case) == pytest.approx(70.0)
    value = compute("track_cross_median_m", case)
    assert value.n == 200
    assert value.coverage == pytest.approx(200 / 270)


def test_sparse_fixes_count_by_the_time_that_they_hold() -> None:
    """Every second for a minute on the line, then every ten seconds 8 m aside."""
    dense, sparse = np.arange(60.0), np.arange(60.0, 180.0, 10.0)
    seconds = np.concatenate([dense, sparse])
    aside = np.where(seconds < 60, 0.0, 8.0)
    reference = np.arange(180.0) * 3.0
    start_s = 1_750_000_000
    native = {
        "time_utc": ((start_s + seconds) * 1e6).astype(np.int64),
        **place(seconds * 3.0, aside),
    }
    case = make_example(
        test=place(reference, np.zeros(180)),
        reference=place(reference, np.zeros(180)),
        samples=native,
    )
    # By hand: 60 s at 0 m and 12 fixes of 10 s at 8 m, the last one for the usual second.
    assert measure("track_cross_mean_m", case) == pytest.approx(8 * 111 / 171, abs=0.05)


def test_part_of_a_workout_counts_its_own_fixes() -> None:
    way = np.arange(0, 600, 3.0)
    north = np.where(way < 300, 1.0, 5.0)
    case = compare((way, north), (way, np.zeros(way.size)))
    late = np.zeros(way.size, dtype=np.bool_)
    late[110:] = True
    part = case.for_segment(Segment("late", late))
    assert measure("track_cross_median_m", part) == pytest.approx(5.0, abs=0.01)
    assert compute("track_cross_median_m", part).n == 90


def test_out_and_back_against_a_device_keeps_the_ways_apart() -> None:
    way = np.concatenate([np.arange(0, 900, 3.0), np.arange(900, -1, -3.0)])
    north = np.concatenate([np.full(300, -3.0), np.full(301, 3.0)])
    # 6 m to the left both ways: on the line of the other way.
    left = np.where(np.arange(601) < 300, north + 6.0, north - 6.0)
    case = compare((way, left), (way, north))
    assert measure("track_cross_median_m", case) == pytest.approx(6.0, abs=0.01)
    assert measure("track_side_bias_m", case) == pytest.approx(-6.0, abs=0.3)


# --- second by second -------------------------------------------------------------------------
def test_circular_noise_has_the_radii_of_the_tables() -> None:
    generator = np.random.default_rng(4)
    way = np.arange(0, 10_800, 3.0)
    noise = generator.normal(0, 2.0, (2, way.size))
    case = compare((way + noise[0], noise[1]), (way, np.zeros(way.size)))
    # CEP50 1.1774 SD, CEP95 2.4477 SD, 2DRMS 2 sqrt(2) SD; four standard errors of 3600.
    assert measure("track_cep50_m", case) == pytest.approx(1.1774 * 2.0, abs=0.14)
    assert measure("track_cep95_m", case) == pytest.approx(2.4477 * 2.0, abs=0.25)
    assert measure("track_2drms_m", case) == pytest.approx(2.8284 * 2.0, abs=0.14)
    assert measure("track_along_bias_m", case) == pytest.approx(0.0, abs=0.14)
    assert measure("track_along_rms_m", case) == pytest.approx(2.0, abs=0.1)


@pytest.mark.parametrize("method", ["position", "speed", "heart_rate", "none"])
@pytest.mark.parametrize("metric", ["track_cep50_m", "track_2drms_m", "track_along_bias_m"])
def test_positions_of_one_second_need_clocks_set_by_satellites(metric: str, method: str) -> None:
    case = compare(STAIRS, STAIRS, method=method)
    value = compute(metric, case)
    assert value.value is None
    assert method in (value.reason or "")


def test_course_has_no_times() -> None:
    case = with_course(compare(STAIRS, STAIRS, course=place_course(*STAIRS)))
    assert compute("track_cep95_m", case).reason == "a course has no times"
    assert measure("track_cross_max_m", case) == pytest.approx(0.0, abs=1e-3)


# --- corners ----------------------------------------------------------------------------------
def test_smoothing_cuts_corners_keeps_less_turn_and_is_found_at_the_apex() -> None:
    smoothed = (smooth(STAIRS[0], 11), smooth(STAIRS[1], 11))
    case = compare(smoothed, STAIRS)
    # By hand: the mean of eleven fixes 3 m apart about a corner: 3 (1 + ... + 5) / 11 m short on
    # both sides, so 4.09 sqrt(2) m inside.
    depth_m = 3 * 15 / 11 * np.sqrt(2)
    assert measure("track_corner_cut_median_m", case) == pytest.approx(depth_m, abs=0.5)
    # Ten metres from the corner atan(0.2 / 0.8) of the turn is still to come on each side.
    assert measure("track_turn_retention", case) < 0.9
    assert measure("track_corners_cut_per_km", case) == pytest.approx(19 / 1.2, rel=0.02)
    findings = look_for("cut_corner", case)
    assert len(findings) == 19
    first = findings[0]
    assert first.size == pytest.approx(depth_m, abs=0.5)
    assert "90 degrees to the left" in first.note
    assert "m of distance lost" in first.note
    corner = place(np.array([60.0]), np.array([0.0]))
    # A hundred-thousandth of a degree is about a metre.
    assert first.latitude_deg == pytest.approx(corner["latitude_deg"][0], abs=1e-5)
    assert first.longitude_deg == pytest.approx(corner["longitude_deg"][0], abs=1e-5)


def test_smoothing_and_noise_lie_on_both_sides_of_one() -> None:
    ways = walk_stairs(40, step_m=30.0)
    generator = np.random.default_rng(9)
    noise = generator.normal(0, 2.5, (2, ways[0].size))
    smoothed = compare((smooth(ways[0], 15), smooth(ways[1], 15)), ways)
    noisy = compare((ways[0] + noise[0], ways[1] + noise[1]), ways)
    assert measure("track_turning_ratio", smoothed) < 0.8
    assert measure("track_turning_ratio", noisy) > 1.2


def test_corner_without_fixes_is_not_measured() -> None:
    channels = place(*STAIRS)
    for values in channels.values():
        values[12:26] = [None] * 14
    case = make_example(test=channels, reference=place(*STAIRS))
    assert len(look_for("cut_corner", case)) == 0
    assert compute("track_turn_retention", case).n == 18


def test_way_without_corners_has_none_to_cut() -> None:
    way = np.arange(0, 600, 3.0)
    case = compare((way, np.zeros(200)), (way, np.zeros(200)))
    assert measure("track_corners_cut_per_km", case) == 0.0
    assert compute("track_turn_retention", case).reason == (
        "the reference line has no corner there"
    )


# --- fixes ------------------------------------------------------------------------------------
def make_track(seconds: np.ndarray, **more: Any) -> Case:  # noqa: ANN401
    """A way of 3 m/s with fixes at some of its seconds only."""
    way = np.arange(seconds.max() + 1) * 3.0
    channels = place(way, np.zeros(way.size))
    held = np.isin(np.arange(way.size), seconds)
    return make_example(
        test={
            name: [value if known else None for value, known in zip(values, held, strict=True)]
            for name, values in channels.items()
        },
        **more,
    )


def test_gap_is_found_with_its_ends() -> None:
    case = make_track(np.r_[0:100, 140:200])
    (found,) = look_for("position_gap", case)
    assert found.size == pytest.approx(41.0)
    assert (found.start_s, found.end_s) == (1_750_000_099, 1_750_000_140)
    assert measure("track_gap_max_s", case) == pytest.approx(41.0)


def test_lost_end_is_a_gap_too() -> None:
    channels = place(np.arange(200) * 3.0, np.zeros(200))
    for values in channels.values():
        values[100:] = [None] * 100
    (found,) = look_for("position_gap", make_example(test=channels))
    assert found.size == pytest.approx(100.0)
    assert found.note == "no position until the end"
    assert look_for("position_gap", make_track(np.r_[0:100])) == []


def test_pause_between_pieces_is_no_gap() -> None:
    seconds = np.r_[0:100, 400:500].astype(np.int64)
    native = {
        "time_utc": (1_750_000_000 + seconds) * 1_000_000,
        "piece": np.repeat([0.0, 1.0], 100),
        **place(seconds * 3.0, np.zeros(200)),
    }
    grid = place(np.arange(500) * 3.0, np.zeros(500))
    case = make_example(test=grid, samples=native)
    assert look_for("position_gap", case) == []
    assert measure("track_gap_max_s", case) == 1.0


def test_jump_is_found_once_at_its_place_and_limit_follows_the_activity() -> None:
    north = np.where((np.arange(200) >= 100) & (np.arange(200) < 105), 40.0, 0.0)
    track = place(np.arange(200) * 1.5, north)
    walking = make_example(test=track, activity="walking")
    (found,) = look_for("position_jump", walking)
    assert found.size == pytest.approx(40.0, abs=0.1)
    assert "limit 5 m/s" in found.note
    assert measure("track_jumps", walking) == 1.0
    # 40 m in a second is no jump for a cyclist: 35 m/s and 15 m.
    assert look_for("position_jump", make_example(test=track, activity="cycling")) == []


def test_jump_is_scored_where_it_happened() -> None:
    way = np.arange(0, 900, 3.0)
    north = np.where((way >= 300) & (way < 330), 45.0, 0.0)
    case = compare((way, north), (way, np.zeros(way.size)))
    assert measure("track_cross_max_m", case) == pytest.approx(45.0, abs=0.1)


def test_first_fix_counts_from_the_start_of_the_recording() -> None:
    case = make_track(np.r_[23:100])
    assert measure("track_first_fix_s", case) == pytest.approx(23.0, abs=1.0)


def test_standing_at_rest_is_not_stuck() -> None:
    way = np.concatenate([np.arange(50) * 3.0, np.full(60, 150.0), 150 + np.arange(50) * 3.0])
    speed = np.concatenate([np.full(50, 3.0), np.zeros(60), np.full(50, 3.0)])
    rest = make_example(test={**place(way, np.zeros(160)), "speed_mps": speed.tolist()})
    assert measure("track_stuck_s", rest) == 0.0
    moving = make_example(test={**place(way, np.zeros(160)), "speed_mps": [3.0] * 160})
    assert measure("track_stuck_s", moving) == pytest.approx(61.0, abs=1.0)


# --- declined ---------------------------------------------------------------------------------
def test_virtual_places_are_no_places() -> None:
    case = compare(STAIRS, STAIRS, header={"position_kind": "virtual"})
    for metric in ("track_cross_rms_m", "track_frechet_m", "track_first_fix_s", "track_laps",
                   "track_coverage_pct", "track_jumps", "track_cep50_m"):  # fmt: skip
        assert compute(metric, case).reason == "the positions are those of a virtual ride"
    for kind in ("cut_corner", "position_jump", "position_gap"):
        assert look_for(kind, case) == []


def test_tracks_that_never_meet_are_not_compared() -> None:
    far = (STAIRS[0] + 5000.0, STAIRS[1])
    value = compute("track_cross_rms_m", compare(far, STAIRS))
    assert value.value is None
    assert value.coverage == 0.0


def test_one_fix_is_no_track() -> None:
    case = make_example(
        test={"latitude_deg": [47.0, None], "longitude_deg": [8.0, None]},
        reference={"latitude_deg": [47.0, 47.1], "longitude_deg": [8.0, 8.0]},
    )
    for metric in ("track_frechet_m", "track_interval_median_s", "track_laps"):
        value = compute(metric, case)
        assert value.value is None or value.value == 0.0


# --- laps -------------------------------------------------------------------------------------
def test_spread_of_laps_is_that_of_the_receiver() -> None:
    angle = np.arange(0, 2 * np.pi * 20.3, 3.0 / 60)
    lap = np.floor(angle / (2 * np.pi)).astype(int)
    grown = 60 * (1 + np.random.default_rng(2).normal(0, 0.01, 21)[lap])
    case = make_example(test=place(grown * np.cos(angle), grown * np.sin(angle)))
    assert measure("track_laps", case) >= 19
    assert measure("track_lap_mean_m", case) == pytest.approx(2 * np.pi * 60, rel=0.01)
    # One per cent of 377 m, from twenty laps: four standard errors, and steps at the gate.
    assert measure("track_lap_spread_m", case) == pytest.approx(3.8, abs=2.4)
    assert measure("track_lap_lateral_m", case) == pytest.approx(0.6, abs=0.4)


def test_shifting_both_clocks_changes_nothing() -> None:
    noise = np.random.default_rng(1).normal(0, 2, (2, STAIRS[0].size))
    test = (STAIRS[0] + noise[0], STAIRS[1] + noise[1])
    early, late = (compare(test, STAIRS, start_s=1_750_000_000 + k) for k in (0, 86_400))
    for metric in ("track_cross_rms_m", "track_frechet_m", "track_cep50_m", "track_turn_retention"):
        assert measure(metric, early) == pytest.approx(measure(metric, late), rel=1e-9)


# --- what a reader must know ------------------------------------------------------------------
def test_course_that_was_run_from_its_end_is_said_to_be() -> None:
    backwards = (STAIRS[0][::-1], STAIRS[1][::-1])
    case = with_course(compare(backwards, STAIRS, course=place_course(*STAIRS)))
    value = compute("track_cross_rms_m", case)
    assert value.value == pytest.approx(0.0, abs=1e-3)
    assert value.reason == "the course was run from its end"


def test_clock_that_nothing_confirmed_does_not_hide_the_track() -> None:
    """Ten minutes off, as nobody noticed: the tracks still lie on each other."""
    case = compare(STAIRS, STAIRS, method="none")
    test = replace(case.test, alignment=replace(case.test.alignment, confidence=0.1))
    samples = case.test.recording.samples
    moved = make_example(
        test=place(*STAIRS),
        samples={
            "time_utc": samples.column("time_utc").cast("int64").to_numpy() - 600_000_000,
            **place(*STAIRS),
        },
    ).test.recording
    wrong = replace(case, test=replace(test, recording=moved), memo={})
    wrong.workout.memo.clear()
    assert measure("track_hausdorff_m", wrong) == pytest.approx(0.0, abs=1e-3)


def test_one_badly_timed_device_spoils_the_consensus_of_a_second() -> None:
    # Equal to the last digit they would be one signal, and no consensus.
    draw = np.random.default_rng(1)
    own = [
        place(*(np.asarray(axis) + draw.normal(0.0, 0.3, len(axis)) for axis in STAIRS))
        for _ in range(2)
    ]
    case = make_example(test=place(*STAIRS), others=(own[0], own[1]))
    subjects = list(case.workout.subjects)
    subjects[2] = replace(subjects[2], alignment=replace(subjects[2].alignment, method="position"))
    workout = replace(case.workout, subjects=tuple(subjects), memo={})
    consensus = choose_references(workout, workout.subjects[0], "position").references[0]
    held = replace(case, workout=workout, reference=consensus, memo={})
    assert "position" in (compute("track_cep50_m", held).reason or "")
    assert measure("track_cross_rms_m", held) == pytest.approx(0.0, abs=0.5)


def test_long_tracks_say_how_far_apart_their_points_are() -> None:
    way = np.arange(0, 60_000, 7.5)
    case = compare((way, np.zeros(way.size)), (way, np.full(way.size, 2.0)))
    value = compute("track_frechet_m", case)
    assert value.value == pytest.approx(2.0, abs=0.05)
    assert value.reason == "points every 3.7 m"
