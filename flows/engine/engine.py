"""The engine of flow runs: the Prefect server that they report to."""

from __future__ import annotations

import contextlib
import logging
from functools import cache
from typing import TYPE_CHECKING, Any, Final

from flows.console.terminal import print_error
from flows.engine.embedded_server import EmbeddedServer, EngineError
from flows.engine.environment import RUN_TAG, find_api_url, is_server_up
from flows.engine.prefect_events import flush_prefect_events

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

LOG: Final = logging.getLogger(__name__)
#: Runs after which a long-lived process renews its embedded server, while nothing is dropped: the
#: server keeps some 0.2 MB of each run in memory for as long as it lives.
RENEW_AFTER_RUNS: Final = 100


class Engine:
    """What flow runs report to: the server that the environment names, else an embedded one.

    The work does not depend on the server: a named server that is down is left out, run by
    run, and an embedded server that has died is started again.
    """

    def __init__(self, logs: Path) -> None:
        self._log_path = logs / "prefect-server.log"
        self._named = find_api_url()
        self._embedded: EmbeddedServer | None = None
        self._n_runs = 0
        self._last_url: str | None = None
        self.is_named_down = False

    @property
    def named(self) -> str | None:
        """Address that the environment names."""
        return self._named

    def begin(self) -> None:
        """Let an embedded server start, where one is needed, while other things are done."""
        if self._named is not None:
            self.is_named_down = not is_server_up(self._named)
            if not self.is_named_down:
                return
            LOG.warning("no Prefect server answers at %s; using the embedded one", self._named)
        if self._embedded is None:
            self._embedded = EmbeddedServer(self._log_path, on_restart=_report_restart)

    def rest(self) -> None:
        """Renew the embedded server after many runs; call it while there is nothing to do."""
        if self._embedded is not None and self._n_runs >= RENEW_AFTER_RUNS:
            # At the same place again: Prefect's client keeps connections to where it was, and
            # tries for a minute before it asks elsewhere.
            port = self._embedded.port
            self._embedded.stop()
            self._embedded = EmbeddedServer(self._log_path, port=port, on_restart=_report_restart)
            self._n_runs = 0

    def start(self) -> str:
        """Make sure that a server answers; return its address. Raises: EngineError."""
        self.begin()
        if self._named is not None and not self.is_named_down:
            return self._named
        if self._embedded is None:  # pragma: no cover - `begin` has made one
            raise EngineError("there is no Prefect server; try again")
        self._embedded.wait()
        return self._embedded.api_url

    @contextlib.contextmanager
    def running(self, *, heartbeat: bool = False) -> Iterator[None]:
        """Let flows that are called inside report to the server.

        Without `heartbeat`, flows do not wait up to a second at their end for its thread (which
        cannot be switched off through the environment); long ones keep it.
        """
        api_url = self.start()
        if self._last_url not in {None, api_url}:
            # Parts of Prefect's client live as long as the process and know one server only.
            flush_prefect_events(timeout_s=0.0)
        self._last_url = api_url
        self._n_runs += 1
        from prefect import context, tags
        from prefect.settings import (
            PREFECT_API_URL,
            PREFECT_FLOWS_HEARTBEAT_FREQUENCY,
            temporary_settings,
        )

        updates: dict[Any, Any] = {PREFECT_API_URL: api_url}
        if not heartbeat:
            updates[PREFECT_FLOWS_HEARTBEAT_FREQUENCY] = None
        with temporary_settings(updates), tags(RUN_TAG):
            # A thread of Prefect's that takes no context along (it forwards the events of a pool's
            # processes) looks here, and would start a server of its own, in sight of nobody.
            before = context.GLOBAL_SETTINGS_CONTEXT
            context.GLOBAL_SETTINGS_CONTEXT = context.get_settings_context()
            try:
                yield
            finally:
                context.GLOBAL_SETTINGS_CONTEXT = before

    def stop(self) -> None:
        """Let the server hear the last of the runs, then end the embedded one."""
        flush_prefect_events()
        if self._embedded is not None:
            self._embedded.stop()
            self._embedded = None


@cache
def find_engine(logs: Path) -> Engine:
    """Return the engine of this process for the home whose logs are in `logs`.

    There is one for each home: parts of Prefect's client live as long as the process, and a second
    server would find them talking to the first.
    """
    return Engine(logs)


def _report_restart() -> None:
    print_error("Prefect's embedded server had ended; it was started again and the work goes on")
