"""Corners that a device cut and corners that everybody left, stuck positions, units."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from tasks.core.discovery import load_metrics
from tasks.core.registers import FINDING_KINDS, Finding
from tasks.workout.case import make_example, refer_to
from tasks.workout.references import choose_references
from tests.unit.tracks import measure, place, place_course, smooth, walk_stairs

if TYPE_CHECKING:
    from tasks.workout.case import Case

load_metrics()
STAIRS = walk_stairs(20, step_m=60.0)
WIDE = (smooth(STAIRS[0], 15), smooth(STAIRS[1], 15))


def look_for(kind: str, case: Case) -> list[Finding]:
    return FINDING_KINDS[kind].detect(case)


def follow_course(test: Any, *others: Any) -> Case:  # noqa: ANN401 - pairs of arrays
    case = make_example(
        test=place(*test),
        others=tuple(place(*one) for one in others),
        course=place_course(*STAIRS),
    )
    (course,) = choose_references(case.workout, case.test, "position").references
    return replace(case, reference=course, memo={})


def test_corners_that_all_leave_together_are_the_athletes() -> None:
    case = follow_course(WIDE, WIDE, WIDE)
    assert look_for("cut_corner", case) == []
    assert measure("track_corners_cut", case) == 0
    assert measure("track_corner_cut_median_m", case) > 5


def test_corners_that_only_one_device_leaves_are_cut() -> None:
    case = follow_course(WIDE, STAIRS, STAIRS)
    assert len(look_for("cut_corner", case)) == 19
    assert measure("track_corners_cut", case) == 19
    lost_m = measure("track_corners_cut_lost_m", case)
    assert lost_m > 19
    way_m = 19 / measure("track_corners_cut_per_km", case) * 1000
    assert measure("track_corners_cut_lost_pct", case) == pytest.approx(100 * lost_m / way_m)


def test_a_device_alone_is_compared_with_itself_elsewhere() -> None:
    """It leaves every corner by the same: nothing tells the device from the athlete."""
    assert look_for("cut_corner", follow_course(WIDE)) == []
    one = (STAIRS[0].copy(), STAIRS[1].copy())
    # By hand: a straight line across the corner at fix 100, from 30 m before it to 30 m behind.
    for values in one:
        values[90:111] = np.linspace(values[90], values[110], 21)
    (found,) = look_for("cut_corner", follow_course(one))
    assert found.size == pytest.approx(30 / np.sqrt(2), abs=0.5)


def test_a_corner_passed_inside_without_loss_is_not_cut() -> None:
    """Inside the apex by 8 m but on a longer way: a wobble of the fixes, no short cut."""
    one = (STAIRS[0].copy(), STAIRS[1].copy())
    one[0][98:103] -= 9.0
    one[1][98:103] += 9.0
    one[0][95:106:2] -= 6.0
    case = follow_course(one, STAIRS, STAIRS)
    assert all("-" not in found.note.split(";")[1] for found in look_for("cut_corner", case))


def make_walk(**more: Any) -> dict[str, Any]:  # noqa: ANN401 - channels
    way = np.arange(0, 1800, 2.0)
    return {**place(way, np.zeros(way.size)), **more}


@pytest.mark.parametrize("length_s", [12, 30, 60])
def test_a_stuck_position_is_one_finding_and_no_jump(length_s: int) -> None:
    channels = make_walk(speed_mps=np.full(900, 2.0), distance_m=np.arange(900) * 2.0)
    for name in ("latitude_deg", "longitude_deg"):
        channels[name][300 : 300 + length_s] = [channels[name][300]] * length_s
    case = make_example(test=channels, activity="walking")
    (found,) = look_for("stuck_position", case)
    assert found.start_s - case.workout.grid.start_s == 300
    assert found.size == length_s
    assert look_for("position_jump", case) == []
    assert measure("track_stuck_s", case) == length_s


def test_others_tell_a_stuck_position_from_a_rest() -> None:
    """Its speed is made of its positions and stands with them."""
    channels = make_walk(speed_mps=np.full(900, 2.0))
    channels["speed_mps"][300:330] = 0.0
    for name in ("latitude_deg", "longitude_deg"):
        channels[name][300:330] = [channels[name][300]] * 30
    moving = make_walk(speed_mps=np.full(900, 2.0))
    resting = make_walk(speed_mps=channels["speed_mps"])
    alone = make_example(test=channels, others=(resting,), activity="walking")
    assert look_for("stuck_position", alone) == []
    case = make_example(test=channels, others=(moving,), activity="walking")
    assert len(look_for("stuck_position", case)) == 1


def test_a_smoothed_speed_that_falls_late_is_no_stuck_position() -> None:
    """Seen in a real ride: place and counter stand for 12 s, the speed comes down after them."""
    channels = make_walk(speed_mps=np.full(900, 2.0), distance_m=np.arange(900) * 2.0)
    channels["distance_m"][300:] -= np.clip(np.arange(600), 0, 11) * 2.0
    channels["speed_mps"][304:312] = 1.0
    for name in ("latitude_deg", "longitude_deg"):
        channels[name][300:312] = [channels[name][300]] * 12
    case = make_example(test=channels, activity="walking")
    assert look_for("stuck_position", case) == []
    assert measure("track_stuck_s", case) == 0


@pytest.mark.parametrize(
    ("channel", "factor", "words"),
    [
        ("speed_mps", 3.6, "times that of its own track, like km/h as m/s"),
        ("speed_mps", 1 / 0.44704, "like mph as m/s"),
        ("distance_m", 1e-3, "like km as m"),
        ("distance_m", 1 / 1.609344, "like miles as km"),
    ],
)
def test_a_channel_in_another_unit_is_found_by_the_own_track(
    channel: str, factor: float, words: str
) -> None:
    generator = np.random.default_rng(1)
    speed = np.full(900, 2.0) + generator.normal(0, 0.1, 900)
    channels = make_walk(speed_mps=speed, distance_m=np.arange(900) * 2.02)
    right = make_example(test=channels, activity="walking", header={"position_kind": "gnss"})
    assert look_for("unit_mismatch", right) == []
    channels[channel] = channels[channel] * factor
    wrong = make_example(test=channels, activity="walking", header={"position_kind": "gnss"})
    (found,) = look_for("unit_mismatch", wrong)
    assert words in found.note
    assert found.size == pytest.approx(factor, rel=0.02)


def test_heights_in_feet_are_found_by_two_others() -> None:
    height = 300 + 30 * np.sin(np.arange(900) / 80)
    plain = {"altitude_m": height}
    # Equal to the last digit they would be one signal, and so one witness.
    second = {"altitude_m": height + np.random.default_rng(1).normal(0.0, 0.5, height.size)}
    case = make_example(test={"altitude_m": height / 0.3048}, others=(plain, second))
    (found,) = look_for("unit_mismatch", case)
    assert "altitude is 3.28" in found.note
    assert look_for("unit_mismatch", make_example(test=plain, others=(plain, second))) == []
    # One other device alone, no reference: which of the two is wrong is not known.
    pair = make_example(test={"altitude_m": height / 0.3048}, others=(plain,))
    assert look_for("unit_mismatch", pair) == []
    higher = make_example(test={"altitude_m": height + 600}, others=(plain, second))
    assert look_for("unit_mismatch", higher) == []


def test_a_reference_that_is_a_device_kept_its_own_line() -> None:
    case = make_example(test=place(*WIDE), reference=place(*STAIRS))
    reference = refer_to(case.workout.subjects[1], "device", why="by hand")
    assert len(look_for("cut_corner", replace(case, reference=reference, memo={}))) == 19
