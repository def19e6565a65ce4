"""Prefect's record of runs, tidied by the nightly flow: dead runs closed, old ones deleted."""

from __future__ import annotations

import logging
from datetime import datetime, timedelta
from typing import Final

from flows.engine.environment import RUN_TAG

LOG: Final = logging.getLogger(__name__)

#: A run that is still "running" after this time was killed: nothing takes so long.
DEAD_RUN_AFTER: Final = timedelta(hours=24)
#: Prefect's own record of a run is kept for this time on the embedded server; ours stays.
KEEP_RUNS_FOR: Final = timedelta(days=30)


def close_dead_runs(now: datetime) -> int:
    """Close runs of ours that the server still takes for running. Returns how many there were."""
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
    """Delete what the embedded server keeps of runs that ended long ago.

    Nobody else does: its service for that runs in a server of its own only. Returns how many
    there were.
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
