"""One dropped file: archived, expanded, read, normalised, laid into the lake, written down.

Whatever happens to one file stays with that file. What is refused lies in `refused/` with its
reason; troubles of the machine (a lock, a disk) are raised, for they say nothing about the file.
"""

from __future__ import annotations

import logging
import shutil
import uuid
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path  # noqa: TC003 - a flow's parameters are checked at run time
from typing import TYPE_CHECKING, Final, Literal

from tasks.archive.lake import ensure_lake, has_recording, write_recording
from tasks.archive.ledger import Ledger
from tasks.archive.originals import (
    LAYOUT_SUFFIX,
    WHY_SUFFIX,
    NotAFileError,
    StillChangingError,
    archive_original,
    find_original,
    make_safe_name,
    refuse,
    release,
    remove_taken,
)
from tasks.archive.rot import find_damage, note_damage
from tasks.core.errors import (
    CowornError,
    ExportRefusedError,
    NoClockError,
    NotesError,
    UnknownLayoutError,
)
from tasks.core.folders import find_hint, scan_folder
from tasks.core.local_times import Decision
from tasks.core.recording import ExportFile
from tasks.core.registers import ReadOptions
from tasks.guard import (
    expand_isolated,
    read_notes_isolated,
    run_isolated_read,
)
from tasks.ingest.corrected import CORRECTED, clear_refused, is_corrected
from tasks.ingest.formats import guess_format, starts_like_zip
from tasks.ingest.layouts import lay_proposal
from tasks.ingest.local_times import LocalTimes, make_fact, recall_times
from tasks.ingest.splits import Splits, find_splits, make_split_fact, remember_said, split_recording
from tasks.readers.archive import is_archive
from tasks.readers.notes import is_notes

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from config.home import Home
    from config.settings import Settings
    from tasks.core.file_records import FileRecord

LOG: Final = logging.getLogger(__name__)

#: What became of a file. "failed" and "changing" are not the file's fault: it stays where it is.
OutcomeStatus = Literal["stored", "partial", "duplicate", "refused", "failed", "changing"]


@dataclass(frozen=True)
class Dropped:
    """A file as it was dropped: where it lies, the name that it has, the sub-folder it lay in."""

    path: Path
    name: str
    folder: str | None = None


@dataclass(frozen=True)
class FileOutcome:
    """What became of one export, of notes, of an archive, or of an export inside one.

    `inside` is the name of the archive that it came in; `local_times` those of an export that notes
    placed or could place; `splits` are those of its recordings.
    """

    name: str
    status: OutcomeStatus
    file_id: str = ""
    reason: str | None = None
    recording_ids: tuple[str, ...] = ()
    format: str | None = None
    inside: str | None = None
    local_times: LocalTimes | None = None
    splits: Splits | None = None

    @property
    def is_problem(self) -> bool:
        """Say whether a person must know of it."""
        return self.status in {"refused", "failed", "changing"}


def ingest_batch(
    files: Sequence[Dropped], *, home: Home, settings: Settings, move: bool
) -> tuple[tuple[FileOutcome, ...], ...]:
    """Take in several files; return the outcomes of each, in order.

    A file that the operating system refused is "failed" and does not stop the others.
    """
    outcomes: list[tuple[FileOutcome, ...]] = []
    for file in files:
        try:
            outcomes.append(ingest_file(file, home=home, settings=settings, move=move))
        except (OSError, CowornError) as error:
            LOG.warning("%s: %s", file.name, error)
            outcomes.append((fail(file, error),))
    return tuple(outcomes)


def fail(file: Dropped, error: BaseException) -> FileOutcome:
    """Return the outcome of a file that the machine did not let through."""
    words = f"{str(error) or type(error).__name__}; the file stays where it is and is tried again"
    return FileOutcome(file.name, "failed", reason=words)


def ingest_file(
    file: Dropped, *, home: Home, settings: Settings, move: bool
) -> tuple[FileOutcome, ...]:
    """Take in one file; with `move` it leaves its place when all is written down.

    Returns one outcome, or several for an archive; none for a file that is no longer there.
    Raises: OSError, StoreBusyError and other troubles of the machine.
    """
    try:
        archived = archive_original(file.path, home=home)
    except FileNotFoundError:
        return ()
    except StillChangingError as error:
        return (FileOutcome(file.name, "changing", reason=_strip_name(error)),)
    except NotAFileError as error:
        return (FileOutcome(file.name, "refused", reason=_strip_name(error)),)
    with Ledger(home) as ledger:
        ledger.record_file(
            archived.file_id,
            name=file.name,
            folder=file.folder,
            bytes=archived.bytes,
            received_at=datetime.now(UTC),
        )
        known = ledger.find_file(archived.file_id)
    if archived.is_mended:
        note_damage(archived.file_id, home=home, is_damaged=False)
    # What came of a damaged original may be wrong: it is read again.
    if known is not None and _is_done(known, home) and not archived.is_mended:
        outcomes: tuple[FileOutcome, ...] = (_repeat(file, known),)
    else:
        # What lies in the inbox may change under a reader's hands; the archived bytes do not.
        export = ExportFile(archived.path, file.name, archived.file_id, file.folder)
        outcomes = _handle(export, home=home, settings=settings, is_new=archived.is_new)
    if move:
        remove_taken(file.path, archived)
    return outcomes


def finish_file(known: FileRecord, *, home: Home, settings: Settings) -> tuple[FileOutcome, ...]:
    """Do an archived file again, e.g. after a run that was interrupted; return its outcomes.

    An export that came inside an archive is done with its archive: it gives none.
    """
    if known.inside is not None:
        return ()
    original = find_original(known.file_id, home=home)
    if original is None:
        reason = f"its original is no longer in {home.originals}; drop the file again"
        return (FileOutcome(known.name, "failed", known.file_id, reason),)
    if (damage := find_damage(known.file_id, original, home=home)) is not None:
        return (FileOutcome(known.name, "failed", known.file_id, damage),)
    export = ExportFile(original, known.name, known.file_id, known.folder)
    return _handle(export, home=home, settings=settings)


def list_unfinished(home: Home) -> list[FileRecord]:
    """Return the dropped files that a run left unfinished, or whose recordings left the lake."""
    with Ledger(home) as ledger:
        files = ledger.list_files()
    wanting = {
        file.inside or file.file_id
        for file in files
        if file.status == "archived"
        or not all(has_recording(one, lake=home.lake) for one in file.recording_ids)
    }
    return [file for file in files if file.file_id in wanting]


def list_files(paths: Iterable[Path]) -> Iterator[Dropped]:
    """Return every file below `paths`, sorted; the sub-folder it lies in is its device hint.

    A folder counts as if its contents had been dropped into the inbox: files directly inside it
    have no hint. Hidden and temporary files are left out, links are not followed.
    """
    for path in paths:
        if path.is_dir() and not path.is_symlink():
            root = path.resolve()
            for found in sorted(scan_folder(root)):
                yield Dropped(found, found.name, find_hint(found, root))
        else:
            yield Dropped(path.absolute(), path.name)


# --- inside -----------------------------------------------------------------------------------
def _is_done(known: FileRecord, home: Home) -> bool:
    """Say whether the same bytes were taken before and all that came of them is still there."""
    if known.status not in {"stored", "partial", "duplicate"}:
        return False
    return all(has_recording(recording_id, lake=home.lake) for recording_id in known.recording_ids)


def _repeat(file: Dropped, known: FileRecord) -> FileOutcome:
    first = known.names[0].name
    reason = "known already" if first == file.name else f"the same bytes as {first}"
    return FileOutcome(
        file.name, "duplicate", known.file_id, reason, known.recording_ids, known.format
    )


def _handle(
    export: ExportFile, *, home: Home, settings: Settings, is_new: bool = False
) -> tuple[FileOutcome, ...]:
    """Find out what an archived file is, take out what is in it and write down the outcome.

    What `is_new` was never refused, and need not be looked for among what was.
    """
    outcomes: tuple[FileOutcome, ...]
    try:
        if is_notes(export.name):
            outcomes = (_take_notes(export, home=home, settings=settings),)
        elif is_archive(export.path):
            outcomes = _take_archive(export, home=home, settings=settings)
        else:
            outcomes = (_take_export(export, home=home, settings=settings),)
    except (ExportRefusedError, NotesError) as error:
        outcomes = (_refuse(export, error, home=home, settings=settings),)
    if outcomes[0].status != "refused" and not is_new:
        # Read again by other notes or settings, it may have been refused before.
        release(export.path, home=home)
    _write_down(outcomes[0], home)
    return outcomes


def _write_down(outcome: FileOutcome, home: Home) -> None:
    status = outcome.status
    if status in {"failed", "changing"}:
        return
    with Ledger(home) as ledger:
        ledger.set_outcome(
            outcome.file_id,
            status,  # type: ignore[arg-type] # the others have returned
            reason=outcome.reason,
            recordings=outcome.recording_ids,
            format=outcome.format,
            facts=dict(
                (
                    make_fact(outcome.file_id, outcome.local_times),
                    make_split_fact(outcome.file_id, outcome.splits),
                )
            ),
        )


def _take_notes(export: ExportFile, *, home: Home, settings: Settings) -> FileOutcome:
    """Check notes; they are read again when their workout is settled.

    Refused ones of the same name are cleared: they were corrected.

    Raises: NotesError, ReaderFailedError.
    """
    said = read_notes_isolated(export, zone=settings.time.zone or None, settings=settings.read)
    clear_refused(export, home=home)
    remember_said(export, said.notes, home=home)
    if said.refused:
        reason = f"lines were left out, all others count: {'; '.join(said.refused)}"
        return FileOutcome(export.name, "partial", export.file_id, reason, format="notes")
    return FileOutcome(export.name, "stored", export.file_id, format="notes")


def _take_export(export: ExportFile, *, home: Home, settings: Settings) -> FileOutcome:
    """Read, normalise and store one export. Raises: ExportRefusedError."""
    times = recall_times(export.file_id, home=home)
    decision = Decision() if times is None else times.decision
    options = ReadOptions(
        zone=settings.time.zone or decision.zone,
        layout_folders=(home.columns,) if home.columns.is_dir() else (),
    )
    try:
        clean = run_isolated_read(export, options, settings=settings.read)
    except NoClockError as error:
        if error.local_span is None:
            raise
        latest = recall_times(export.file_id, home=home)
        if latest is not None and latest.decision != decision:
            # Another run has asked the notes meanwhile.
            return _take_export(export, home=home, settings=settings)
        times = LocalTimes(*error.local_span, decision)
        outcome = _refuse(export, times.explain(error), home=home, settings=settings)
        return replace(outcome, local_times=times)
    complaints = list(clean.complaints)
    ensure_lake(home.lake)
    recording_ids: list[str] = []
    splits = find_splits(export.file_id, home=home)
    for recording in clean.recordings:
        for part in split_recording(decision.sign(recording), splits):
            recording_id = f"{export.file_id[:16]}-{part.header.index}"
            write_recording(part, recording_id, lake=home.lake)
            recording_ids.append(recording_id)
        if recording.header.status == "partial":
            complaints.append(recording.header.reason or "the end is missing")
    complaints += lay_proposal(export, clean.proposal, home=home)
    return FileOutcome(
        export.name,
        "partial" if complaints else "stored",
        export.file_id,
        "; ".join(dict.fromkeys(complaints)) or None,
        tuple(recording_ids),
        format=clean.recordings[0].header.format,
        local_times=times if clean.recordings[0].header.time_basis == "notes" else None,
        splits=splits,
    )


def _take_archive(export: ExportFile, *, home: Home, settings: Settings) -> tuple[FileOutcome, ...]:
    """Take in everything inside an archive. Raises: ExportRefusedError.

    Members are not archived on their own: the archive is their original.
    """
    scratch = home.state / "expanding" / uuid.uuid4().hex
    scratch.mkdir(mode=0o700, parents=True)
    try:
        members = expand_isolated(export, scratch, limits=settings.archive, settings=settings.read)
        outcomes = [
            outcome
            for member in members
            for outcome in _take_member(member, export, home=home, settings=settings)
        ]
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
    return (_sum_up(export, outcomes), *outcomes)


def _take_member(
    member: ExportFile, archive: ExportFile, *, home: Home, settings: Settings
) -> tuple[FileOutcome, ...]:
    with Ledger(home) as ledger:
        ledger.record_file(
            member.file_id,
            name=member.name,
            folder=member.folder,
            inside=archive.file_id,
            bytes=member.path.stat().st_size,
            received_at=datetime.now(UTC),
        )
        known = ledger.find_file(member.file_id)
    if known is None or not _is_done(known, home):
        outcomes = _handle(member, home=home, settings=settings)
    else:
        outcomes = (_repeat(Dropped(member.path, member.name, member.folder), known),)
        if known.inside == archive.file_id:  # done before an archive that is done again
            status: OutcomeStatus = "partial" if known.status == "partial" else "stored"
            reason = known.reason if status == "partial" else None
            outcomes = (replace(outcomes[0], status=status, reason=reason),)
    return tuple(replace(outcome, inside=archive.name) for outcome in outcomes)


def _sum_up(export: ExportFile, outcomes: Sequence[FileOutcome]) -> FileOutcome:
    """Return the outcome of an archive from those of what was in it."""
    taken = [outcome for outcome in outcomes if outcome.status in {"stored", "partial"}]
    refused = [outcome for outcome in outcomes if outcome.status == "refused"]
    kind = "zip" if starts_like_zip(export.path) else "gzip"
    reason = f"{len(refused)} of {len(outcomes)} files in it were refused" if refused else None
    if taken:
        status: OutcomeStatus = "partial" if refused else "stored"
    elif refused:
        status = "refused"
    elif outcomes:
        status, reason = "duplicate", "everything in it is known already"
    else:
        status, reason = "refused", "there is no export in it; put exports into the archive"
    return FileOutcome(export.name, status, export.file_id, reason, format=kind)


def _refuse(
    export: ExportFile,
    error: ExportRefusedError | NotesError,
    *,
    home: Home,
    settings: Settings,
) -> FileOutcome:
    reason = error.reason
    if is_notes(export.name) and is_corrected(export, home=home):
        return FileOutcome(export.name, "duplicate", export.file_id, CORRECTED, format="notes")
    # One line, whatever is in the name.
    line = f"{make_safe_name(export.name)}: {reason}"
    why = refuse(export.path, name=export.name, why=line, home=home)
    if isinstance(error, UnknownLayoutError) and error.proposal:
        beside = why.with_name(why.name.removesuffix(WHY_SUFFIX) + LAYOUT_SUFFIX)
        beside.write_text(error.proposal, encoding="utf-8")
    return FileOutcome(
        export.name,
        "refused",
        export.file_id,
        reason,
        format=guess_format(export, settings=settings.read),
    )


def _strip_name(error: CowornError) -> str:
    """Return the message without the file's name in front, which is said beside it."""
    return str(error).partition(": ")[2] or str(error)
