"""What a run shows on Prefect's pages: tables, the answers, where its pages lie, its progress."""

from __future__ import annotations

import contextlib
import logging
import time
from typing import TYPE_CHECKING, Any, Final, cast

from prefect.artifacts import (
    create_link_artifact,
    create_markdown_artifact,
    create_progress_artifact,
    create_table_artifact,
    update_progress_artifact,
)

from flows.console import terminal
from tasks import steps

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from uuid import UUID

    from config.session import Session
    from config.settings import RunSettings
    from flows.run_reports import DropReport

LOG: Final = logging.getLogger(__name__)
#: Rows that a table in Prefect's pages has at the most.
MAX_ARTIFACT_ROWS: Final = 500
#: Progress is reported to the server no more often than this [s].
_PROGRESS_EVERY_S: Final = 2.0
_WHOLE: Final = 100.0


def show_artifact(report: DropReport, *, session: Session) -> None:
    """Show files, main results, answers and the way to the pages beside the run.

    A server that does not take them changes nothing.
    """
    touched = [one.workout_id for one in report.workout_run.summary.workouts if one.is_new]
    try:
        _show_files(report)
        if touched:
            _show_results(session, touched)
            _show_answers(session)
        _show_page(session, touched)
    except Exception:  # a picture for the server; the work is done
        LOG.warning("the server took no table of this run", exc_info=True)


@contextlib.contextmanager
def show_progress(key: str, *, n_files: int | None, settings: RunSettings) -> Iterator[None]:
    """Show the progress of a backfill beside the run; a drop of a few files has none.

    `n_files` is None where it is not known beforehand.
    """
    if n_files is not None and n_files < settings.backfill_files:
        yield
        return
    teller = _Progress(f"coworn-{key}-progress")
    with terminal.listen_to_progress(teller.tell):
        yield


class _Progress:
    """Progress as the server shows it, of what takes a while."""

    def __init__(self, key: str) -> None:
        self._key = key
        self._shown: dict[str, UUID] = {}
        self._told_s = time.monotonic()

    def tell(self, done: int, total: int, what: str) -> None:
        """Tell the server, now and then and at the end of each stage."""
        now_s = time.monotonic()
        is_end = done >= total and what in self._shown
        if not steps.is_in_flow_run() or (now_s - self._told_s < _PROGRESS_EVERY_S and not is_end):
            return
        self._told_s = now_s
        share = _WHOLE * done / max(total, 1)
        try:
            if what in self._shown:
                update_progress_artifact(self._shown[what], progress=share)
            else:
                self._shown[what] = cast(
                    "UUID",
                    create_progress_artifact(
                        progress=share,
                        key=f"{self._key}-{what.replace(' ', '-')}",
                        description=f"{what}, {total} in all",
                    ),
                )
        except Exception:  # a picture for the server
            LOG.warning("the server took no progress of this run", exc_info=True)


def _show_files(report: DropReport) -> None:
    rows = [
        {"file": outcome.name, "status": outcome.status, "reason": outcome.reason or ""}
        for outcome in report.outcomes
    ]
    _show_table("coworn-drop-files", rows, description="Files of the drop")


def _show_results(session: Session, touched: Sequence[str]) -> None:
    from flows.console.results_table import read_main_rows

    rows = read_main_rows(session.home, workout_ids=touched)
    _show_table(
        "coworn-drop-results",
        [row.as_dictionary() for row in rows],
        description="Results of the workouts that the drop touched",
    )


def _show_answers(session: Session) -> None:
    """Show what may be written of the devices under test, as it is now."""
    from tasks.answers import answer_all, read_answer_facts
    from tasks.answers.text import write_markdown
    from tasks.store import connect_for_reading

    connection = connect_for_reading(session.home, statement="")
    try:
        facts = read_answer_facts(connection, session.settings)
    finally:
        connection.close()
    if found := answer_all(facts, units=session.settings.report.units):
        create_markdown_artifact(
            write_markdown(found), key="coworn-answers", description="What may be written"
        )


def _show_page(session: Session, touched: Sequence[str]) -> None:
    """Show where the pages lie; a browser opens files only from its own address line."""
    report = session.home.report
    page = report / "workouts" / f"{touched[0]}.html" if len(touched) == 1 else None
    if page is None or not page.is_file():
        page = report / "index.html"
    if page.is_file():
        create_link_artifact(
            key="coworn-page",
            link=page.absolute().as_uri(),
            link_text=str(page.absolute()),
            description="The page, on the machine that ran this; copy it into the address line",
        )


def _show_table(key: str, rows: Sequence[dict[str, Any]], *, description: str) -> None:
    shown = [
        {
            name: terminal.write_as_markdown(cell) if isinstance(cell, str) else cell
            for name, cell in row.items()
        }
        for row in rows[:MAX_ARTIFACT_ROWS]
    ]
    create_table_artifact(key=key, table=shown, description=description)
