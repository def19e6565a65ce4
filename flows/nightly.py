"""The flow of a night: what was missed, came late or is outdated, then a backup and a sweep."""

from __future__ import annotations

import contextlib
import logging
import shutil
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path  # noqa: TC003 - Prefect resolves the annotations at run time
from typing import TYPE_CHECKING, Final

from prefect import flow

from flows.artifacts import show_artifact
from flows.complete_files import list_complete_files
from flows.console.run_summary import log_run
from flows.engine.prefect_server import RUN_TAG, find_api_url
from flows.process_workouts import process_workouts
from flows.read_files import finish_by_layouts, finish_by_notes, finish_files, mark_refused, take_in
from flows.run_reports import DropReport, NightlyReport, Stages
from flows.session.home import open_home
from flows.session.locks import is_watched
from flows.session.log import begin_log, set_aside_logs
from tasks import steps
from tasks.archive.ledger import LAST_NIGHTLY, Ledger
from tasks.core.folders import find_hint
from tasks.ingest.exports import Dropped, FileOutcome, list_unfinished

if TYPE_CHECKING:
    from config.home import Home
    from config.settings import Settings

LOG: Final = logging.getLogger(__name__)

#: A run that is still "running" after this time was killed: nothing takes so long.
DEAD_RUN_AFTER: Final = timedelta(hours=24)
#: Prefect's own record of a run is kept for this time on the embedded server; ours stays.
KEEP_RUNS_FOR: Final = timedelta(days=30)
#: Scratch folders older than this were left behind by a killed run [s].
DEAD_SCRATCH_AFTER_S: Final = 24 * 3600.0


@flow(name="nightly", persist_result=False)
def nightly(home: Path | None = None) -> NightlyReport:
    """Do what was missed, settle everything that changed, back up, sweep."""
    begun = datetime.now(UTC)
    opened = open_home(home)
    place, settings = opened.home, opened.settings
    begin_log(place)
    stages = Stages()
    with stages.time("read"):
        outcomes = [
            # What an interrupted run began, and what is missing in the lake.
            *finish_files(list_unfinished(place), home=place, settings=settings),
            *finish_by_layouts(place, settings),
            *_take_inbox(place, settings),
        ]
        outcomes = finish_by_notes(outcomes, home=place, settings=settings)
    workout_run = process_workouts(
        place, settings, flow_name="nightly", stages=stages, everything=True
    )
    with stages.time("back up"):
        backup = steps.back_up(place, settings, now=begun)
    _sweep(place)
    outcomes = mark_refused(outcomes, workout_run.summary.refused)
    log_run("nightly", outcomes, workout_run, stages)
    with Ledger(place) as ledger:
        ledger.remember(LAST_NIGHTLY, begun.isoformat())
    show_artifact(DropReport(tuple(outcomes), workout_run), home=place)
    if find_api_url() is None:
        forget_old_runs(begun)
    return NightlyReport(tuple(outcomes), workout_run, backup.store, _close_dead_runs(begun))


def _take_inbox(home: Home, settings: Settings) -> list[FileOutcome]:
    """Take what lies in the inbox, unless a watcher does."""
    if is_watched(home):
        return []
    files = [
        Dropped(path, path.name, find_hint(path, home.inbox))
        for path in list_complete_files(home.inbox, settings.inbox)
    ]
    return take_in(files, home=home, settings=settings, move=True)


def _sweep(home: Home) -> None:
    """Remove what killed runs left behind; set large logs aside."""
    set_aside_logs(home)
    steps.sweep_lake(home.lake)
    if not is_watched(home):
        steps.sweep_intake(home)
    expanding = home.state / "expanding"
    if expanding.is_dir():
        for folder in expanding.iterdir():
            with contextlib.suppress(OSError):
                if time.time() - folder.stat().st_mtime > DEAD_SCRATCH_AFTER_S:
                    shutil.rmtree(folder, ignore_errors=True)


def _close_dead_runs(now: datetime) -> int:
    """Close runs of ours that the server still takes for running; give how many there were."""
    from prefect.client.orchestration import get_client
    from prefect.client.schemas.filters import (
        FlowRunFilter,
        FlowRunFilterStartTime,
        FlowRunFilterState,
        FlowRunFilterStateType,
        FlowRunFilterTags,
    )
    from prefect.client.schemas.objects import StateType
    from prefect.states import Crashed

    which = FlowRunFilter(
        state=FlowRunFilterState(type=FlowRunFilterStateType(any_=[StateType.RUNNING])),
        start_time=FlowRunFilterStartTime.model_validate({"before_": now - DEAD_RUN_AFTER}),
        tags=FlowRunFilterTags(all_=[RUN_TAG]),
    )
    try:
        with get_client(sync_client=True) as client:
            dead = client.read_flow_runs(flow_run_filter=which)
            for run in dead:
                client.set_flow_run_state(
                    run.id, Crashed(message="its process is gone"), force=True
                )
    except Exception:  # tidying the server's pages; the work is done
        LOG.warning("dead runs could not be closed on the server", exc_info=True)
        return 0
    return len(dead)


def forget_old_runs(now: datetime, *, keep_for: timedelta = KEEP_RUNS_FOR) -> int:
    """Delete what the embedded server keeps of runs that ended long ago; give how many there were.

    Nobody else does: its service for that runs in a server of its own only.
    """
    from prefect.client.orchestration import get_client
    from prefect.client.schemas.filters import (
        FlowRunFilter,
        FlowRunFilterEndTime,
        FlowRunFilterTags,
    )

    which = FlowRunFilter(
        end_time=FlowRunFilterEndTime.model_validate({"before_": now - keep_for}),
        tags=FlowRunFilterTags(all_=[RUN_TAG]),
    )
    n_forgotten = 0
    try:
        with get_client(sync_client=True) as client:
            while runs := client.read_flow_runs(flow_run_filter=which):
                for run in runs:
                    client.delete_flow_run(run.id)
                n_forgotten += len(runs)
    except Exception:  # tidying; the work is done
        LOG.warning("old runs could not be deleted on the server", exc_info=True)
    return n_forgotten
