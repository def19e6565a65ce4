"""Which recordings are one workout, and what part each plays in it."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from config.settings import load_settings
from tasks.pair import Member, WorkoutMembers, pair_recordings
from tests.unit.walks import START_S, Walk, describe, make_walk, record, with_header

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tasks.core.recording import Recording

PAIR = load_settings().pair
HEART = "heart_rate_bpm"
WALK = make_walk(1800, seed=3)
FAR_AWAY = make_walk(1800, seed=4, latitude=47.2)


def pair(
    recordings: Mapping[str, Recording], devices: Mapping[str, str]
) -> tuple[WorkoutMembers, ...]:
    """Pair recordings by id; `devices` names the unit of each (default: its own id)."""
    candidates = [
        describe(key, recording, devices.get(key, key)) for key, recording in recordings.items()
    ]
    return pair_recordings(candidates, recordings.__getitem__, settings=PAIR)


def name_groups(workouts: tuple[WorkoutMembers, ...]) -> list[list[str]]:
    return [sorted(member.recording_id for member in workout.members) for workout in workouts]


def find(workouts: tuple[WorkoutMembers, ...], recording_id: str) -> Member:
    members = [member for workout in workouts for member in workout.members]
    return next(member for member in members if member.recording_id == recording_id)


def test_starts_half_a_minute_apart_are_one_workout() -> None:
    workouts = pair({"a": record(WALK, HEART), "b": record(WALK, HEART, first=32, seed=2)}, {})
    assert name_groups(workouts) == [["a", "b"]]
    assert (workouts[0].end_utc - workouts[0].start_utc).total_seconds() == 1799


def test_close_starts_are_not_enough() -> None:
    # As two rides of a public collection: starts 53 s apart, 8 s of overlap.
    workouts = pair(
        {
            "a": record(WALK, HEART, last=62),
            "b": record(WALK, HEART, first=53, last=120, seed=2),
        },
        {},
    )
    assert name_groups(workouts) == [["a"], ["b"]]


@pytest.mark.parametrize(("first", "n_bouts"), [(500, 1), (505, 2)])
def test_half_of_the_shorter_one_must_overlap(first: int, n_bouts: int) -> None:
    # The shorter one lasts 1,000 s: 500 s are half of it.
    recordings = {
        "long": record(WALK, HEART, last=1001),
        "short": record(WALK, HEART, first=first, last=first + 1001, seed=2),
    }
    assert len(pair(recordings, {})) == n_bouts


def test_tracks_that_lie_apart_are_never_one_workout() -> None:
    workouts = pair({"a": record(WALK), "b": record(FAR_AWAY)}, {})
    assert name_groups(workouts) == [["a"], ["b"]]


def test_virtual_positions_do_not_count_as_being_elsewhere() -> None:
    virtual = with_header(record(FAR_AWAY), position_kind="virtual")
    assert name_groups(pair({"a": record(WALK), "b": virtual}, {})) == [["a", "b"]]


def test_a_strap_does_not_join_two_athletes() -> None:
    workouts = pair(
        {
            "one": record(WALK, last=1700),
            "other": record(FAR_AWAY, first=600),
            "strap": record(FAR_AWAY, HEART, first=600),
        },
        {},
    )
    assert name_groups(workouts) == [["one"], ["other", "strap"]]


def test_recordings_that_only_a_third_one_connects_are_one_workout() -> None:
    workouts = pair(
        {
            "first": record(WALK, HEART, last=800),
            "whole": record(WALK, HEART, seed=2),
            "second": record(WALK, HEART, first=900, seed=3),
        },
        {},
    )
    assert name_groups(workouts) == [["first", "second", "whole"]]
    assert all(member.continues is None for member in workouts[0].members)


# --- duplicates -------------------------------------------------------------------------------
def test_two_exports_of_one_unit_are_duplicates_and_the_richer_one_is_used() -> None:
    workouts = pair(
        {"fit": record(WALK), "gpx": record(WALK, seed=2, every=3, format="gpx")},
        {"fit": "alder-2", "gpx": "alder-2"},
    )
    assert find(workouts, "gpx").duplicate_of == "fit"
    assert find(workouts, "fit").duplicate_of is None


def test_the_same_samples_under_another_creator_are_a_duplicate() -> None:
    original = record(WALK, serial="42")
    samples = original.samples
    index = samples.column_names.index("latitude_deg")
    rounded = np.round(samples.column("latitude_deg").to_numpy(), 6)
    # The noise of `record` hangs on the order of the channels: these are equal, to the bit.
    export = with_header(
        record(WALK, "latitude_deg longitude_deg speed_mps altitude_m heart_rate_bpm"),
        format="gpx",
        serial=None,
    )
    assert index > 0
    assert np.ptp(rounded) > 0
    workouts = pair({"fit": original, "gpx": export}, {"fit": "unknown-1", "gpx": "unknown-2"})
    assert find(workouts, "gpx").duplicate_of == "fit"


def test_two_units_that_share_one_receiver_but_no_heart_rate_are_not_duplicates() -> None:
    """A band that takes its positions from the phone beside it has a sensor of its own."""
    channels = "latitude_deg longitude_deg heart_rate_bpm"
    phone, band = record(WALK, channels, seed=1), record(WALK, channels, seed=2)
    for name in ("latitude_deg", "longitude_deg"):
        place = band.samples.column_names.index(name)
        field, column = band.samples.schema.field(place), phone.samples.column(name)
        band = replace(band, samples=band.samples.set_column(place, field, column))
    devices = {"phone": "unknown-1", "band": "unknown-2"}
    workouts = pair({"phone": phone, "band": band}, devices)
    assert name_groups(workouts) == [["band", "phone"]]
    assert all(member.duplicate_of is None for member in workouts[0].members)


def test_two_watches_that_show_one_strap_are_not_duplicates() -> None:
    channels = "latitude_deg longitude_deg speed_mps heart_rate_bpm"
    one = record(WALK, channels, seed=1)
    other = record(WALK, channels, seed=2)
    strap = np.round(WALK.channels[HEART])
    place = one.samples.column_names.index(HEART)
    import pyarrow as pa  # noqa: PLC0415 - only here

    def wear(recording: Recording) -> Recording:
        field = recording.samples.schema.field(place)
        samples = recording.samples.set_column(place, field, pa.array(strap))
        return replace(recording, samples=samples)

    workouts = pair({"a": wear(one), "b": wear(other)}, {"a": "unknown-1", "b": "unknown-2"})
    assert name_groups(workouts) == [["a", "b"]]
    assert all(member.duplicate_of is None for member in workouts[0].members)


def test_equal_samples_of_two_serial_numbers_are_two_units() -> None:
    workouts = pair(
        {"a": record(WALK, HEART, serial="1"), "b": record(WALK, HEART, serial="2")},
        {"a": "unknown-1", "b": "unknown-2"},
    )
    assert all(member.duplicate_of is None for member in workouts[0].members)


def test_equal_heart_rate_alone_is_a_duplicate_only_with_equal_ends() -> None:
    whole = record(WALK, HEART, seed=None)
    cut = record(WALK, HEART, seed=None, first=10)
    devices = {"a": "unknown-1", "b": "unknown-2"}
    assert find(pair({"a": whole, "b": whole}, devices), "a").duplicate_of == "b"
    assert find(pair({"a": whole, "b": cut}, devices), "b").duplicate_of is None


def test_a_flat_heart_rate_proves_no_duplicate() -> None:
    flat = Walk({HEART: np.full(600, 60.0)})
    devices = {"a": "unknown-1", "b": "unknown-2"}
    workouts = pair(
        {"a": record(flat, HEART, seed=None), "b": record(flat, HEART, seed=None)}, devices
    )
    assert all(member.duplicate_of is None for member in workouts[0].members)


def test_two_units_that_look_the_same_are_both_used_and_noted() -> None:
    workouts = pair(
        {"a": record(WALK, seed=1), "b": record(WALK, seed=2)},
        {"a": "unknown-1", "b": "unknown-1"},
    )
    assert [member.duplicate_of for member in workouts[0].members] == [None, None]
    assert all("devices.toml" in (member.note or "") for member in workouts[0].members)


# --- pieces -----------------------------------------------------------------------------------
def pair_pieces(*, gap_s: int, sports: tuple[str | None, str | None]) -> tuple[WorkoutMembers, ...]:
    walk = make_walk(9000, seed=5)
    return pair(
        {
            "p1": record(walk, HEART, last=1000, sport=sports[0]),
            "p2": record(walk, HEART, first=1000 + gap_s, sport=sports[1]),
            "strap": record(walk, HEART, seed=2),
        },
        {"p1": "alder-2", "p2": "alder-2"},
    )


def test_pieces_of_one_unit_that_follow_each_other_are_one_recording() -> None:
    workouts = pair_pieces(gap_s=300, sports=("running", None))
    assert len(workouts) == 1
    assert find(workouts, "p2").continues == "p1"
    assert find(workouts, "p1").continues is None


@pytest.mark.parametrize(("gap_s", "sports"), [(3700, (None, None)), (300, ("running", "cycling"))])
def test_a_long_gap_or_another_sport_makes_no_piece(
    gap_s: int, sports: tuple[str | None, str | None]
) -> None:
    assert find(pair_pieces(gap_s=gap_s, sports=sports), "p2").continues is None


# --- laws -------------------------------------------------------------------------------------
def make_mixture(shift_s: float = 0.0) -> dict[str, Recording]:
    start_s = START_S + shift_s
    return {
        "watch": record(WALK, start_s=start_s, serial="1"),
        "watch-gpx": record(WALK, start_s=start_s, every=2, format="gpx"),
        "phone": record(WALK, start_s=start_s, first=40, seed=5),
        "late": record(WALK, start_s=start_s, clock_error_s=-7200 - 3, seed=6),
        "strap": record(WALK, HEART, start_s=start_s, seed=7),
        "other": record(FAR_AWAY, start_s=start_s, seed=8),
        "next": record(WALK, HEART, start_s=start_s + 4000, seed=9),
    }


MIXTURE = make_mixture()
DEVICES = {"watch": "w", "watch-gpx": "w", "next": "w"}
EXPECTED = pair(MIXTURE, DEVICES)


def test_the_mixture_is_told_apart() -> None:
    assert sorted(name_groups(EXPECTED)) == [
        ["late", "phone", "strap", "watch", "watch-gpx"],
        ["next"],
        ["other"],
    ]
    assert find(EXPECTED, "late").clock_shift_s == 7200.0


@given(st.permutations(sorted(MIXTURE)))
@settings(max_examples=15, deadline=None)
def test_the_order_of_the_candidates_does_not_matter(order: list[str]) -> None:
    assert pair({key: MIXTURE[key] for key in order}, DEVICES) == EXPECTED


@given(st.integers(-100_000_000, 100_000_000))
@settings(max_examples=10, deadline=None)
def test_shifting_all_clocks_changes_nothing_but_the_times(shift_s: int) -> None:
    moved = pair(make_mixture(shift_s), DEVICES)
    assert [workout.members for workout in moved] == [workout.members for workout in EXPECTED]
    assert [workout.start_utc for workout in moved] == [
        workout.start_utc + timedelta(seconds=shift_s) for workout in EXPECTED
    ]


def test_no_candidates_give_no_workouts() -> None:
    assert pair({}, {}) == ()


def test_a_single_sample_is_a_recording_too() -> None:
    workouts = pair(
        {"a": record(WALK, HEART, last=1), "b": record(WALK, HEART, last=1, seed=2)}, {}
    )
    assert name_groups(workouts) == [["a", "b"]]
