"""Events of Prefect's that say what a run did, for automations to react to.

They name files, workouts and questions. They hold no position, no heart rate and no value measured,
nor words out of a file: a server may pass them on.
"""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING, Any, Final

from tasks.core.provenance import find_version
from tasks.store import connect_for_reading
from tasks.verdicts.changes import read_changes

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from config.home import Home
    from flows.run_reports import WorkoutRun
    from tasks.ingest.exports import FileOutcome

LOG: Final = logging.getLogger(__name__)

FILE_REFUSED: Final = "coworn.file.refused"
WORKOUT_MEASURED: Final = "coworn.workout.measured"
VERDICT_CHANGED: Final = "coworn.verdict.changed"
#: Events of one run at the most.
_MOST_EVENTS: Final = 500


def emit_events(outcomes: Sequence[FileOutcome], workout_run: WorkoutRun, *, home: Home) -> None:
    """Tell the server of refused files, measured workouts and changed verdicts.

    A server that does not take them changes nothing.
    """
    from prefect.events import emit_event

    try:
        made = [
            *_list_refused(outcomes),
            *_list_measured(workout_run),
            *_list_changed(workout_run, home),
        ]
        for event, resource_id, name, payload in made[:_MOST_EVENTS]:
            emit_event(
                event=event,
                resource={
                    "prefect.resource.id": resource_id,
                    "prefect.resource.name": name,
                },
                payload={**payload, "coworn_version": find_version()},
            )
    except Exception:  # news for the server; the work is done
        LOG.warning("the server took no events of this run", exc_info=True)


_Event = tuple[str, str, str, dict[str, Any]]


def _list_refused(outcomes: Sequence[FileOutcome]) -> Iterator[_Event]:
    for one in outcomes:
        if one.status == "refused":
            payload = {"file": one.name, "format": one.format, "inside": one.inside}
            yield FILE_REFUSED, f"coworn.file.{one.file_id[:16] or one.name}", one.name, payload


def _list_measured(workout_run: WorkoutRun) -> Iterator[_Event]:
    for one in workout_run.summary.workouts:
        if one.is_new:
            payload = {
                "workout": one.workout_id,
                "results": one.n_results,
                "findings": one.n_findings,
            }
            yield WORKOUT_MEASURED, f"coworn.workout.{one.workout_id}", one.workout_id, payload


def _list_changed(workout_run: WorkoutRun, home: Home) -> Iterator[_Event]:
    run_id = workout_run.summary.run_id
    if run_id is None:
        return
    connection = connect_for_reading(home, statement="")
    try:
        changes = read_changes(connection, run_id)
    finally:
        connection.close()
    for one in changes:
        name = f"{one['device']} against {one['against']}: {one['metric']}"
        parts = (one["device"], one["against"], one["metric"], one["activity"], one["place"])
        resource_id = "coworn.verdict." + ".".join(str(part or "all") for part in parts)
        yield VERDICT_CHANGED, resource_id, name, one
