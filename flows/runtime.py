"""The Prefect that flows run in: offline, without telemetry, its state inside the home folder.

`prepare` sets the environment and must be called before Prefect is imported for the first time.
"""

from __future__ import annotations

import contextlib
import logging
import os
import signal
import urllib.request
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    import subprocess
    from collections.abc import Iterator
    from pathlib import Path

    from config.home import Home

LOG: Final = logging.getLogger(__name__)

#: Where `prefect server start` listens when nobody says otherwise.
DEFAULT_API_URL: Final = "http://127.0.0.1:4200/api"
#: Time to wait for a server's sign of life [s].
PROBE_TIMEOUT_S: Final = 2.0
#: Time that the embedded server may take to start [s]; a small machine under load needs a minute.
START_TIMEOUT_S: Final = 180
#: Tag of every run, also on a server that others use too.
RUN_TAG: Final = "coworn"
_HTTP_OK: Final = 200

_ENVIRONMENT: Final = {
    "PREFECT_SERVER_UI_SHOW_PROMOTIONAL_CONTENT": "false",
    # What tasks are for are their side effects; what they return is not worth keeping.
    "PREFECT_RESULTS_PERSIST_BY_DEFAULT": "false",
    # The level of the loggers would empty the server's pages too; this one is for the console.
    "PREFECT_LOGGING_HANDLERS_CONSOLE_LEVEL": "CRITICAL",
    "PREFECT_LOGGING_EXTRA_LOGGERS": "flows,tasks",
    # The watcher logs between runs, too.
    "PREFECT_LOGGING_TO_API_WHEN_MISSING_FLOW": "ignore",
    "PREFECT_SERVER_ALLOW_EPHEMERAL_MODE": "true",
    "PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS": str(START_TIMEOUT_S),
}


def prepare(home: Home, *, debug: bool = False) -> None:
    """Set Prefect's environment for `home`.

    What the person's environment says already stays, except for the switches that keep the
    product on this machine and its state in its home.
    """
    for name, value in _ENVIRONMENT.items():
        os.environ.setdefault(name, value)
    # No heartbeat of the server to its vendor, no events of the client.
    os.environ["PREFECT_SERVER_ANALYTICS_ENABLED"] = "false"
    os.environ["DO_NOT_TRACK"] = "1"
    # A home of its own also keeps profiles of other projects, with their servers, out of this.
    os.environ["PREFECT_HOME"] = str(home.prefect)
    if debug:
        os.environ["PREFECT_LOGGING_HANDLERS_CONSOLE_LEVEL"] = "INFO"


def find_api_url() -> str | None:
    """Give the address of the Prefect server that the environment names."""
    return os.environ.get("PREFECT_API_URL") or None


def is_server_up(api_url: str) -> bool:
    """Say whether a Prefect server answers at `api_url`."""
    if not api_url.startswith(("http://", "https://")):
        return False
    try:
        with urllib.request.urlopen(  # noqa: S310 - the scheme was looked at
            f"{api_url.rstrip('/')}/health", timeout=PROBE_TIMEOUT_S
        ) as answer:
            return bool(answer.status == _HTTP_OK)
    except (OSError, ValueError):
        return False


class Engine:
    """Whom flow runs report to: the server that the environment names, else an embedded one.

    The work does not depend on who watches it: a named server that is down is left out, run by
    run, and an embedded server that has died is started again.
    """

    def __init__(self, home: Home) -> None:
        self._log_path = home.logs / "prefect-server.log"
        self._named = find_api_url()
        self._embedded: Any = None
        self.is_named_down = False

    @property
    def named(self) -> str | None:
        """Address that the environment names."""
        return self._named

    def start(self) -> str:
        """Make sure that a server is there; give its address."""
        if self._named is not None:
            self.is_named_down = not is_server_up(self._named)
            if not self.is_named_down:
                return self._named
            LOG.warning("no Prefect server answers at %s; using the embedded one", self._named)
        server = self._embedded
        if (
            server is None
            or server.server_process is None
            or server.server_process.poll() is not None
        ):
            if server is not None:
                server.stop()
            self._embedded = _start_embedded(self._log_path)
        return str(self._embedded.api_url)

    @contextlib.contextmanager
    def running(self, *, heartbeat: bool = False) -> Iterator[None]:
        """Let flows that are called inside report to the server.

        Without `heartbeat`, flows do not wait up to a second at their end for its thread (which
        cannot be switched off through the environment); long ones keep it.
        """
        from prefect import tags
        from prefect.settings import (
            PREFECT_API_URL,
            PREFECT_FLOWS_HEARTBEAT_FREQUENCY,
            temporary_settings,
        )

        updates: dict[Any, Any] = {PREFECT_API_URL: self.start()}
        if not heartbeat:
            updates[PREFECT_FLOWS_HEARTBEAT_FREQUENCY] = None
        with temporary_settings(updates), tags(RUN_TAG):
            yield

    def stop(self) -> None:
        """Stop the embedded server."""
        if self._embedded is not None:
            from prefect.logging.handlers import APILogHandler

            APILogHandler().flush()
            self._embedded.stop()
            self._embedded = None


def _start_embedded(log_path: Path) -> Any:  # noqa: ANN401 - Prefect is imported late
    """Start Prefect's embedded server.

    It is shielded from the terminal's Ctrl-C, so that a run that is being finished keeps it, and
    what it says goes to a log file.
    """
    from prefect.server.api.server import SubprocessASGIServer

    log_path.parent.mkdir(parents=True, exist_ok=True)

    class QuietServer(SubprocessASGIServer):
        def _run_uvicorn_command(self) -> subprocess.Popen[Any]:
            with (
                log_path.open("ab") as file,
                _own_standard_error(file.fileno()),
                _blocked_interrupt(),
            ):
                return super()._run_uvicorn_command()

    server = QuietServer()
    server.start(timeout=START_TIMEOUT_S)
    return server


@contextlib.contextmanager
def _own_standard_error(descriptor: int) -> Iterator[None]:
    """Let children that start inside inherit `descriptor` as their standard error."""
    kept = os.dup(2)
    try:
        os.dup2(descriptor, 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)


@contextlib.contextmanager
def _blocked_interrupt() -> Iterator[None]:
    """Let children that start inside inherit a mask that holds Ctrl-C back."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
