"""How a run of Prefect is called, and the state in which it ends, which says what came of it."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any, Final

from flows.console.run_summary import count_outcomes, describe_workouts
from flows.engine.cancelling import is_cancelled
from tasks.core.wording import count

if TYPE_CHECKING:
    from flows.run_reports import DropReport, NightlyReport, RebuildReport

#: Names of states of the type Completed, beside Prefect's own.
PARTIAL: Final = "Partial"
REFUSED: Final = "Refused"
SKIPPED: Final = "Skipped"


def name_run(kind: str) -> str:
    """Return e.g. "nightly-20260502T010000", by the time for which the run was planned."""
    from prefect.runtime import flow_run

    return f"{kind}-{flow_run.scheduled_start_time:%Y%m%dT%H%M%S}"


def end_run(report: DropReport | NightlyReport | RebuildReport) -> Any:  # noqa: ANN401 - the flow's result, in a state
    """Return the state in which a run ends that gave `report`.

    Completed when all went well; "Refused" when every file was refused; "Partial" when some were,
    or when a file, a workout or the pages failed; Cancelled when somebody cancelled it.
    """
    from prefect.states import Cancelled, Completed

    message = _describe(report)
    if is_cancelled():
        return Cancelled(message=f"stopped between workouts: {message}", data=report)
    return Completed(name=_name_end(report), message=message, data=report)


def skip_run(message: str) -> Any:  # noqa: ANN401 - see above
    """Return the state of a run that had nothing to do."""
    from prefect.states import Completed

    return Completed(name=SKIPPED, message=message, data=None)


def _name_end(report: DropReport | NightlyReport | RebuildReport) -> str | None:
    counts: Counter[str] = Counter(outcome.status for outcome in report.outcomes)
    if report.outcomes and counts["refused"] == len(report.outcomes):
        return REFUSED
    run = report.workout_run
    if counts["refused"] or counts["failed"] or counts["changing"]:
        return PARTIAL
    return PARTIAL if run.failed or run.complaints or report.page_complaints else None


def _describe(report: DropReport | NightlyReport | RebuildReport) -> str:
    run = report.workout_run
    parts = [count_outcomes(report.outcomes), describe_workouts(run)]
    if run.failed:
        parts.append(f"{count(len(run.failed), 'workout')} not measured")
    parts += [f"{count(len(run.complaints), 'complaint')}"] if run.complaints else []
    return "; ".join(parts)
