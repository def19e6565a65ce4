"""Notes that commands write: what a person set aside, in a file that the next one replaces."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from tasks.archive.lake import read_facts
from tasks.archive.ledger import Ledger
from tasks.archive.originals import find_original
from tasks.core.parts import find_whole
from tasks.readers.notes import read_lines_of_notes, read_notes

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from config.home import Home
    from tasks.core.file_records import FileRecord
    from tasks.core.notes import Exclusion, Notes, Split

_BEGINNING: Final = "corrections-"
_ENDING: Final = ".notes.toml"


@dataclass(frozen=True)
class Corrections:
    """What commands set aside of one workout, which is found by its start and its id."""

    workout_id: str
    start_utc: datetime
    exclusions: tuple[Exclusion, ...] = ()

    @property
    def file_name(self) -> str:
        """The name of the notes; the newest of that name holds."""
        return name_corrections(self.workout_id)

    def add(self, exclusion: Exclusion) -> Corrections:
        """Return them with one more; a new reason replaces the one that was given before."""
        kept = [one for one in self.exclusions if replace(one, because="") != _bare(exclusion)]
        return replace(self, exclusions=(*kept, replace(exclusion, file_id="")))

    def take_back(self, wanted: Exclusion) -> tuple[Corrections, tuple[Exclusion, ...]]:
        """Return them without those that fit what `wanted` names, and what was taken back."""
        gone = tuple(one for one in self.exclusions if _fits(one, wanted))
        kept = tuple(one for one in self.exclusions if one not in gone)
        return replace(self, exclusions=kept), gone

    def write(self, *, written: datetime) -> str:
        """Return the notes as TOML. `written` makes each version differ from all others."""
        lines = [
            "# Written by coworn exclude; coworn exclude --undo takes it back.",
            "adds = true",
            f"start = {_write_instant(self.start_utc)}",
            f"workout = {_quote(self.workout_id)}",
            f"written = {_write_instant(written)}",
        ]
        for one in self.exclusions:
            lines += ["", "[[exclude]]", *_write_exclusion(one)]
        return "\n".join(lines) + "\n"


def name_corrections(workout_id: str) -> str:
    """Return the name of the notes that commands write for a workout."""
    return f"{_BEGINNING}{workout_id}{_ENDING}"


def read_corrections(home: Home, workout_id: str, *, start_utc: datetime) -> Corrections:
    """Return what commands set aside of a workout so far. Raises: NotesError."""
    newest = _read_all(home).get(name_corrections(workout_id))
    if newest is None:
        return Corrections(workout_id, start_utc)
    return Corrections(workout_id, newest.start_utc, newest.exclusions)


def list_removed(home: Home) -> dict[str, str]:
    """Return the ids of removed exports with the reasons, as the newest notes say."""
    return {
        file_id: why for notes in _read_all(home).values() for file_id, why in notes.removed.items()
    }


def list_removal_notes(home: Home, file_id: str) -> list[str]:
    """Return the ids of all notes that commands wrote about removing an export."""
    with Ledger(home) as ledger:
        return [file.file_id for file in ledger.find_files_named(_name_removal(file_id))]


def write_removal(
    file: FileRecord, *, because: str | None, undo: bool, written: datetime, home: Home
) -> tuple[str, str]:
    """Return name and text of the notes that remove an export, or bring it back.

    They begin when its first recording does, so that the partners of that time are looked at.
    """
    start = file.received_at
    original = find_original(file.file_id, home=home)
    if file.format == "notes" and original is not None:
        said, _ = read_lines_of_notes(original.read_text(encoding="utf-8-sig"), name=file.name)
        start = min((one.start_utc for one in said), default=start)
    elif file.recording_ids:
        facts = read_facts(file.recording_ids[0], lake=home.lake)
        start = facts.start_utc.astimezone(UTC)
    lines = [
        "# Written by coworn remove; coworn remove --undo takes it back.",
        "adds = true",
        f"start = {_write_instant(start)}",
        f"workout = {_quote(f'file {file.file_id[:16]}')}",
        f"written = {_write_instant(written)}",
    ]
    if not undo:
        reason = because or "dropped by mistake"
        lines += ["", "[[remove]]", f"file = {_quote(file.file_id)}", f"because = {_quote(reason)}"]
    return _name_removal(file.file_id), "\n".join(lines) + "\n"


def write_grouping(
    slot: str,
    *,
    start_utc: datetime,
    written: datetime,
    groups: Sequence[tuple[str, Sequence[str]]] = (),
    owners: Mapping[str, str] | None = None,
    splits: Sequence[Split] = (),
) -> tuple[str, str]:
    """Return name and text of notes that put recordings together, apart, in two, or under a device.

    `slot` is what the notes are about; the newest of one slot hold, also when they say nothing.
    """
    lines = [
        "# Written by coworn join, move or split; the same command with --undo takes it back.",
        "adds = true",
        f"start = {_write_instant(start_utc)}",
        f"workout = {_quote(slot)}",
        f"written = {_write_instant(written)}",
    ]
    for split in splits:
        lines += [
            "",
            "[[split]]",
            f"recording = {_quote(split.recording_id)}",
            f"at = {_write_instant(split.at_utc)}",
        ]
    for kind, recording_ids in groups:
        listed = ", ".join(map(_quote, recording_ids))
        lines += ["", f"[[{kind}]]", f"recordings = [{listed}]"]
    for recording_id, device in (owners or {}).items():
        lines += [
            "",
            "[[made_by]]",
            f"recording = {_quote(recording_id)}",
            f"device = {_quote(device)}",
        ]
    return f"{_BEGINNING}{slot.replace(' ', '-')}{_ENDING}", "\n".join(lines) + "\n"


def find_groupings(home: Home, recording_ids: Iterable[str]) -> list[Notes]:
    """Return the notes that commands wrote to put any of the recordings elsewhere."""
    wanted = set(recording_ids)
    return [
        notes
        for notes in _read_all(home).values()
        if not notes.splits
        and (
            wanted.intersection(notes.owners)
            or any(wanted.intersection(members) for _, members in notes.groups)
        )
    ]


def find_splits(home: Home, recording_ids: Iterable[str]) -> list[Notes]:
    """Return the notes that commands wrote to split any of the recordings."""
    wanted = {find_whole(one) for one in recording_ids}
    return [
        notes
        for notes in _read_all(home).values()
        if wanted.intersection(split.recording_id for split in notes.splits)
    ]


def _name_removal(file_id: str) -> str:
    return f"{_BEGINNING}{file_id[:16]}{_ENDING}"


def _read_all(home: Home) -> dict[str, Notes]:
    """Return the newest notes of each name that commands wrote."""
    found: dict[str, Notes] = {}
    with Ledger(home) as ledger:
        files = ledger.list_files()
    for file in files:
        if file.format != "notes" or not file.name.startswith(_BEGINNING):
            continue
        original = find_original(file.file_id, home=home)
        if original is not None and file.status in {"stored", "archived"}:
            found[file.name] = read_notes(original.read_text(encoding="utf-8"), name=file.name)
    return found


def describe(exclusions: Iterable[Exclusion]) -> Sequence[str]:
    """Say in words what each sets aside."""
    return [_describe(one) for one in exclusions]


def _describe(one: Exclusion) -> str:
    what = "the whole workout" if one.device is None else one.device
    if one.domain is not None:
        what = f"{one.domain.replace('_', ' ')} of {what}"
    for word, instant in (("from", one.from_utc), ("until", one.until_utc)):
        if instant is not None:
            what += f" {word} {instant.astimezone(UTC):%H:%M:%S} UTC"
    return f"{what} ({one.because})"


def _bare(exclusion: Exclusion) -> Exclusion:
    return replace(exclusion, because="", file_id="")


def _fits(one: Exclusion, wanted: Exclusion) -> bool:
    asked = (wanted.device, wanted.domain, wanted.from_utc, wanted.until_utc)
    found = (one.device, one.domain, one.from_utc, one.until_utc)
    return all(ask is None or ask == is_there for ask, is_there in zip(asked, found, strict=True))


def _write_exclusion(one: Exclusion) -> list[str]:
    texts = {"device": one.device, "domain": one.domain, "because": one.because}
    instants = {"from": one.from_utc, "until": one.until_utc}
    return [
        *(f"{key} = {_quote(text)}" for key, text in texts.items() if text is not None),
        *(f"{key} = {_write_instant(at)}" for key, at in instants.items() if at is not None),
    ]


def _write_instant(instant: datetime) -> str:
    return instant.astimezone(UTC).isoformat().replace("+00:00", "Z")


def _quote(text: str) -> str:
    """Return a TOML basic string: JSON's escapes are a part of TOML's."""
    return json.dumps(text, ensure_ascii=False)
