"""The second half of every flow: pair, measure, append, publish, under the lock of the home."""

from __future__ import annotations

import contextlib
import logging
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from flows.console import terminal
from flows.engine.task_runner import map_task
from flows.run_reports import WorkoutRun
from flows.session.locks import hold_run_lock
from tasks import steps
from tasks.core.provenance import begin_run

if TYPE_CHECKING:
    from collections.abc import Sequence

    from config.home import Home
    from config.settings import Settings
    from flows.run_reports import Stages
    from tasks.processing import WorkoutOutcome

LOG: Final = logging.getLogger(__name__)
#: Number of workouts in one run from which they are spread over workers.
PARALLEL_WORKOUTS: Final = 12


def process_workouts(
    home: Home, settings: Settings, *, flow_name: str, stages: Stages, everything: bool = False
) -> WorkoutRun:
    """Pair, measure, append, publish and show what something has changed for.

    Call it inside a flow. Raises: StoreBusyError when another run holds the home for too long.
    """
    purpose = f"coworn {flow_name}"
    with contextlib.ExitStack() as held:
        with stages.time("wait"):
            held.enter_context(
                hold_run_lock(home, wait_s=settings.run.lock_wait_s, purpose=purpose)
            )
        workout_run = process_locked(
            home, settings, flow_name=flow_name, stages=stages, everything=everything
        )
        catch_up = flow_name == "nightly"
        complaints = publish_and_report(home, settings, stages=stages, catch_up=catch_up)
    return replace(workout_run, complaints=(*workout_run.complaints, *complaints))


def publish_and_report(
    home: Home, settings: Settings, *, stages: Stages, catch_up: bool = False
) -> tuple[str, ...]:
    """Publish what was appended and bring the report up to date; give complaints, one line each."""
    with stages.time("publish"):
        steps.publish_results(home, settings, wait_s=settings.run.lock_wait_s)
    with stages.time("report"):
        return refresh_report(home, settings, catch_up=catch_up)


def refresh_report(home: Home, settings: Settings, *, catch_up: bool = False) -> tuple[str, ...]:
    """Bring the report up to date at the end of a flow; give complaints, one line each.

    To `catch_up` means to write the figures that earlier runs left out.
    What was measured is stored already: a page that cannot be written fails nothing.
    """
    try:
        steps.write_report(home, settings, catch_up=catch_up)
    except Exception as error:  # the results are safe
        LOG.warning("the report could not be written", exc_info=True)
        told = (
            f"the report could not be written ({type(error).__name__}: {error}); the results are "
            "stored, and coworn report tries it again"
        )
        return (told,)
    return ()


def process_locked(
    home: Home, settings: Settings, *, flow_name: str, stages: Stages, everything: bool = False
) -> WorkoutRun:
    """Pair, measure and append while the caller holds the lock of the home."""
    run = begin_run(flow_name, settings_hash=settings.hash_of_values)
    with stages.time("pair"):
        prepared = steps.prepare(home, settings, everything=everything)
    with stages.time("measure"):
        outcomes, failed = _measure(prepared.plan.workouts, home=home, settings=settings)
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


def _measure(
    planned: Sequence[Any], *, home: Home, settings: Settings
) -> tuple[list[WorkoutOutcome], list[str]]:
    """Measure every planned workout; one that fails is told and does not stop the others."""
    outcomes: list[WorkoutOutcome] = []
    failed: list[str] = []
    results = map_task(
        steps.measure_workout,
        [{"planned": one, "home": home, "settings": settings} for one in planned],
        settings=settings,
        spread=len(planned) >= PARALLEL_WORKOUTS,
    )
    for number, (one, result) in enumerate(zip(planned, results, strict=True), start=1):
        terminal.report_progress(number, len(planned), "measuring")
        if isinstance(result, BaseException):
            failed.append(
                f"workout {one.workout_id} could not be measured "
                f"({type(result).__name__}: {result}); its recordings are kept and it is tried "
                "again with the next run"
            )
        else:
            outcomes.append(result)
    return outcomes, failed
