"""Gathers what planning needs from ledger, lake and store, and writes back what became of it."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field, replace
from datetime import timedelta
from typing import TYPE_CHECKING, Any, Final

from config.devices import load_devices
from tasks.archive.ledger import Ledger
from tasks.archive.originals import find_original
from tasks.archive.rot import find_damage
from tasks.core.errors import CowornError
from tasks.core.recording import ExportFile
from tasks.guard import read_some_notes_isolated
from tasks.processing.automatic import AUTOMATIC_RULE, AutomaticNames, name_automatic
from tasks.processing.firmware import name_doubts, unify_notes
from tasks.processing.known import collect_recordings
from tasks.processing.naming import (
    DeviceWords,
    check_devices,
    collect_words,
    name_owners,
    resolve_devices,
)
from tasks.processing.plan import Plan, find_windows, plan
from tasks.processing.planned_test import TakenUp, take_up
from tasks.readers.notes import is_sheet
from tasks.store import read_store
from tasks.workout.courses import mark_courses

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from datetime import datetime

    from config.devices import Device
    from config.home import Home
    from config.settings import Settings
    from tasks.core.file_records import FileRecord
    from tasks.core.notes import Notes
    from tasks.processing.known import KnownRecording

#: Goes up when devices are named otherwise: every recording is looked at again.
_NAMING: Final = "2:"
#: Ledger key: hash of devices.toml at the last commit.
DEVICES_MARK: Final = "devices_mark"
#: Beginning of the ledger's keys of ids that devices have which nobody described.
AUTOMATIC_PREFIX: Final = "automatic_device:"
#: Format of files that hold notes.
NOTES_FORMAT: Final = "notes"
#: Outcomes of notes files that count; of a partial one its good lines do.
NOTES_IN_FORCE: Final = frozenset({"stored", "partial"})


#: What planning needs of each recording that the store knows.
_RECORDINGS: Final = """
SELECT recording_id, file_id, workout_id, device_id, firmware, start_utc, end_utc, clock_shift_s,
  time_basis, duplicate_of
FROM recordings
"""
_FORMER_DEVICES: Final = """
SELECT used.device_id, any_value(recordings.device_id)
FROM (SELECT DISTINCT device_id, recording_id FROM results) AS used
LEFT JOIN recordings USING (recording_id)
WHERE used.device_id NOT IN (SELECT device_id FROM devices)
GROUP BY used.device_id
"""


@dataclass(frozen=True)
class Prepared:
    """A plan and what commit needs beside it.

    `files` are all that the ledger knows; `notes` the rows of the table of that name;
    `complaints` one line each, and so are `hints`, which name what needs no mending yet; `stored`
    are the rows of the table of recordings by their id; `partial` are reasons by the id of a
    recording that was read in part; `taken_up` is the plan of the test. `everything` was looked at,
    not only what is new.
    """

    plan: Plan
    files: tuple[FileRecord, ...]
    notes: tuple[Mapping[str, Any], ...]
    complaints: tuple[str, ...]
    devices_mark: str
    stored: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    hints: tuple[str, ...] = ()
    partial: Mapping[str, str] = field(default_factory=dict)
    taken_up: TakenUp = field(default_factory=TakenUp)
    everything: bool = True


@dataclass(frozen=True)
class _Stored:
    """What the store says: rows of `recordings` by id, fingerprints of workouts, known notes.

    `devices` are names by id; `former` maps ids that results had to those of their recordings now.
    """

    recordings: Mapping[str, Mapping[str, Any]]
    fingerprints: Mapping[str, str | None]
    notes: frozenset[str]
    devices: Mapping[str, str] = field(default_factory=dict)
    former: Mapping[str, str | None] = field(default_factory=dict)


@dataclass(frozen=True)
class _ReadNotes:
    """Notes in the order of their arrival, their rows, and what cannot be used any more.

    `replaced` are those of older versions of a spreadsheet, by the file_id of the newest one.
    """

    notes: tuple[Notes, ...]
    replaced: Mapping[str, tuple[Notes, ...]]
    rows: tuple[Mapping[str, Any], ...]
    complaints: tuple[str, ...]


def prepare(home: Home, settings: Settings, *, everything: bool = False) -> Prepared:
    """Plan the workouts that new recordings and notes touch, or with `everything` all of them.

    A changed `devices.toml` means everything.
    Raises: config.devices.DevicesFileError; StoreBusyError.
    """
    devices = load_devices(home.devices)
    devices_mark = mark_devices(home)
    with Ledger(home) as ledger:
        files = tuple(ledger.list_files())
        unsettled = frozenset(ledger.unsettled())
        workouts = ledger.list_workouts()
        everything = everything or ledger.recall(DEVICES_MARK) != devices_mark
        names = AutomaticNames(
            ledger.recall_all(AUTOMATIC_PREFIX),
            frozenset(word for device in devices for word in (device.id, *device.was)),
        )
    stored = _read_stored(home)
    read = _read_notes(files, home=home, settings=settings)
    removed = {file_id: why for one in read.notes for file_id, why in one.removed.items()}
    every, files = (
        files,
        tuple(file for file in files if file.file_id not in removed and file.inside not in removed),
    )
    windows = None
    if not everything and not _regroups(read, stored):
        windows = _find_windows(
            files, unsettled, stored, read, removed=removed, home=home, settings=settings
        )
    gone = _find_gone(files, stored, removed)
    collected = collect_recordings(
        files,
        stored.recordings,
        lake=home.lake,
        devices=devices,
        wanted=windows,
        workouts=workouts,
        always=unsettled,
    )
    recordings = name_owners(name_automatic(collected.recordings, names), read.notes, devices)
    words = _collect_words(devices, recordings, stored)
    notes = resolve_devices([one for one in read.notes if one.file_id not in removed], words)
    firmware = [
        *((row["device_id"], row["firmware"]) for row in stored.recordings.values()),
        *((known.device.id, known.header.firmware) for known in recordings),
    ]
    new_notes = {one.file_id for one in read.notes} - stored.notes
    made = plan(
        recordings,
        unify_notes(notes, firmware),
        lake=home.lake,
        settings=settings,
        fingerprints=stored.fingerprints,
        course_marks=mark_courses(home.courses),
        gone={one: stored.recordings[one]["workout_id"] for one in gone},
        names=names,
    )
    _keep_names(names, home)
    taken_up = take_up(home)
    return Prepared(
        plan=made,
        files=tuple(_mark_removed(file, removed) for file in every),
        notes=read.rows,
        complaints=(
            *read.complaints,
            *collected.complaints,
            *made.complaints,
            *check_devices(made, words),
            *taken_up.complaints,
        ),
        devices_mark=devices_mark,
        everything=everything,
        stored=stored.recordings,
        hints=(
            *made.hints,
            *_name_unclaimed(made, read.notes, stored),
            *name_doubts(notes, firmware, new_notes),
        ),
        partial={
            known.recording_id: known.header.reason or ""
            for known in recordings
            if known.header.status == "partial"
        },
        taken_up=taken_up,
    )


def _collect_words(
    devices: Sequence[Device], recordings: Sequence[KnownRecording], stored: _Stored
) -> DeviceWords:
    described = {device.id for device in devices}
    automatic = {
        device_id: name for device_id, name in stored.devices.items() if device_id not in described
    }
    here = {known.recording_id: known.device for known in recordings}
    kept = {
        here[recording_id].id if recording_id in here else row["device_id"]
        for recording_id, row in stored.recordings.items()
    }
    living = {device_id: name for device_id, name in automatic.items() if device_id in kept}
    living |= {
        known.device.id: known.device.name
        for known in recordings
        if known.identified.rule == AUTOMATIC_RULE
    }
    gone = {device_id: None for device_id in automatic if device_id not in living}
    now = {
        row["device_id"]: here[recording_id].id
        for recording_id, row in stored.recordings.items()
        if recording_id in here and row["device_id"] in gone
    }
    return collect_words(devices, living.items(), {**stored.former, **gone, **now})


def _keep_names(names: AutomaticNames, home: Home) -> None:
    """Write down the ids that were dealt, so that a unit keeps its own."""
    if not names.dealt:
        return
    with Ledger(home) as ledger:
        for key, device_id in names.dealt.items():
            ledger.remember(AUTOMATIC_PREFIX + key, device_id)


def _name_unclaimed(made: Plan, notes: Sequence[Notes], stored: _Stored) -> Iterator[str]:
    """Say which notes that came with this run fit no workout, and which workout lies nearest."""
    starts = [
        row["start_utc"] + timedelta(seconds=row["clock_shift_s"] or 0.0)
        for row in stored.recordings.values()
    ]
    starts += [planned.workout.start_utc for planned in made.workouts]
    for one in notes:
        if one.removed or one.workout is not None:
            continue  # a command wrote it
        if one.file_id in stored.notes or one.name not in made.unclaimed_notes:
            continue
        when = (
            f"{one.start_utc:%Y-%m-%d}" if one.whole_day else f"{one.start_utc:%Y-%m-%d %H:%M} UTC"
        )
        nearest = min(starts, key=lambda start: abs(start - one.start_utc), default=None)
        beside = "" if nearest is None else f"; the nearest began at {nearest:%Y-%m-%d %H:%M} UTC"
        yield (
            f"{one.locate('start')}: no workout was recorded at {when}{beside}; what the notes say "
            "counts for nothing until one comes that fits"
        )


def _find_windows(
    files: Sequence[FileRecord],
    unsettled: frozenset[str],
    stored: _Stored,
    read: _ReadNotes,
    *,
    removed: Mapping[str, str],
    home: Home,
    settings: Settings,
) -> list[tuple[datetime, datetime]] | None:
    """Return the spans in which the partners of what is new can lie; None: anywhere."""
    with_new = [file for file in files if unsettled.intersection(file.recording_ids)]
    new = collect_recordings(with_new, stored.recordings, lake=home.lake, devices=())
    if any(known.header.time_basis == "elapsed" for known in new.recordings):
        return None
    new_notes = [one for one in read.notes if one.file_id not in stored.notes]
    # A row that was taken out of a spreadsheet changes its workout too.
    new_notes += [
        one
        for file_id, older in read.replaced.items()
        if file_id not in stored.notes
        for one in older
    ]
    joined = {one for notes in read.notes for _, recordings in notes.groups for one in recordings}
    former = [
        (row["start_utc"] + shift, row["end_utc"] + shift)
        for recording_id in (*_find_gone(files, stored, removed), *unsettled, *joined)
        if (row := stored.recordings.get(recording_id)) is not None
        for shift in (timedelta(seconds=row["clock_shift_s"] or 0.0),)
    ]
    return find_windows(new.recordings, new_notes, former=former, settings=settings)


def _regroups(read: _ReadNotes, stored: _Stored) -> bool:
    """Say whether new notes put recordings elsewhere, or take that back: anything may follow."""
    new = [one for one in read.notes if one.file_id not in stored.notes]
    new += [
        one
        for file_id, found in read.replaced.items()
        if file_id not in stored.notes
        for one in found
    ]
    return any(one.groups or one.owners for one in new)


def _mark_removed(file: FileRecord, removed: Mapping[str, str]) -> FileRecord:
    why = removed.get(file.file_id)
    return file if why is None else replace(file, reason=f"removed: {why}")


def _find_gone(
    files: Sequence[FileRecord], stored: _Stored, removed: Mapping[str, str]
) -> tuple[str, ...]:
    """Return stored recordings that their export no longer gives: it was refused, or removed.

    Exports that the ledger does not know say nothing: it may have been lost.
    """
    given = {recording_id for file in files for recording_id in file.recording_ids}
    seen = {file.file_id for file in files} | set(removed)
    return tuple(
        recording_id
        for recording_id, row in stored.recordings.items()
        if recording_id not in given and row["file_id"] in seen
    )


def _read_stored(home: Home) -> _Stored:
    with read_store(home) as connection:
        recordings = connection.sql(_RECORDINGS).to_arrow_table().to_pylist()
        fingerprints = connection.execute("SELECT workout_id, fingerprint FROM workouts").fetchall()
        notes = connection.execute("SELECT file_id FROM notes").fetchall()
        devices = connection.execute("SELECT device_id, name FROM devices").fetchall()
        former = connection.execute(_FORMER_DEVICES).fetchall()
    return _Stored(
        recordings={row["recording_id"]: row for row in recordings},
        fingerprints=dict(fingerprints),
        notes=frozenset(file_id for (file_id,) in notes),
        devices=dict(devices),
        former=dict(former),
    )


def _read_notes(files: Sequence[FileRecord], *, home: Home, settings: Settings) -> _ReadNotes:
    """Parse the archived notes again: they are few, and the archive is what counts.

    A spreadsheet is dropped again and again as it grows, and so are notes that only add: the newest
    version replaces all earlier ones of the same name.
    """
    known: list[FileRecord] = []
    texts: list[ExportFile] = []
    notes: dict[str, tuple[Notes, ...]] = {}
    sheets: dict[str, str] = {}
    replaced: dict[str, tuple[Notes, ...]] = {}
    rows: list[Mapping[str, Any]] = []
    complaints: list[str] = []
    for file in files:
        if file.format != NOTES_FORMAT or file.status not in NOTES_IN_FORCE:
            continue
        original = find_original(file.file_id, home=home)
        if original is None:
            complaints.append(
                f"{file.name}: the notes are missing from originals/; drop them again"
            )
            continue
        if (damage := find_damage(file.file_id, original, home=home)) is not None:
            complaints.append(f"{file.name}: {damage}")
            continue
        known.append(file)
        texts.append(ExportFile(original, file.name, file.file_id))
    read = read_some_notes_isolated(texts, zone=settings.time.zone or None, settings=settings.read)
    for file, said in zip(known, read, strict=True):
        if isinstance(said, CowornError):
            complaints.append(str(said))
            continue
        # What a command wrote is known by its workout, also when the ledger lost its name.
        slot = next((one.workout for one in said.notes if one.workout), file.name)
        is_version = is_sheet(file.name) or all(one.adds for one in said.notes)
        if is_version or slot in sheets:
            older = sheets.get(slot)
            if older is not None:
                replaced[file.file_id] = notes.pop(older) + replaced.pop(older, ())
            sheets[slot] = file.file_id
        notes[file.file_id] = said.notes
        rows.append(
            {
                "file_id": file.file_id,
                "name": file.name,
                "received_at": file.received_at,
                "start_utc": min((one.start_utc for one in said.notes), default=None),
                "notes_text": said.text,
            }
        )
    in_order = tuple(one for found in notes.values() for one in found)
    return _ReadNotes(in_order, replaced, tuple(rows), tuple(complaints))


def mark_devices(home: Home) -> str:
    """Return a hash of devices.toml as it is."""
    content = home.devices.read_bytes() if home.devices.exists() else b""
    return f"{_NAMING}{hashlib.sha256(content).hexdigest()[:16]}"
