"""Each stage as a Prefect task: its name, its retries, its tags. No arithmetic, no parsing.

Nothing is cached: what was done is known from ledger, lake and store, and a cache gives what was
returned once, not what is true. Retries are for locks and disks only; a file that cannot be read
is not read better the second time.
"""

from __future__ import annotations

import errno
import sqlite3
from functools import partial
from typing import TYPE_CHECKING, Any, Final

import duckdb
from prefect import task
from prefect.artifacts import create_table_artifact
from prefect.cache_policies import NO_CACHE
from prefect.tasks import exponential_backoff

from tasks import guard, processing, report, store
from tasks.archive import lake, originals
from tasks.core.errors import StoreBusyError
from tasks.ingest import exports, layouts, local_times

if TYPE_CHECKING:
    from collections.abc import Callable

    from prefect.client.schemas.objects import State, TaskRun

    from config.home import Home
    from config.settings import Settings

#: Errors of a disk, a network drive or a lock that may be gone a moment later. A full disk is none.
PASSING_ERRORS: Final = frozenset(
    {
        errno.EAGAIN,
        errno.EBUSY,
        errno.EIO,
        errno.EINTR,
        errno.ETIMEDOUT,
        errno.ESTALE,
        errno.ENOLCK,
        errno.EDEADLK,
        errno.ENETDOWN,
        errno.ENETUNREACH,
        errno.EHOSTDOWN,
        errno.ETXTBSY,
        errno.EMFILE,
        errno.ENFILE,
    }
)


def is_passing(error: object) -> bool:
    """Say whether trying again may help: a lock, or a disk that does not answer."""
    if isinstance(error, StoreBusyError):
        return True
    if isinstance(error, sqlite3.OperationalError):
        return "locked" in str(error) or "busy" in str(error)
    if isinstance(error, duckdb.IOException):
        return "lock" in str(error)
    return isinstance(error, OSError) and error.errno in PASSING_ERRORS


def _may_retry(_task: object, _run: TaskRun, state: State[Any]) -> bool:
    return is_passing(state.result(raise_on_failure=False))


def _make(name: str, run_name: str | None = None) -> Callable[[Callable[..., Any]], Any]:
    return task(
        name=name,
        task_run_name=run_name,
        cache_policy=NO_CACHE,
        persist_result=False,
        retries=3,
        retry_delay_seconds=exponential_backoff(backoff_factor=0.2),
        retry_jitter_factor=0.5,
        retry_condition_fn=_may_retry,
        tags={"coworn"},
    )


ingest_file = _make("ingest-file", "ingest {file.name}")(exports.ingest_file)
ingest_batch = _make("ingest-batch")(exports.ingest_batch)
finish_file = _make("finish-file", "finish {known.name}")(exports.finish_file)
decide_by_notes = _make("decide-by-notes")(local_times.decide_again)
reopen_by_layouts = _make("reopen-by-layouts")(layouts.reopen_by_layouts)
clear_lake = _make("clear-lake")(local_times.clear_lake)
prepare = _make("pair-recordings")(processing.prepare)
measure_workout = _make("measure-workout", "measure {planned.workout_id}")(
    processing.measure_planned
)
append_results = _make("append-results")(processing.commit)
finish_settling = _make("write-ledger")(processing.finish)
publish_results = _make("publish-results")(store.publish)
back_up = _make("back-up")(store.backup)
sweep_lake = _make("sweep-lake")(lake.sweep)
sweep_intake = _make("sweep-intake")(originals.sweep)


def _write_report(home: Home, settings: Settings, *, catch_up: bool = False) -> report.Report:
    """Write what changed of the home's report, from the newest published copy.

    To `catch_up` means to write the figures that earlier runs left out.
    """
    connection = store.connect_for_reading(home)
    try:
        return report.write_report(
            connection,
            home.report,
            settings=settings,
            waiting=report.list_waiting(home.inbox),
            most_figures=(
                settings.report.figures_per_night if catch_up else settings.report.figures_per_run
            ),
            catch_up=catch_up,
            courses=partial(guard.load_line_isolated, courses=home.courses, settings=settings.read),
        )
    finally:
        connection.close()


write_report = _make("write-report")(_write_report)


def show_table(key: str, rows: list[dict[str, Any]], *, description: str) -> None:
    """Put a table into Prefect's pages, beside the run that calls it."""
    create_table_artifact(key=key, table=rows, description=description)
