"""The second half of every run: pair, measure, append, publish, under the lock of the home."""

from __future__ import annotations

import contextlib
import logging
from typing import TYPE_CHECKING, Any, Final

from flows.console import terminal
from flows.engine.cancelling import RunCancelledError
from flows.engine.task_runner import map_task
from flows.run_reports import WorkoutRun
from flows.runs.settled import forget_settled
from flows.session.locks import hold_report_lock, hold_run_lock
from tasks import steps
from tasks.core.provenance import begin_run

if TYPE_CHECKING:
    from collections.abc import Sequence

    from config.session import Session
    from flows.run_reports import Stages
    from tasks.processing import WorkoutOutcome

LOG: Final = logging.getLogger(__name__)
#: Number of workouts in one run from which they are spread over workers.
PARALLEL_WORKOUTS: Final = 12


def process_workouts(
    session: Session, *, flow_name: str, stages: Stages, everything: bool = False
) -> WorkoutRun:
    """Pair, measure, append and publish what something has changed for.

    Raises: StoreBusyError when another run holds the home for too long.
    """
    with contextlib.ExitStack() as held:
        with stages.time("wait"):
            held.enter_context(
                hold_run_lock(
                    session.home,
                    wait_s=session.settings.run.lock_wait_s,
                    purpose=f"coworn {flow_name}",
                )
            )
        workout_run = process_locked(
            session, flow_name=flow_name, stages=stages, everything=everything
        )
        publish_results(session, stages=stages)
    return workout_run


def publish_results(session: Session, *, stages: Stages) -> None:
    """Publish what was appended."""
    with stages.time("publish"):
        settings = session.settings
        steps.publish_results(session.home, settings, wait_s=settings.run.lock_wait_s)


def refresh_report(session: Session, *, stages: Stages, catch_up: bool = False) -> tuple[str, ...]:
    """Bring the pages up to date at the end of a run; return complaints, one line each.

    To `catch_up` means to write the figures that earlier runs left out. It needs no lock of the
    home: pages are made from the published copy, by one process at a time.
    What was measured is stored already: a page that cannot be written fails nothing.
    """
    wait_s = session.settings.run.lock_wait_s
    try:
        with stages.time("report"), hold_report_lock(session.home, wait_s=wait_s):
            written = steps.write_report(session.home, session.settings, catch_up=catch_up)
    except Exception as error:  # the results are safe
        LOG.warning("the report could not be written", exc_info=True)
        complaint = (
            f"the report could not be written ({type(error).__name__}: {error}); the results are "
            "stored, and coworn report tries it again"
        )
        return (complaint,)
    return written.complaints


def process_locked(
    session: Session, *, flow_name: str, stages: Stages, everything: bool = False
) -> WorkoutRun:
    """Pair, measure and append while the caller holds the lock of the home."""
    home, settings = session.home, session.settings
    forget_settled(home)
    run = begin_run(flow_name, settings_hash=settings.hash_of_values)
    with stages.time("pair"):
        prepared = steps.prepare(home, settings, everything=everything)
    with stages.time("measure"):
        outcomes, failed = _measure(prepared.plan.workouts, session=session)
    with stages.time("append"):
        summary = steps.append_results(
            prepared,
            outcomes,
            run=run,
            home=home,
            settings=settings,
            wait_s=settings.run.lock_wait_s,
        )
        steps.finish_settling(prepared, outcomes, home=home)
    return WorkoutRun(
        summary=summary,
        unchanged=len(prepared.plan.unchanged),
        failed=tuple(failed),
        complaints=summary.complaints,
    )


def _measure(planned: Sequence[Any], *, session: Session) -> tuple[list[WorkoutOutcome], list[str]]:
    """Measure every planned workout; one that fails is named and does not stop the others."""
    outcomes: list[WorkoutOutcome] = []
    failed: list[str] = []
    results = map_task(
        steps.measure_workout,
        [{"planned": one, "home": session.home, "settings": session.settings} for one in planned],
        session=session,
        spread=len(planned) >= PARALLEL_WORKOUTS,
    )
    for number, (one, result) in enumerate(zip(planned, results, strict=True), start=1):
        terminal.report_progress(number, len(planned), "measuring")
        if isinstance(result, RunCancelledError):
            failed.append(
                f"workout {one.workout_id} was not measured: the run was cancelled; the next run "
                "does it"
            )
        elif isinstance(result, BaseException):
            failed.append(
                f"workout {one.workout_id} could not be measured "
                f"({type(result).__name__}: {result}); its recordings are kept and it is tried "
                "again with the next run"
            )
        else:
            outcomes.append(result)
    return outcomes, failed
