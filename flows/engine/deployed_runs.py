"""A flow run in this process that is a run of its deployment: its history, pause, limit, cancel."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING, Any, Final

from flows.engine.cancelling import RunCancelledError
from tasks.core.errors import CowornError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from prefect import Flow
    from prefect.client.schemas.objects import FlowRun, State
    from prefect.client.schemas.responses import DeploymentResponse

LOG: Final = logging.getLogger(__name__)


class RunHeldError(CowornError):
    """The deployment is paused, or its limit of runs is reached: the run must wait."""


def run_deployed(flow: Flow[..., Any], parameters: Mapping[str, Any]) -> Any:  # noqa: ANN401 - the flow's
    """Run `flow` here, as a run of the deployment of its name where this home has one.

    Without a deployment of this home on the server it is a run like any other. A run that was
    cancelled returns what it did until then. Raises: RunHeldError, and what the flow raises.
    """
    from prefect.flow_engine import run_flow

    try:
        run = _create_run(flow, parameters)
    except RunHeldError:
        raise
    except Exception:  # the work does not depend on the server's pages
        LOG.warning("the server was not asked for the deployment of %s", flow.name, exc_info=True)
        run = None
    state: Any = run_flow(flow, run, dict(parameters), return_type="state")
    return read_result(state)


def read_result(state: State[Any]) -> Any:  # noqa: ANN401 - the flow's
    """Return what the flow returned, also where it was cancelled.

    Raises: RunCancelledError where that was before it gave anything; what the flow raised.
    """
    if state.is_cancelled():
        kept = getattr(state.data, "result", None)
        if kept is None:
            raise RunCancelledError(f"the run was cancelled: {state.message or 'nothing was done'}")
        return kept
    return state.result()


def _create_run(flow: Flow[..., Any], parameters: Mapping[str, Any]) -> FlowRun | None:
    """Create a run of the deployment on the server; None where the home has none there."""
    from prefect.client.orchestration import get_client
    from prefect.client.schemas.responses import SetStateStatus
    from prefect.context import TagsContext
    from prefect.states import Cancelled, Pending

    with get_client(sync_client=True) as client:
        deployment = _find_deployment(client, flow.name, str(parameters["home"]))
        if deployment is None:
            return None
        if deployment.paused:
            raise RunHeldError(
                f"the deployment {flow.name}/{deployment.name} is paused on the Prefect server; "
                "what was dropped waits until it is resumed"
            )
        run = client.create_flow_run_from_deployment(
            deployment.id,
            parameters=flow.serialize_parameters(dict(parameters)),
            tags=TagsContext.get().current_tags,
        )
        # Taken at once, so that nobody else does; it counts against the deployment's limit.
        answer: Any = client.set_flow_run_state(run.id, Pending())
        if answer.status != SetStateStatus.ACCEPT:
            client.set_flow_run_state(run.id, Cancelled(message="limit of runs"), force=True)
            raise RunHeldError(
                f"the deployment {flow.name}/{deployment.name} has as many runs under way as its "
                "limit on the Prefect server allows; what was dropped waits"
            )
        return client.read_flow_run(run.id)


def _find_deployment(client: Any, flow_name: str, home: str) -> DeploymentResponse | None:  # noqa: ANN401 - Prefect's
    """Return the deployment of `flow_name` that is of this home."""
    from prefect.client.schemas.filters import FlowFilter, FlowFilterName

    which = FlowFilter(name=FlowFilterName(any_=[flow_name]))
    found = [
        one
        for one in client.read_deployments(flow_filter=which)
        if str((one.parameters or {}).get("home")) == home
    ]
    return min(found, key=lambda one: (one.name != flow_name, one.name), default=None)
