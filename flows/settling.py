"""The second half of every flow: pair, measure, append, publish, under the lock of the home."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

from flows import terminal
from flows.locks import hold_run_lock
from flows.report import refresh_report
from flows.spread import run_all
from tasks import steps
from tasks.core.provenance import begin_run

if TYPE_CHECKING:
    from collections.abc import Sequence

    from config.home import Home
    from config.settings import Settings
    from flows.journal import Stages
    from tasks.settle import Summary, WorkoutOutcome

#: Number of workouts in one run from which they are spread over workers.
SPREAD_WORKOUTS: Final = 12


@dataclass(frozen=True)
class Settled:
    """What a run settled.

    `failed` holds one line for each workout that could not be measured; `unchanged` counts those
    that nothing has changed for.
    """

    summary: Summary
    unchanged: int
    failed: tuple[str, ...]
    complaints: tuple[str, ...]


def settle_home(
    home: Home, settings: Settings, *, flow_name: str, stages: Stages, everything: bool = False
) -> Settled:
    """Pair, measure, append, publish and show what something has changed for.

    Call it inside a flow. Raises: StoreBusyError when another run holds the home for too long.
    """
    purpose = f"coworn {flow_name}"
    with contextlib.ExitStack() as held:
        with stages.time("wait"):
            held.enter_context(
                hold_run_lock(home, wait_s=settings.run.lock_wait_s, purpose=purpose)
            )
        settled = settle_locked(
            home, settings, flow_name=flow_name, stages=stages, everything=everything
        )
        catch_up = flow_name == "nightly"
        complaints = show_settled(home, settings, stages=stages, catch_up=catch_up)
    return replace(settled, complaints=(*settled.complaints, *complaints))


def show_settled(
    home: Home, settings: Settings, *, stages: Stages, catch_up: bool = False
) -> tuple[str, ...]:
    """Publish what was appended and bring the report up to date; give complaints, one line each."""
    with stages.time("publish"):
        steps.publish_results(home, settings, wait_s=settings.run.lock_wait_s)
    with stages.time("report"):
        return refresh_report(home, settings, catch_up=catch_up)


def settle_locked(
    home: Home, settings: Settings, *, flow_name: str, stages: Stages, everything: bool = False
) -> Settled:
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
    return Settled(
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
    results = run_all(
        steps.measure_workout,
        [{"planned": one, "home": home, "settings": settings} for one in planned],
        settings=settings,
        spread=len(planned) >= SPREAD_WORKOUTS,
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
