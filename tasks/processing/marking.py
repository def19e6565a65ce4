"""What became of each file in the end: stored, a duplicate, or refused as nothing places it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from tasks.archive.ledger import Ledger
from tasks.archive.originals import find_original, make_safe_name, refuse, release
from tasks.processing.prepare import DEVICES_MARK

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from config.home import Home
    from tasks.core.file_records import FileRecord
    from tasks.processing.compute import WorkoutOutcome
    from tasks.processing.prepare import Prepared

#: Why an export waits whose rows only count from their start.
UNPLACED: Final = (
    "its rows only count from their start, and neither a signal of another device nor its name nor "
    "notes say when that was; drop what was recorded beside it, notes with the start, or the file "
    "again under a name such as 2026-05-02T0730Z.csv"
)


def mark_files(prepared: Prepared, outcomes: Sequence[WorkoutOutcome]) -> tuple[FileRecord, ...]:
    """Return the files with the status that the outcomes show.

    An export is a duplicate when another one holds more of each of its recordings, and refused
    when nothing places one of them in time; when that holds no longer it is stored again.
    """
    duplicate_of = _collect("duplicate_of", prepared, outcomes)
    names = {
        recording_id: file.name for file in prepared.files for recording_id in file.recording_ids
    }
    return tuple(
        _mark(_mark_unplaced(file, prepared), duplicate_of, names) for file in prepared.files
    )


def find_refused(prepared: Prepared) -> dict[str, FileRecord]:
    """Return, by id, the files that are refused by now and were not before."""
    marked = ((file, _mark_unplaced(file, prepared)) for file in prepared.files)
    return {
        file.file_id: file
        for before, file in marked
        if file.status == "refused" and before.status != "refused"
    }


def finish(prepared: Prepared, outcomes: Sequence[WorkoutOutcome], *, home: Home) -> None:
    """Write into the ledger what is in the store by now; call it after `commit`."""
    workout_of = _collect("workout_id", prepared, outcomes)
    before = {file.file_id: file for file in prepared.files}
    with Ledger(home) as ledger:
        for file in mark_files(prepared, outcomes):
            _follow(before[file.file_id], file, home=home)
            if file.status != before[file.file_id].status:
                ledger.set_outcome(
                    file.file_id, file.status, reason=file.reason, recordings=file.recording_ids
                )
        ledger.assign_workouts(
            {
                recording_id: workout_of[recording_id]
                for recording_id, former in ledger.list_workouts().items()
                if workout_of.get(recording_id) not in (None, former)
            }
        )
        ledger.mark_settled(prepared.plan.considered)
        ledger.remember(DEVICES_MARK, prepared.devices_mark)


def _follow(before: FileRecord, now: FileRecord, *, home: Home) -> None:
    """Lay an export into `refused/` that nothing places, or take it out again."""
    if {before.status, now.status} == {"refused"} or "refused" not in {before.status, now.status}:
        return
    original = None if now.inside else find_original(now.file_id, home=home)
    if original is None:
        return
    if now.status == "refused":
        line = f"{make_safe_name(now.name)}: {now.reason}"
        refuse(original, name=now.name, why=line, home=home)
    else:
        release(original, home=home)


def _mark_unplaced(file: FileRecord, prepared: Prepared) -> FileRecord:
    """Refuse a file with a recording that nothing places; take back what refused it before."""
    if any(one in prepared.plan.unplaced for one in file.recording_ids):
        if file.status == "archived":
            return file
        return replace(file, status="refused", reason=UNPLACED)
    is_waiting = file.status == "refused" and file.reason == UNPLACED and file.recording_ids
    if not is_waiting or not set(file.recording_ids) <= prepared.plan.considered:
        return file
    reasons = [prepared.partial[one] for one in file.recording_ids if one in prepared.partial]
    if reasons:
        return replace(file, status="partial", reason="; ".join(reasons))
    return replace(file, status="stored", reason=None)


def _collect(column: str, prepared: Prepared, outcomes: Sequence[WorkoutOutcome]) -> dict[str, Any]:
    """Return one fact of each recording: what the outcomes say, else what the store says.

    Of workouts that nothing has changed for, only the store may know it: a run that was killed
    after it had committed did not tell the ledger.
    """
    stored = {recording_id: row[column] for recording_id, row in prepared.stored.items()}
    new = {row["recording_id"]: row[column] for one in outcomes for row in one.recordings}
    return stored | new


def _mark(
    file: FileRecord, duplicate_of: Mapping[str, str | None], names: Mapping[str, str]
) -> FileRecord:
    known = [one for one in file.recording_ids if one in duplicate_of]
    if not known or file.status not in ("stored", "duplicate"):
        return file
    richer = [duplicate_of[one] for one in known]
    if all(richer) and len(known) == len(file.recording_ids):
        better = names.get(richer[0] or "", "another export")
        return replace(file, status="duplicate", reason=f"the same recording as {better}")
    return replace(file, status="stored", reason=None) if file.status == "duplicate" else file
