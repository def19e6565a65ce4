"""Runs one step many times: one after the other, or spread over threads, processes or Dask."""

from __future__ import annotations

import contextlib
import importlib.util
import logging
import multiprocessing
import os
import signal
import socket
import threading
from concurrent.futures.process import BrokenProcessPool
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import urlsplit

from flows.engine.cancelling import RunCancelledError, is_cancelled
from flows.engine.engine import find_engine
from tasks import steps
from tasks.core.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from config.home import Home
    from config.session import Session
    from config.settings import Settings

LOG: Final = logging.getLogger(__name__)
#: Time for which a Dask scheduler is knocked at [s].
_SCHEDULER_TIMEOUT_S: Final = 5.0


def map_task(
    step: steps.Step[Any, Any],
    calls: Sequence[Mapping[str, Any]],
    *,
    session: Session,
    spread: bool,
) -> Iterator[Any]:
    """Call `step` with each of `calls`; yield what each returned, or what it raised, in order.

    Spread calls are tasks on one of Prefect's runners, also where no flow run is under way.
    Those whose worker died (out of memory, killed) are made again one by one in this process: a
    broken pool says nothing about which of them broke it. Once the run is cancelled, those that
    have not begun raise RunCancelledError.
    """
    if not spread:
        for call in calls:
            yield RunCancelledError() if is_cancelled() else _run_here(step, call)
        return
    with _report_tasks(session.home), make_task_runner(session.settings) as runner:
        futures = [_submit(runner, step, call) for call in calls]
        for call, future in zip(calls, futures, strict=True):
            if is_cancelled() and _take_back(future):
                yield RunCancelledError()
                continue
            result = future if isinstance(future, BaseException) else _await(future)
            if is_worker_death(result):
                LOG.warning("a worker died; what it had to do is done again here: %s", result)
                result = _run_here(step, call)
            yield result


@contextlib.contextmanager
def _report_tasks(home: Home) -> Iterator[None]:
    """Let tasks inside report to the flow run that is under way, else to this process's engine.

    Who opened the home stops the engine.
    """
    if steps.is_in_flow_run():
        yield
        return
    with find_engine(home.logs).running():
        yield


def is_worker_death(result: object) -> bool:
    """Say whether a call ended because its worker did, not because of what it did."""
    return isinstance(result, BrokenProcessPool) or type(result).__name__ == "KilledWorker"


def make_task_runner(settings: Settings) -> Any:  # noqa: ANN401 - one of several classes
    """Make the task runner that the settings name.

    Raises: UsageError when it needs an extra that is not installed.
    """
    kind, workers = settings.run.runner, settings.run.workers
    if kind == "threads":
        from prefect.task_runners import ThreadPoolTaskRunner

        return ThreadPoolTaskRunner(max_workers=workers)
    if kind == "processes":
        from prefect.task_runners import ProcessPoolTaskRunner

        return ProcessPoolTaskRunner(max_workers=workers, initializer=init_worker)
    check_dask(settings)
    from prefect_dask.task_runners import DaskTaskRunner

    if settings.run.dask_address:
        return DaskTaskRunner(address=settings.run.dask_address)
    return DaskTaskRunner(
        cluster_kwargs={
            "n_workers": workers,
            # One decoder keeps state for the whole process: one file at a time in each.
            "threads_per_worker": 1,
            "dashboard_address": None,
            "host": "127.0.0.1",
        }
    )


def check_dask(settings: Settings) -> None:
    """Say before anything starts that Dask is not there.

    Raises: UsageError when the extra is missing, or no scheduler answers where one is named.
    """
    if settings.run.runner != "dask":
        return
    if importlib.util.find_spec("prefect_dask") is None:
        raise UsageError(
            'run.runner = "dask" needs the extra: pip install -e ".[dask]", or choose "processes"'
        )
    if not settings.run.dask_address:
        return
    place = urlsplit(settings.run.dask_address)
    try:
        where = (place.hostname or "", place.port or 0)
        socket.create_connection(where, timeout=_SCHEDULER_TIMEOUT_S).close()
    except (OSError, ValueError) as error:
        raise UsageError(
            f"no Dask scheduler answers at {settings.run.dask_address} ({error}); start it (dask "
            'scheduler), or set run.runner = "processes"'
        ) from error


def init_worker() -> None:
    """Leave Ctrl-C to the process that has the workers, and end when that one is gone.

    A worker of a pool waits for its next call on a pipe of which it holds both ends: it would wait
    for ever for an owner that was killed.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    owner = multiprocessing.parent_process()
    if owner is not None:
        threading.Thread(target=_leave_with, args=(owner,), daemon=True).start()


def _leave_with(owner: Any) -> None:  # noqa: ANN401 - a class that the library keeps to itself
    owner.join()
    os._exit(1)


def _submit(runner: Any, step: steps.Step[Any, Any], call: Mapping[str, Any]) -> Any:  # noqa: ANN401 - see above
    """Return the future of a call, or the error of a pool that is broken already."""
    try:
        return runner.submit(step.as_task(), parameters=dict(call))
    except BrokenProcessPool as error:
        return error


def _await(future: Any) -> Any:  # noqa: ANN401 - see above
    """Return what a call gave or raised; a dead worker raises from the waiting itself."""
    try:
        future.wait()
        return future.state.result(raise_on_failure=False)
    except Exception as error:  # noqa: BLE001 - it is handed on as the call's result
        # It may still be waiting for a worker, or run on one that is out of sight: what is done
        # again here must not be done there as well.
        with contextlib.suppress(Exception):
            _take_back(future)
        return error


def _take_back(future: Any) -> bool:  # noqa: ANN401 - see above
    """Take a call back that has not begun; say whether that was possible."""
    if isinstance(future, BaseException):
        return True
    return bool(future.wrapped_future.cancel())


def _run_here(step: steps.Step[Any, Any], call: Mapping[str, Any]) -> Any:  # noqa: ANN401 - any step
    """Return what a call gave or raised."""
    try:
        return step(**call)
    except Exception as error:  # noqa: BLE001 - it is handed on as the call's result
        return error
