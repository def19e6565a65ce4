"""`coworn remove`: an export that was dropped by mistake counts for nothing, or is forgotten."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated

import typer

from flows.commands.declare import Options, command
from flows.console import terminal
from tasks.core.errors import UsageError
from tasks.core.wording import count

if TYPE_CHECKING:
    from rich.console import Console

    from config.home import Home
    from flows.commands.opening import Work
    from flows.runs.forget import ForgetReport
    from tasks.core.file_records import FileRecord


@command()
def remove(
    options: Options,
    what: Annotated[
        str, typer.Argument(metavar="FILE-or-ID", help="A file's name, its id, or a recording's.")
    ],
    *,
    because: Annotated[str | None, typer.Option(metavar="TEXT", help="The reason.")] = None,
    undo: Annotated[bool, typer.Option("--undo", help="Take it back.")] = False,
    forget: Annotated[
        bool,
        typer.Option("--forget", help="Delete it for good, everywhere; nothing brings it back."),
    ] = False,
) -> int:
    """Take an export out of everything; its bytes are kept, and --undo brings it back.

    Raises: UsageError.
    """
    from flows.commands.opening import open_work

    if undo and (forget or because is not None):
        raise UsageError("--undo stands alone; nothing was done")
    with open_work(options) as work:
        file = _find_file(work.session.home, what)
        if forget:
            return _forget(work, file)
        return _set_removed(work, file, because=because, undo=undo)


def _find_file(home: Home, what: str) -> FileRecord:
    from pathlib import Path

    from tasks.archive.ledger import Ledger

    with Ledger(home) as ledger:
        files = ledger.list_files()
    name = Path(what).name
    found = [file for file in files if any(seen.name == name for seen in file.names)] or [
        file
        for file in files
        if len(what) >= _FEWEST_DIGITS
        and (file.file_id.startswith(what) or what in file.recording_ids)
    ]
    if not found:
        raise UsageError(f"{what}: no such export was ever dropped; coworn sql shows names and ids")
    if len(found) > 1:
        listed = ", ".join(f"{file.file_id[:12]} ({file.received_at:%Y-%m-%d})" for file in found)
        raise UsageError(
            f"{what}: {len(found)} exports are called so; name one by its id: {listed}"
        )
    return found[0]


_FEWEST_DIGITS = 6


def _set_removed(work: Work, file: FileRecord, *, because: str | None, undo: bool) -> int:
    from flows.commands.corrections import take_notes
    from tasks.processing.corrections import list_removed, write_removal

    is_removed = file.file_id in list_removed(work.session.home)
    if undo != is_removed:
        said = "is not removed" if undo else "is removed already; --undo brings it back"
        raise UsageError(f"{file.name} {said}; nothing was done")
    name, text = write_removal(
        file, because=because, undo=undo, written=datetime.now(UTC), home=work.session.home
    )
    words = "brought back" if undo else "removed (kept in originals/; --undo brings it back)"
    work.console.print(f"{words}: {terminal.clean(file.name)}")
    return take_notes(work, (name, text))


def _forget(work: Work, file: FileRecord) -> int:
    from flows.runs.forget import run_forget
    from tasks.archive.ledger import Ledger
    from tasks.processing.corrections import list_removal_notes
    from tasks.processing.forget import list_with_members

    home = work.session.home
    with Ledger(home) as ledger:
        files = ledger.list_files()
    if file.inside is not None:
        archive = next(one for one in files if one.file_id == file.inside)
        raise UsageError(
            f"{file.name} came inside {archive.name}, which can only be forgotten as a whole: "
            f"coworn remove {archive.name} --forget"
        )
    chosen = [file.file_id, *list_removal_notes(home, file.file_id)]
    with terminal.show_progress(quiet=work.quiet):
        report = run_forget(work.session, list_with_members(files, chosen))
    return _show_forgotten(report, work.console)


def _show_forgotten(report: ForgetReport, console: Console) -> int:
    from flows.console.run_summary import report_complaints, report_problems

    gone = report.forgotten
    code = report_problems((), report.workout_run)
    terminal.show_wrapped(
        console,
        f"forgotten: {', '.join(gone.names)}: {count(gone.originals, 'original')}, "
        f"{count(gone.recordings, 'recording')} in the lake, "
        f"{count(gone.rows, 'row')} of the store, its lines in the log, "
        f"{count(report.copies, 'older file')} in published/ and "
        f"{count(report.backups, 'backup')}; a new backup was made",
        indent=4,
    )
    if gone.workouts:
        terminal.show_wrapped(
            console,
            f"measured again, or gone with it: {', '.join(gone.workouts)}, with pages and figures",
            indent=4,
        )
    terminal.show_wrapped(
        console,
        "not touched: copies made elsewhere, what was published or exported before, and names in "
        "the history of a Prefect server",
        indent=4,
    )
    return max(code, report_complaints(report.page_complaints))
