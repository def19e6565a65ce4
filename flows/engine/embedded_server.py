"""Prefect's embedded server: a process that is started, watched over and ended by its owner."""

from __future__ import annotations

import atexit
import logging
import os
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Final
from urllib.parse import quote

from flows.engine.environment import DEFAULTS, is_server_up
from tasks.core.errors import CowornError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

LOG: Final = logging.getLogger(__name__)

#: Time that the embedded server may take to start [s]; a small machine under load needs a minute.
START_TIMEOUT_S: Final = 180
#: A server that lived for less than this is started again only after a pause that grows [s].
_SHORT_LIFE_S: Final = 30.0
_LONGEST_PAUSE_S: Final = 60.0
_POLL_S: Final = 0.1

#: What Prefect sets for its embedded server: no pages, and no services for schedules.
_EMBEDDED_ENVIRONMENT: Final = {
    "PREFECT_UI_ENABLED": "0",
    "PREFECT__SERVER_EPHEMERAL": "1",
    "PREFECT__SERVER_FINAL": "1",
    # In its defaults the server writes down one task at a time, and the next run waits for it.
    "PREFECT_SERVER_SERVICES_TASK_RUN_RECORDER_BATCH_SIZE": "100",
    "PREFECT_SERVER_SERVICES_TASK_RUN_RECORDER_READ_BATCH_SIZE": "100",
    "PREFECT_SERVER_SERVICES_TASK_RUN_RECORDER_FLUSH_INTERVAL": "1",
    # Events are three quarters of what it would write down, and nothing here asks for them.
    "PREFECT_SERVER_SERVICES_EVENT_PERSISTER_ENABLED": "false",
}
#: What the embedded server takes over from the environment; everything else that is Prefect's
#: concerns servers of the person's own: their database, their passwords, their addresses.
_SERVER_KEEPS: Final = {
    "PREFECT_HOME",
    "PREFECT_PROFILES_PATH",
    "PREFECT_LOGGING_LEVEL",
    "PREFECT_SERVER_ANALYTICS_ENABLED",
    "PREFECT_SERVER_ALLOW_EPHEMERAL_MODE",
    *DEFAULTS,
}


class EngineError(CowornError):
    """No Prefect server can be had."""


class EmbeddedServer:
    """Prefect's embedded server in a process of its own, which ends with ours.

    It is the server that Prefect would start by itself, without the seconds that importing it into
    our own process costs, with its words in a log file, and out of reach of the terminal's Ctrl-C,
    so that a run that is being finished keeps it. Once it has answered, it is started again
    whenever it ends unasked, at the same place: Prefect's client knocks there for a minute, so that
    a run in the middle of which it ended goes on. `on_restart` is called each time.
    """

    def __init__(
        self,
        log_path: Path,
        *,
        port: int | None = None,
        on_restart: Callable[[], None] = lambda: None,
    ) -> None:
        self._log_path = log_path
        self._port = _find_free_port() if port is None else port
        self._on_restart = on_restart
        self._changing = threading.Lock()
        self._stopping = threading.Event()
        self._keeper: threading.Thread | None = None
        log_path.parent.mkdir(parents=True, exist_ok=True)
        self._process = self._launch()
        atexit.register(self.stop)

    def _launch(self) -> subprocess.Popen[bytes]:
        with self._log_path.open("ab") as log:
            return subprocess.Popen(  # noqa: S603 - our own script
                # -P: the folder of the script must not come first among the modules.
                [
                    sys.executable,
                    "-P",
                    str(Path(__file__).with_name("embedded.py")),
                    str(self._port),
                ],
                stdin=subprocess.PIPE,
                stdout=log,
                stderr=log,
                cwd=os.environ.get("PREFECT_HOME"),
                env=_make_environment(os.environ),
                start_new_session=True,
            )

    @property
    def api_url(self) -> str:
        """Its address."""
        return f"http://127.0.0.1:{self._port}/api"

    @property
    def port(self) -> int:
        """Where it listens, on the loopback interface."""
        return self._port

    @property
    def is_alive(self) -> bool:
        """Say whether its process is running."""
        return self._process.poll() is None

    def wait(self) -> None:
        """Wait until it answers. Raises: EngineError."""
        give_up_at = time.monotonic() + START_TIMEOUT_S
        while not is_server_up(self.api_url):
            is_lost = self._keeper is None and not self.is_alive
            if is_lost or time.monotonic() > give_up_at:
                self.stop()
                raise EngineError(
                    f"Prefect's embedded server does not start; see {self._log_path} and try again"
                )
            time.sleep(_POLL_S)
        if self._keeper is None:
            self._keeper = threading.Thread(target=self._keep, name="server-keeper", daemon=True)
            self._keeper.start()

    def stop(self) -> None:
        """End it."""
        atexit.unregister(self.stop)
        self._stopping.set()
        with self._changing:
            if self._process.stdin is not None:
                self._process.stdin.close()
            self._process.terminate()
            try:
                self._process.wait(timeout=5)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()

    def _keep(self) -> None:
        """Start it again whenever it ends unasked; less and less soon when it ends at once."""
        begun, pause_s = time.monotonic(), 0.0
        while True:
            self._process.wait()
            is_short = time.monotonic() - begun < _SHORT_LIFE_S
            if self._stopping.wait(pause_s):
                return
            with self._changing:
                if self._stopping.is_set():
                    return
                LOG.warning("Prefect's embedded server has ended; it is started again")
                self._process = self._launch()
            begun = time.monotonic()
            pause_s = min(_LONGEST_PAUSE_S, max(1.0, 2.0 * pause_s)) if is_short else 0.0
            self._on_restart()


def _make_environment(person: Mapping[str, str]) -> dict[str, str]:
    """Return the embedded server's environment, without settings of other servers."""
    kept = {
        name: value
        for name, value in person.items()
        if not name.startswith("PREFECT_") or name in _SERVER_KEEPS
    }
    if (folder := kept.get("PREFECT_HOME")) is not None:
        # Prefect puts the path into an address as it is: a %20 in it would lead elsewhere.
        path = quote(str(Path(folder) / "prefect.db"))
        kept["PREFECT_SERVER_DATABASE_CONNECTION_URL"] = f"sqlite+aiosqlite:///{path}"
    return {**kept, **_EMBEDDED_ENVIRONMENT}


def _find_free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
