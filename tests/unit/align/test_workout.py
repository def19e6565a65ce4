"""One clock and one grid: rounding, gaps, pauses, pieces, and whose clock it is."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from config.devices import Device
from config.settings import load_settings
from tasks.align import Aligned, align_workout
from tasks.core.members import Member, WorkoutMembers
from tests.unit.walks import START_S, Walk, make_walk, record

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tasks.core.recording import Recording
    from tasks.workout.case import Subject

SETTINGS = load_settings()
HEART = "heart_rate_bpm"
WALK = make_walk(1200, seed=41)


def align(
    recordings: Mapping[str, Recording],
    *,
    roles: Mapping[str, str] | None = None,
    sensors: Mapping[str, str] | None = None,
    members: tuple[Member, ...] | None = None,
) -> Aligned:
    workout = WorkoutMembers(
        members or tuple(Member(key) for key in recordings),
        min(one.start_utc for one in recordings.values()),
        max(one.end_utc for one in recordings.values()),
    )
    devices = {
        key: Device.model_validate(
            {
                "id": f"d-{key}",
                "name": key,
                "role": (roles or {}).get(key, "peer"),
                "heart_rate": (sensors or {}).get(key, "optical"),
            }
        )
        for key in recordings
    }
    return align_workout("w", recordings, workout=workout, devices=devices, settings=SETTINGS)


def find(aligned: Aligned, recording_id: str) -> Subject:
    return next(one for one in aligned.subjects if one.recording_id == recording_id)


def beat(values: list[float], *, at: list[float] | None = None, **facts: Any) -> Recording:  # noqa: ANN401 - facts of the header
    """Record heart rate at given seconds after the start."""
    from tasks.core.recording import Recording as Record  # noqa: PLC0415 - a name for type checks
    from tasks.tables.arrow import make_table  # noqa: PLC0415 - only here
    from tasks.tables.tables import SAMPLES  # noqa: PLC0415 - only here

    seconds = list(range(len(values))) if at is None else at
    base = record(Walk({HEART: np.array(values)}), HEART, seed=None, **facts)
    stamps = [round((START_S + s) * 1e6) for s in seconds]
    samples = make_table(SAMPLES, {"time_utc": stamps, HEART: values, "piece": [0] * len(values)})
    return Record(
        header=base.header,
        start_utc=datetime.fromtimestamp(START_S + seconds[0], tz=UTC),
        end_utc=datetime.fromtimestamp(START_S + seconds[-1], tz=UTC),
        samples=samples,
        laps=base.laps,
        lengths=base.lengths,
        beats=base.beats,
        battery=base.battery,
        events=base.events,
    )


def read(subject: Subject, channel: str = HEART) -> list[float | None]:
    return [None if np.isnan(v) else v for v in subject.values(channel).tolist()]


# --- the grid ---------------------------------------------------------------------------------
def test_stamps_are_rounded_to_the_nearest_second_not_cut() -> None:
    # Cut, the second device would lie one second early against the first.
    aligned = align({"a": beat([100, 110, 120]), "b": beat([100, 110, 120], at=[-0.1, 0.9, 1.9])})
    assert read(find(aligned, "a")) == read(find(aligned, "b")) == [100, 110, 120]


def test_values_of_one_second_are_averaged() -> None:
    aligned = align({"a": beat([100, 110, 120], at=[0.0, 0.2, 1.0])})
    assert read(find(aligned, "a")) == [105, 120]


def test_heart_rate_is_carried_over_five_seconds_and_no_further() -> None:
    steady = list(range(121, 126))
    aligned = align({"a": beat([100, 110, 120, *steady], at=[0, 5, 11, *range(12, 17)])})
    expected = [100, 102, 104, 106, 108, 110, *[None] * 5, 120, *steady]
    assert read(find(aligned, "a")) == expected


def test_a_device_that_records_every_nine_seconds_has_no_gaps() -> None:
    aligned = align({"a": beat([100, 109, 118, 100], at=[0, 9, 18, 60])})
    values = read(find(aligned, "a"))
    assert values[:19] == list(range(100, 119))
    # Three of its own intervals are bridged, not more.
    assert values[19:60] == [None] * 41


def test_nothing_is_extrapolated() -> None:
    aligned = align({"a": beat([100, 110, 120, 130]), "b": beat([100, 110], at=[1, 2])})
    assert read(find(aligned, "b")) == [None, 100, 110, None]
    assert find(aligned, "b").covered.tolist() == [False, True, True, False]


def test_positions_are_carried_right_across_the_date_line() -> None:
    walk = Walk(
        {"latitude_deg": np.zeros(5) + 1.0, "longitude_deg": np.linspace(179.999, 180.003, 5)}
    )
    wrapped = Walk(
        {**walk.channels, "longitude_deg": (walk.channels["longitude_deg"] + 180) % 360 - 180}
    )
    aligned = align({"a": record(wrapped, "latitude_deg longitude_deg", seed=None, every=2)})
    longitudes = find(aligned, "a").values("longitude_deg")
    assert longitudes == pytest.approx([179.999, -180.0, -179.999, -179.998, -179.997], abs=1e-9)
    assert (longitudes >= -180).all()
    assert (longitudes < 180).all()


def test_speed_that_the_device_did_not_give_is_not_written_as_its_own() -> None:
    aligned = align({"a": record(WALK, "latitude_deg longitude_deg distance_m")})
    assert not find(aligned, "a").has("speed_mps")
    assert find(aligned, "a").has("distance_m")


def test_heart_rate_comes_from_the_beats_where_the_samples_hold_none() -> None:
    # A beat every 0.5 s is 60 s / 0.5 s = 120 bpm.
    beats = {
        "time_utc": [round((START_S + 0.5 * k) * 1e6) for k in range(1, 121)],
        "rr_s": [0.5] * 120,
    }
    aligned = align({"a": record(WALK, "speed_mps", last=60, tables={"beats": beats})})
    heart_rate = find(aligned, "a").values(HEART)
    assert np.isfinite(heart_rate).sum() >= 58
    assert heart_rate[np.isfinite(heart_rate)] == pytest.approx(120.0)


# --- pauses and pieces ------------------------------------------------------------------------
def test_seconds_of_a_stopped_timer_are_paused() -> None:
    events = {
        "time_utc": [round((START_S + s) * 1e6) for s in (0, 3, 7)],
        "event": ["timer"] * 3,
        "event_kind": ["start", "stop_all", "start"],
    }
    aligned = align({"a": record(WALK, HEART, last=10, tables={"events": events})})
    paused = find(aligned, "a").paused.tolist()
    assert [second for second, is_paused in enumerate(paused) if is_paused] == [4, 5, 6]


def test_pieces_are_joined_into_one_subject_with_a_pause_between() -> None:
    channels = "distance_m heart_rate_bpm"
    later = make_walk(100, seed=42)
    aligned = align(
        {
            "p1": record(WALK, channels, seed=None, last=300, device_distance_m=900.0),
            "p2": record(
                later, channels, seed=None, start_s=START_S + 400, device_distance_m=300.0
            ),
            "strap": record(WALK, HEART, seed=2),
        },
        members=(Member("p1"), Member("strap"), Member("p2", continues="p1")),
    )
    subject = find(aligned, "p1")
    assert {one.recording_id for one in aligned.subjects} == {"p1", "strap"}
    assert subject.paused[300:400].all()
    assert subject.paused.sum() == 100
    assert subject.recording.header.device_distance_m == 1200.0
    distance = subject.values("distance_m")
    assert distance[400] == pytest.approx(
        WALK.channels["distance_m"][299] + later.channels["distance_m"][0]
    )


def test_duplicates_are_left_out() -> None:
    aligned = align(
        {"fit": record(WALK, HEART), "gpx": record(WALK, HEART)},
        members=(Member("fit"), Member("gpx", duplicate_of="fit")),
    )
    assert [one.recording_id for one in aligned.subjects] == ["fit"]


# --- whose clock ------------------------------------------------------------------------------
PLACE = "latitude_deg longitude_deg heart_rate_bpm"


@pytest.mark.parametrize(
    ("roles", "timeline"),
    [
        ({}, "long"),
        ({"strap": "reference"}, "long"),
        ({"strap": "reference", "watch": "reference"}, "watch"),
    ],
)
def test_the_clock_is_that_of_the_reference_with_positions_else_of_the_longest_with_positions(
    roles: Mapping[str, str], timeline: str
) -> None:
    recordings = {
        "long": record(WALK, PLACE),
        "watch": record(WALK, PLACE, first=10, seed=2),
        "strap": record(WALK, HEART, first=20, seed=3),
    }
    assert align(recordings, roles=roles).reference_timeline == timeline


def test_without_positions_the_clock_is_that_of_the_reference() -> None:
    recordings = {"long": record(WALK, HEART), "strap": record(WALK, HEART, first=20, seed=3)}
    assert align(recordings, roles={"strap": "reference"}).reference_timeline == "strap"
    assert align(recordings).reference_timeline == "long"


def test_a_clock_that_was_shifted_is_not_the_clock_of_the_workout() -> None:
    recordings = {
        "wrong": record(WALK, PLACE, clock_error_s=-7200),
        "right": record(WALK, PLACE, first=10, seed=2),
    }
    aligned = align(
        recordings,
        roles={"wrong": "reference"},
        members=(Member("wrong", clock_shift_s=7200.0, note="2 h slow"), Member("right")),
    )
    assert aligned.reference_timeline == "right"


def test_the_whole_shift_is_kept_apart_from_the_offset() -> None:
    wrong = record(WALK, PLACE, clock_error_s=-7200 - 6, seed=2)
    aligned = align(
        {"right": record(WALK, PLACE), "wrong": wrong},
        members=(Member("right"), Member("wrong", clock_shift_s=7200.0, note="2 h slow")),
    )
    subject = find(aligned, "wrong")
    assert subject.alignment.offset_s == pytest.approx(6, abs=0.5)
    assert subject.alignment.method == "position"
    assert subject.alignment.note == "2 h slow"
    assert subject.recording.start_utc == wrong.start_utc + timedelta(hours=2)
    difference = find(aligned, "right").values(HEART) - subject.values(HEART)
    assert np.nanmean(np.abs(difference)) < 2.0


# --- through other devices --------------------------------------------------------------------
def test_a_clock_is_set_through_a_device_that_shares_something_with_both() -> None:
    aligned = align(
        {
            "bike": record(WALK, "latitude_deg longitude_deg"),
            "watch": record(
                WALK, "latitude_deg longitude_deg cadence_rpm", clock_error_s=-10, seed=2
            ),
            "pod": record(WALK, "cadence_rpm", clock_error_s=20, seed=3),
        },
        roles={"bike": "reference"},
    )
    assert aligned.reference_timeline == "bike"
    alignment = find(aligned, "pod").alignment
    assert alignment.method == "cadence"
    assert alignment.offset_s == pytest.approx(-20, abs=1)
    assert "set through d-watch" in (alignment.note or "")


def test_heart_rate_anywhere_in_a_chain_names_it() -> None:
    aligned = align(
        {
            "bike": record(WALK, "latitude_deg longitude_deg"),
            "watch": record(WALK, PLACE, seed=2),
            "strap": record(WALK, HEART, clock_error_s=20, seed=3),
        },
        roles={"bike": "reference", "strap": "reference"},
    )
    alignment = find(aligned, "strap").alignment
    assert alignment.method == "heart_rate"
    assert alignment.offset_s == pytest.approx(-20, abs=1)
    assert "hidden" in (alignment.note or "")


def test_a_heart_rate_that_is_seconds_late_sets_no_clock_through_a_third_device() -> None:
    # The strap's clock is right; the watch shows its heart rate 9 s late.
    late = Walk({**WALK.channels, HEART: np.roll(WALK.channels[HEART], 9)})
    aligned = align(
        {
            "bike": record(WALK, "latitude_deg longitude_deg"),
            "watch": record(late, PLACE, seed=2),
            "strap": record(WALK, HEART, seed=3),
        },
        roles={"bike": "reference", "strap": "reference"},
    )
    alignment = find(aligned, "strap").alignment
    assert (alignment.offset_s, alignment.method) == (0.0, "none")
    assert alignment.note


@pytest.mark.parametrize(
    ("late_s", "clock_error_s", "sensors", "expected_s"),
    [
        (5, 0, ("ecg", "optical"), 0.0),  # late as optical sensors are
        (-5, 0, ("optical", "ecg"), 0.0),  # the other one is the late one
        (0, 20, ("ecg", "optical"), -20.0),  # no sensor is that late
        (0, -6, ("ecg", "optical"), 6.0),  # no sensor is early
        (0, 6, ("optical", "ecg"), -6.0),  # a strap is not that late
    ],
)
def test_heart_rate_sets_a_clock_only_by_what_no_late_sensor_explains(
    late_s: int, clock_error_s: int, sensors: tuple[str, str], expected_s: float
) -> None:
    late = Walk({**WALK.channels, HEART: np.roll(WALK.channels[HEART], late_s)})
    aligned = align(
        {
            "first": record(WALK, HEART),
            "second": record(late, HEART, clock_error_s=clock_error_s, seed=2),
        },
        roles={"first": "reference"},
        sensors=dict(zip(("first", "second"), sensors, strict=True)),
    )
    alignment = find(aligned, "second").alignment
    assert alignment.offset_s == pytest.approx(expected_s, abs=1.0 if expected_s else 0.0)
    assert alignment.method == ("heart_rate" if expected_s else "none")
    assert ("delay of a sensor explains" in (alignment.note or "")) == (expected_s == 0.0)


def test_a_clock_that_nobody_trusts_is_set_by_heart_rate_to_the_second() -> None:
    moved = Member("second", clock_shift_s=3600.0)
    aligned = align(
        {
            "first": record(WALK, HEART),
            "second": record(WALK, HEART, clock_error_s=-3600 + 5, seed=2),
        },
        roles={"first": "reference"},
        members=(Member("first"), moved),
    )
    alignment = find(aligned, "second").alignment
    assert alignment.method == "heart_rate"
    assert alignment.offset_s == pytest.approx(-5, abs=1)


def test_motion_through_another_device_goes_before_heart_rate() -> None:
    late = Walk({**WALK.channels, HEART: np.roll(WALK.channels[HEART], 9)})
    aligned = align(
        {
            "bike": record(WALK, PLACE),
            "watch": record(WALK, "latitude_deg longitude_deg cadence_rpm", seed=2),
            "band": record(late, f"cadence_rpm {HEART}", seed=3),
        },
        roles={"bike": "reference"},
    )
    alignment = find(aligned, "band").alignment
    assert alignment.method == "cadence"
    assert alignment.offset_s == pytest.approx(0, abs=1)


def test_what_can_be_compared_with_nothing_keeps_its_clock() -> None:
    aligned = align({"bike": record(WALK, PLACE), "meter": record(WALK, "power_w", seed=2)})
    alignment = find(aligned, "meter").alignment
    assert (alignment.offset_s, alignment.method, alignment.confidence) == (0.0, "none", 0.0)
    assert alignment.note


def test_shifting_all_clocks_changes_nothing_but_the_grid_s_start() -> None:
    def build(shift_s: int) -> Aligned:
        return align(
            {
                "a": record(WALK, PLACE, start_s=START_S + shift_s),
                "b": record(WALK, PLACE, start_s=START_S + shift_s, clock_error_s=-5, seed=2),
                "c": record(WALK, HEART, start_s=START_S + shift_s, clock_error_s=9, seed=3),
            }
        )

    here, there = build(0), build(123_456)
    assert there.grid.start_s == here.grid.start_s + 123_456
    for one, other in zip(here.subjects, there.subjects, strict=True):
        assert one.alignment == other.alignment
        assert one.on_grid.keys() == other.on_grid.keys()
        for channel, values in one.on_grid.items():
            np.testing.assert_array_equal(values, other.on_grid[channel])


def test_lengths_without_samples_still_have_a_place_on_the_grid() -> None:
    swim = record(WALK, HEART, last=1)
    empty = swim.samples.slice(0, 0)
    from dataclasses import replace  # noqa: PLC0415 - only here

    pool = replace(swim, samples=empty, end_utc=swim.start_utc + timedelta(seconds=60))
    aligned = align({"pool": pool})
    assert aligned.grid.n_seconds == 61
    assert find(aligned, "pool").covered.all()
    assert find(aligned, "pool").on_grid == {}


def test_a_workout_without_a_used_recording_is_an_error() -> None:
    with pytest.raises(ValueError, match="no recording that is used"):
        align({"a": record(WALK, HEART)}, members=(Member("a", duplicate_of="b"),))
