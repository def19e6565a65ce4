"""Each stage as a step: a task of Prefect inside a flow run, else a plain call.

No arithmetic, no parsing. Prefect is imported with the first task, so that commands that report to
no server never load it. Nothing is cached: what was done is known from ledger, lake and store, and
a cache returns what was true once. Retries are for locks and disks only; a file that cannot be read
is not read better the second time.
"""

from __future__ import annotations

import errno
import functools
import random
import sqlite3
import sys
import time
from dataclasses import dataclass
from functools import cache, partial
from typing import TYPE_CHECKING, Any, Final, Generic, ParamSpec, TypeVar

import duckdb

from tasks import guard, processing, report, store
from tasks.archive import lake, originals
from tasks.core.errors import StoreBusyError
from tasks.ingest import by_notes, exports, layouts

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from prefect import Task
    from prefect.client.schemas.objects import State, TaskRun

    from config.home import Home
    from config.settings import Settings

P = ParamSpec("P")
R = TypeVar("R")

#: How often a step is tried again after a passing error, and the first pause before that [s]; each
#: pause is twice as long as the one before, and up to half as long again.
RETRIES: Final = 3
_FIRST_PAUSE_S: Final = 0.2
_JITTER: Final = 0.5
#: What becomes of files, what a person must hear first.
_WORST_FIRST: Final = ("failed", "refused", "changing", "partial", "duplicate", "stored")

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


@dataclass(frozen=True)
class Step(Generic[P, R]):
    """One stage: `function`, and the `name` of its task; `run_name` has its arguments in braces.

    `tell` returns the name and the message of the state in which the task ends, from what it gave;
    None where it just completed.
    """

    function: Callable[P, R]
    name: str
    run_name: str | None = None
    tell: Callable[[R], tuple[str, str] | None] | None = None

    def __call__(self, *args: P.args, **kwargs: P.kwargs) -> R:
        """Do it, as a task where a flow run is under way."""
        if is_in_flow_run():
            # A task that returns a state hands on the state; its result is asked for.
            state: State[R] = self.as_task()(*args, **kwargs, return_state=True)
            return state.result()
        return _try_again(partial(self.function, *args, **kwargs))

    def as_task(self) -> Task[P, R]:
        """Return Prefect's task of this step, always the same one."""
        task: Task[P, R] = _make_task(self)
        return task


def is_in_flow_run() -> bool:
    """Say whether the caller runs inside a flow run of Prefect."""
    context = sys.modules.get("prefect.context")
    return context is not None and context.FlowRunContext.get() is not None


def _try_again(call: Callable[[], R]) -> R:
    pause_s = _FIRST_PAUSE_S
    for _ in range(RETRIES):
        try:
            return call()
        except Exception as error:
            if not is_passing(error):
                raise
        time.sleep(pause_s * (1.0 + _JITTER * random.random()))  # noqa: S311 - no secret
        pause_s *= 2.0
    return call()


@cache
def _make_task(step: Step[Any, Any]) -> Any:  # noqa: ANN401 - Prefect is imported late
    from prefect import task
    from prefect.cache_policies import NO_CACHE
    from prefect.tasks import exponential_backoff

    make = task(
        name=step.name,
        task_run_name=step.run_name,
        cache_policy=NO_CACHE,
        persist_result=False,
        retries=RETRIES,
        retry_delay_seconds=exponential_backoff(backoff_factor=_FIRST_PAUSE_S),
        retry_jitter_factor=_JITTER,
        retry_condition_fn=_may_retry,
        tags={"coworn"},
    )
    return make(step.function if step.tell is None else _end_telling(step))


def _end_telling(step: Step[Any, Any]) -> Callable[..., Any]:
    """Return the step's function, which ends in a state that says what came of it."""

    @functools.wraps(step.function)
    def call(*args: object, **kwargs: object) -> Any:  # noqa: ANN401 - the step's, or a state with it
        from prefect.states import Completed

        result = step.function(*args, **kwargs)
        outcome = None if step.tell is None else step.tell(result)
        if outcome is None:
            return result
        return Completed(name=outcome[0], message=outcome[1], data=result)

    return call


def _may_retry(_task: object, _run: TaskRun, state: State[Any]) -> bool:
    return is_passing(state.result(raise_on_failure=False))


def _tell_files(outcomes: Iterable[exports.FileOutcome]) -> tuple[str, str] | None:
    """Return how a file's task ended: by its worst file, where that is one to report."""
    problems = [one for one in outcomes if one.status != "stored"]
    if not problems:
        return None
    worst = min(problems, key=lambda one: _WORST_FIRST.index(one.status))
    reason = worst.reason or "no reason is known"
    return worst.status.capitalize(), f"{worst.name}: {reason}"


def _tell_batch(outcomes: Iterable[Iterable[exports.FileOutcome]]) -> tuple[str, str] | None:
    """Return how the task of several files ended: with how many that are to be reported."""
    problems = [one for of_file in outcomes for one in of_file if one.is_problem]
    return ("Partial", f"{len(problems)} refused or failed") if problems else None


ingest_file = Step(exports.ingest_file, "ingest-file", "ingest {file.name}", _tell_files)
ingest_batch = Step(exports.ingest_batch, "ingest-batch", tell=_tell_batch)
finish_file = Step(exports.finish_file, "finish-file", "finish {known.name}", _tell_files)
decide_by_notes = Step(by_notes.decide_again, "decide-by-notes")
reopen_by_layouts = Step(layouts.reopen_by_layouts, "reopen-by-layouts")
clear_lake = Step(by_notes.clear_lake, "clear-lake")
prepare = Step(processing.prepare, "pair-recordings")
measure_workout = Step(
    processing.measure_planned, "measure-workout", "measure {planned.workout_id}"
)
append_results = Step(processing.commit, "append-results")
finish_settling = Step(processing.finish, "write-ledger")
publish_results = Step(store.publish, "publish-results")
back_up = Step(store.backup, "back-up")
sweep_lake = Step(lake.sweep, "sweep-lake")
sweep_intake = Step(originals.sweep, "sweep-intake")


def _write_report(home: Home, settings: Settings, *, catch_up: bool = False) -> report.Report:
    """Write what changed of the home's report, from the newest published copy.

    To `catch_up` means to write the figures that earlier runs left out.
    """
    connection = store.connect_for_reading(home, statement="")
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
            show_lake=partial(store.show_lake, connection, home.lake),
            courses=partial(guard.load_line_isolated, courses=home.courses, settings=settings.read),
            outlines=guard.load_outlines_isolated(home.outlines, settings=settings.read),
        )
    finally:
        connection.close()


write_report = Step(_write_report, "write-report")
