"""Takes in the notes that a command writes, as if a person had dropped them."""

from __future__ import annotations

import shutil
import uuid
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from tasks.core.errors import UsageError
from tasks.ingest.exports import Dropped

if TYPE_CHECKING:
    from collections.abc import Sequence

    from flows.commands.opening import Work
    from flows.run_reports import DropReport


def read_moment(text: str, start: datetime) -> datetime:
    """Return an instant; mm:ss counts from `start`, that of the workout. Raises: UsageError."""
    from tasks.readers.notes.segments import read_clock

    seconds = read_clock(text)
    if seconds is not None:
        return start + timedelta(seconds=seconds)
    try:
        instant = datetime.fromisoformat(text.strip())
    except ValueError:
        instant = None
    if instant is None or instant.tzinfo is None:
        raise UsageError(
            f"{text!r} is no time; write mm:ss or h:mm:ss after the start of the workout, or an "
            "instant with its offset, 2026-05-02T07:45:00+02:00"
        )
    return instant.astimezone(UTC)


def take_back_groupings(work: Work, recordings: Sequence[str]) -> int:
    """Take back all that commands did to put `recordings` elsewhere. Raises: UsageError."""
    from tasks.processing.corrections import find_groupings, write_grouping

    found = find_groupings(work.session.home, recordings)
    if not found:
        raise UsageError("nothing was joined or moved there; nothing was done")
    versions = [
        write_grouping(one.workout or one.name, start_utc=one.start_utc, written=datetime.now(UTC))
        for one in found
    ]
    work.console.print(f"taken back: {', '.join(one.workout or one.name for one in found)}")
    return take_notes(work, *versions)


def take_notes(work: Work, *notes: tuple[str, str]) -> int:
    """Archive notes, name and text of each, and measure again what they touch.

    Killed before they are archived nothing has changed; after that, the next run goes on.
    """
    scratch = work.session.home.state / "expanding" / uuid.uuid4().hex
    scratch.mkdir(mode=0o700, parents=True)

    def show(report: DropReport) -> int:
        from flows.console.run_summary import report_problems, show_new_rows

        code = report_problems(report.outcomes, report.workout_run)
        show_new_rows(report.workout_run, console=work.console, home=work.session.home)
        return code

    try:
        files = []
        for name, text in notes:
            path = scratch / name
            path.write_text(text, encoding="utf-8")
            files.append(Dropped(path, name))
        return work.take(files, move=False, show=show)
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
