"""Whether somebody cancelled the run that is under way, on the pages of its Prefect server."""

from __future__ import annotations

import logging
import math
import time
from typing import TYPE_CHECKING, Final

from tasks import steps
from tasks.core.errors import CowornError

if TYPE_CHECKING:
    from uuid import UUID

LOG: Final = logging.getLogger(__name__)
#: The server is asked no more often than this [s].
_ASK_EVERY_S: Final = 2.0


class RunCancelledError(CowornError):
    """Somebody cancelled the run: what it had not begun is left for the next one."""

    def __init__(self, message: str = "the run was cancelled before") -> None:
        super().__init__(message)


class _Asked:
    """The last answer of the server, for one run."""

    run_id: UUID | None = None
    at_s = 0.0
    is_cancelled = False


_LAST: Final = _Asked()


def is_cancelled() -> bool:
    """Say whether the flow run that is under way was cancelled; a plain run never is.

    Ask between files and between workouts: what has begun is finished.
    """
    if not steps.is_in_flow_run():
        return False
    from prefect.context import FlowRunContext

    context = FlowRunContext.get()
    run = None if context is None else context.flow_run
    if run is None:
        return False
    now_s = time.monotonic()
    if run.id != _LAST.run_id:
        _LAST.run_id, _LAST.at_s, _LAST.is_cancelled = run.id, now_s, False
    elif not _LAST.is_cancelled and now_s - _LAST.at_s >= _ASK_EVERY_S:
        answer = _ask_server(run.id)
        # Prefect's client knocks for a minute at a server that is gone: not again in this run.
        _LAST.at_s = math.inf if answer is None else now_s
        _LAST.is_cancelled = bool(answer)
    return _LAST.is_cancelled


def raise_if_cancelled() -> None:
    """Raise: RunCancelledError where somebody cancelled the run."""
    if is_cancelled():
        raise RunCancelledError


def _ask_server(run_id: UUID) -> bool | None:
    """Return the server's answer, None where there is none."""
    from prefect.client.orchestration import get_client

    try:
        with get_client(sync_client=True) as client:
            state = client.read_flow_run(run_id).state
    except Exception:  # a server that does not answer cancels nothing
        LOG.debug("the server was not asked whether the run is cancelled", exc_info=True)
        return None
    return state is not None and (state.is_cancelling() or state.is_cancelled())
