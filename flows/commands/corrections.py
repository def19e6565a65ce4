"""Takes in the notes that a command writes, as if a person had dropped them."""

from __future__ import annotations

import shutil
import uuid
from typing import TYPE_CHECKING

from tasks.ingest.exports import Dropped

if TYPE_CHECKING:
    from flows.commands.opening import Work
    from flows.run_reports import DropReport


def take_notes(work: Work, name: str, text: str) -> int:
    """Archive the notes `text` under `name` and measure again what they touch.

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
        path = scratch / name
        path.write_text(text, encoding="utf-8")
        return work.take([Dropped(path, name)], move=False, show=show)
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
