"""Activities that one device keeps apart, and two units under the name of one device."""

from __future__ import annotations

from tests.unit.pair.test_grouping import HEART, find, name_groups, pair
from tests.unit.walks import START_S, make_walk, record

WALK = make_walk(7200, seed=11)
TRACK = "latitude_deg longitude_deg speed_mps heart_rate_bpm"


def test_sessions_of_a_multi_sport_file_are_workouts_of_their_own() -> None:
    spans = (("swimming", 0, 1500), ("other", 1500, 1600), ("cycling", 1600, 5000))
    recordings = {
        f"aaaa-{number}": record(WALK, HEART, first=first, last=last, sport=sport, serial="1")
        for number, (sport, first, last) in enumerate((*spans, ("running", 5000, 7200)))
    }
    recordings |= {
        f"bbbb-{number}": record(WALK, HEART, first=first, last=last, sport=sport, seed=3)
        for number, (sport, first, last) in enumerate((*spans, ("running", 5000, 7200)))
    }
    recordings["strap-0"] = record(WALK, HEART, seed=2)
    devices = {key: {"a": "alder-2", "b": "birch", "s": "hazel"}[key[0]] for key in recordings}
    workouts = pair(recordings, devices)
    assert name_groups(workouts) == [
        ["aaaa-0", "bbbb-0"],
        ["aaaa-1", "bbbb-1"],
        ["aaaa-2", "bbbb-2", "strap-0"],
        ["aaaa-3", "bbbb-3"],
    ]
    starts = [round(workout.start_utc.timestamp() - START_S) for workout in workouts]
    assert starts == [0, 1500, 1600, 5000]
    assert "ran through 3 other workouts" in (find(workouts, "strap-0").note or "")
    assert find(workouts, "aaaa-0").note is None


def test_two_runs_far_apart_in_time_are_two_workouts_though_a_strap_runs_through_both() -> None:
    workouts = pair(
        {
            "w1": record(WALK, HEART, last=1200),
            "w2": record(WALK, HEART, first=5400),
            "strap": record(WALK, HEART, seed=2),
        },
        {"w1": "alder-2", "w2": "alder-2"},
    )
    assert name_groups(workouts) == [["w1"], ["strap", "w2"]]


def test_restarts_are_joined_and_leave_one_recording_for_each_device() -> None:
    workouts = pair(
        {
            "w1": record(WALK, HEART, last=2000, sport="running"),
            "w2": record(WALK, HEART, first=2300, last=4000, sport=None),
            "w3": record(WALK, HEART, first=4100, sport="running"),
            "strap": record(WALK, HEART, seed=2),
        },
        {"w1": "alder-2", "w2": "alder-2", "w3": "alder-2"},
    )
    assert name_groups(workouts) == [["strap", "w1", "w2", "w3"]]
    assert [find(workouts, key).continues for key in ("w1", "w2", "w3")] == [None, "w1", "w2"]


def test_recordings_that_differ_by_four_bpm_are_not_the_same() -> None:
    higher = make_walk(7200, seed=11)
    higher.channels[HEART][:] += 4.0
    workouts = pair(
        {
            "one": record(WALK, HEART, seed=None),
            "other": record(higher, HEART, seed=None),
        },
        {"one": "alder-2", "other": "alder-2"},
    )
    assert [member.duplicate_of for member in workouts[0].members] == [None, None]
    assert all("devices.toml" in (member.note or "") for member in workouts[0].members)


def test_an_export_of_the_same_values_is_the_same_without_a_serial_number() -> None:
    workouts = pair(
        {
            "fit": record(WALK, TRACK, serial="1"),
            "gpx": record(WALK, TRACK, format="gpx", every=2, last=7000),
        },
        {"fit": "alder-2", "gpx": "alder-2"},
    )
    assert sorted(str(one.duplicate_of) for one in workouts[0].members) == ["None", "fit"]
