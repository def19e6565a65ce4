"""Which workouts are measured again, under which id, with which notes."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np
import pytest

from config.devices import Device, Identified
from config.settings import load_settings
from tasks.archive.lake import ensure_lake, read_recording, write_recording
from tasks.core.file_records import FileRecord
from tasks.core.notes import Notes
from tasks.core.recording import Header, Recording
from tasks.processing.known import KnownRecording
from tasks.processing.plan import Plan, find_windows, plan
from tasks.tables.arrow import make_empty, make_table
from tasks.tables.tables import BATTERY, BEATS, EVENTS, LAPS, LENGTHS, SAMPLES

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

START = datetime(2026, 5, 2, 5, 30, tzinfo=UTC)
SETTINGS = load_settings()
N_SECONDS = 1200


@pytest.fixture
def lake(tmp_path: Path) -> Path:
    ensure_lake(tmp_path)
    return tmp_path


def make_known(
    lake: Path,
    recording_id: str,
    device_id: str,
    *,
    after: timedelta = timedelta(),
    workout_id: str | None = None,
) -> KnownRecording:
    """Write an invented recording of 20 minutes of heart rate and give what is known of it."""
    seconds = np.arange(N_SECONDS)
    start = START + after
    noise = np.random.default_rng(len(recording_id) + sum(map(ord, recording_id)))
    header = Header(format="csv", reader="test")
    recording = Recording(
        header=header,
        start_utc=start,
        end_utc=start + timedelta(seconds=N_SECONDS - 1),
        samples=make_table(
            SAMPLES,
            {
                "time_utc": np.int64(start.timestamp() * 1e6) + seconds * 1_000_000,
                "heart_rate_bpm": 140
                + 20 * np.sin(seconds / 60)
                + noise.integers(-1, 2, size=N_SECONDS),
            },
        ),
        **{table.name: make_empty(table) for table in (LAPS, LENGTHS, BEATS, BATTERY, EVENTS)},
    )
    write_recording(recording, recording_id, lake=lake)
    file = FileRecord(
        file_id=recording_id * 2,
        name=f"{recording_id}.csv",
        folder=None,
        received_at=start,
        bytes=1,
        format="csv",
        status="stored",
        reason=None,
        inside=None,
        n_recordings=1,
        recording_ids=(recording_id,),
        names=(),
    )
    known = KnownRecording(
        recording_id=recording_id,
        file=file,
        header=header,
        start_utc=recording.start_utc,
        end_utc=recording.end_utc,
        n_samples=N_SECONDS,
        remarks=None,
        identified=Identified(Device(id=device_id, name=device_id), "folder"),
    )
    return replace(known, workout_id=workout_id)


def make_plan(
    lake: Path,
    recordings: Sequence[KnownRecording],
    notes: Sequence[Notes] = (),
    fingerprints: dict[str, str | None] | None = None,
) -> Plan:
    return plan(recordings, notes, lake=lake, settings=SETTINGS, fingerprints=fingerprints or {})


def test_workout_with_its_old_fingerprint_is_left_alone(lake: Path) -> None:
    recordings = [make_known(lake, "aa-0", "watch"), make_known(lake, "bb-0", "strap")]
    first = make_plan(lake, recordings)
    assert len(first.workouts) == 1
    done = first.workouts[0]
    recordings = [replace(one, workout_id=done.workout_id) for one in recordings]
    again = make_plan(lake, recordings, fingerprints={done.workout_id: done.fingerprint})
    assert again.workouts == ()
    assert again.unchanged == (done.workout_id,)


def test_order_of_recordings_changes_nothing(lake: Path) -> None:
    recordings = [make_known(lake, name, f"device-{name[:2]}") for name in ("aa-0", "bb-0", "cc-0")]
    forward, backward = make_plan(lake, recordings), make_plan(lake, recordings[::-1])
    assert [one.workout_id for one in forward.workouts] == [
        one.workout_id for one in backward.workouts
    ]
    assert forward.workouts[0].fingerprint == backward.workouts[0].fingerprint


def test_late_partner_joins_the_workout_under_its_old_id(lake: Path) -> None:
    early = make_known(lake, "bb-0", "watch")
    first = make_plan(lake, [early]).workouts[0]
    early = replace(early, workout_id=first.workout_id)
    partner = make_known(lake, "aa-0", "strap", after=timedelta(seconds=-40))
    both = make_plan(lake, [early, partner], fingerprints={first.workout_id: first.fingerprint})
    assert [one.workout_id for one in both.workouts] == [first.workout_id]
    assert both.workouts[0].fingerprint != first.fingerprint


def test_renamed_device_makes_results_outdated(lake: Path) -> None:
    known = make_known(lake, "aa-0", "watch")
    before = make_plan(lake, [known]).workouts[0]
    renamed = replace(known, identified=Identified(Device(id="alder-2", name="Alder 2"), "serial"))
    after = make_plan(lake, [renamed]).workouts[0]
    assert before.fingerprint != after.fingerprint


def test_later_notes_of_a_workout_apply(lake: Path) -> None:
    known = make_known(lake, "aa-0", "watch")
    notes = [Notes(START, file_id="old"), Notes(START, file_id="new")]
    planned = make_plan(lake, [known], notes).workouts[0]
    assert planned.notes is not None
    assert planned.notes.file_id == "new"


def test_notes_of_another_day_are_said_to_fit_nothing(lake: Path) -> None:
    known = make_known(lake, "aa-0", "watch")
    stray = Notes(START + timedelta(days=3), file_id="stray", name="stray.notes.toml")
    made = make_plan(lake, [known], [stray])
    assert made.workouts[0].notes is None
    assert made.unclaimed_notes == ("stray.notes.toml",)


def test_id_of_a_workout_that_lost_all_recordings_is_gone(lake: Path) -> None:
    first = make_known(lake, "aa-0", "watch", workout_id="kept")
    second = make_known(lake, "bb-0", "strap", workout_id="lost")
    third = make_known(lake, "cc-0", "band", workout_id="kept")
    made = make_plan(lake, [first, second, third])
    assert [one.workout_id for one in made.workouts] == ["kept"]
    assert made.vanished == ("lost",)


def test_two_workouts_never_share_an_id(lake: Path) -> None:
    """A workout that falls apart leaves its id to the part with more of its recordings."""
    day = timedelta(days=1)
    recordings = [
        make_known(lake, "aa-0", "watch", workout_id="one"),
        make_known(lake, "bb-0", "watch", after=day, workout_id="one"),
        make_known(lake, "cc-0", "strap", after=day, workout_id="one"),
    ]
    made = make_plan(lake, recordings)
    by_id = {
        one.workout_id: {known.recording_id for known in one.recordings} for one in made.workouts
    }
    assert by_id["one"] == {"bb-0", "cc-0"}
    assert len(by_id) == 2


@pytest.mark.parametrize("named", ["aa-0", "bb-0"])
def test_rule_that_knows_one_export_of_a_recording_names_the_other(lake: Path, named: str) -> None:
    """The same samples in two formats, of which a rule of devices.toml knows only one."""
    first = make_known(lake, "aa-0", "unknown-00000001")
    write_recording(read_recording("aa-0", lake=lake), "bb-0", lake=lake)
    second = replace(first, recording_id="bb-0")
    unnamed = Device(id="unknown-00000001", name="GPX writer")
    recordings = [
        replace(
            one,
            identified=Identified(Device(id="watch", name="Watch"), "serial")
            if one.recording_id == named
            else Identified(unnamed, "none"),
        )
        for one in (first, second)
    ]
    planned = make_plan(lake, recordings).workouts[0]
    assert sum(member.duplicate_of is not None for member in planned.workout.members) == 1
    assert {known.device.id for known in planned.recordings} == {"watch"}


def test_windows_reach_as_far_as_a_wrong_clock_can_be(lake: Path) -> None:
    known = make_known(lake, "aa-0", "watch")
    [(early, late)] = find_windows([known], [], settings=SETTINGS)
    assert early < known.start_utc - timedelta(hours=14)
    assert late > known.end_utc + timedelta(hours=14)
