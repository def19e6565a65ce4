"""The Prefect that flows run in: offline, without telemetry, its state inside the home folder.

`prepare` sets the environment and must be called before Prefect is imported for the first time.
"""

from __future__ import annotations

import atexit
import contextlib
import logging
import os
import socket
import subprocess
import sys
import threading
import time
import urllib.request
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import quote

from flows.console.terminal import print_error
from flows.engine.prefect_events import flush_prefect_events
from tasks.core.errors import CowornError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from config.home import Home

LOG: Final = logging.getLogger(__name__)

#: Where `prefect server start` listens when nobody says otherwise.
DEFAULT_API_URL: Final = "http://127.0.0.1:4200/api"
#: Time to wait for a server's sign of life [s].
PROBE_TIMEOUT_S: Final = 5.0
#: Time that the embedded server may take to start [s]; a small machine under load needs a minute.
START_TIMEOUT_S: Final = 180
#: Tag of every run, also on a server that others use too.
RUN_TAG: Final = "coworn"
#: Runs after which a long-lived process renews its embedded server, while nothing is dropped: the
#: server keeps some 0.2 MB of each run in memory for as long as it lives.
RENEW_AFTER_RUNS: Final = 100
#: A server that lived for less than this is started again only after a pause that grows [s].
_SHORT_LIFE_S: Final = 30.0
_LONGEST_PAUSE_S: Final = 60.0
_HTTP_OK: Final = 200
_POLL_S: Final = 0.1

_ENVIRONMENT: Final = {
    "PREFECT_SERVER_UI_SHOW_PROMOTIONAL_CONTENT": "false",
    # The level of the loggers would empty the server's pages too; this one is for the console.
    "PREFECT_LOGGING_HANDLERS_CONSOLE_LEVEL": "CRITICAL",
    "PREFECT_LOGGING_EXTRA_LOGGERS": "flows,tasks",
    # A server that is gone is told in one line of ours, not in one dump for each event.
    "PREFECT_LOGGING_INTERNAL_LEVEL": "CRITICAL",
    # The watcher logs between runs, too.
    "PREFECT_LOGGING_TO_API_WHEN_MISSING_FLOW": "ignore",
}
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
    *_ENVIRONMENT,
}
_LOOPBACK: Final = ("127.0.0.1", "localhost")


class EngineError(CowornError):
    """No Prefect server can be had."""


def prepare(home: Home, *, debug: bool = False) -> None:
    """Set Prefect's environment for `home`, and make its folder the current one.

    What the person's environment says already stays, except for the switches that keep the
    product on this machine and its state in its home. Prefect reads settings in the current
    folder, which may be another project's, or writable for strangers: relative paths must be made
    absolute before.
    """
    home.prefect.mkdir(mode=0o700, parents=True, exist_ok=True)
    os.chdir(home.prefect)
    for name, value in _ENVIRONMENT.items():
        os.environ.setdefault(name, value)
    # What tasks are for are their side effects; and a kept result is a pickle: whoever can write
    # where it lies decides what is run.
    os.environ["PREFECT_RESULTS_PERSIST_BY_DEFAULT"] = "false"
    os.environ["PREFECT_LOCAL_STORAGE_PATH"] = str(home.prefect / "storage")
    # Dask lays down as pickles what does not fit into memory: not where others may be first.
    os.environ["DASK_TEMPORARY_DIRECTORY"] = str(home.prefect)
    # Profiles belong to other servers.
    os.environ["PREFECT_PROFILES_PATH"] = str(home.prefect / "profiles.toml")
    os.environ.pop("PREFECT_PROFILE", None)
    _leave_proxies_out()
    # No heartbeat of the server to its vendor, no events of the client.
    os.environ["PREFECT_SERVER_ANALYTICS_ENABLED"] = "false"
    os.environ["DO_NOT_TRACK"] = "1"
    # The only servers are those that are named and the one that `Engine` starts and ends.
    os.environ["PREFECT_SERVER_ALLOW_EPHEMERAL_MODE"] = "false"
    os.environ["PREFECT_HOME"] = str(home.prefect)
    if debug:
        os.environ["PREFECT_LOGGING_HANDLERS_CONSOLE_LEVEL"] = "INFO"
    # A log line that cannot be written (server gone, disk full) is no news for the person.
    logging.raiseExceptions = debug


def _leave_proxies_out() -> None:
    """Let a proxy that the person's network needs not be asked for this machine's own servers."""
    named = os.environ.get("no_proxy") or os.environ.get("NO_PROXY") or ""
    known = [part.strip() for part in named.split(",") if part.strip()]
    if "*" not in known:
        known += [name for name in _LOOPBACK if name not in known]
    # Libraries disagree about the case; both must say the same.
    os.environ["no_proxy"] = os.environ["NO_PROXY"] = ",".join(known)


def find_api_url() -> str | None:
    """Return the address of the Prefect server that the environment names."""
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


class Engine:
    """Whom flow runs report to: the server that the environment names, else an embedded one.

    The work does not depend on who watches it: a named server that is down is left out, run by
    run, and an embedded server that has died is started again.
    """

    def __init__(self, home: Home) -> None:
        self._log_path = home.logs / "prefect-server.log"
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
            self._embedded = EmbeddedServer(self._log_path, on_restart=_tell_restart)

    def rest(self) -> None:
        """Renew the embedded server after many runs; call it while there is nothing to do."""
        if self._embedded is not None and self._n_runs >= RENEW_AFTER_RUNS:
            # At the same place again: Prefect's client keeps connections to where it was, and
            # tries for a minute before it asks elsewhere.
            port = self._embedded.port
            self._embedded.stop()
            self._embedded = EmbeddedServer(self._log_path, port=port, on_restart=_tell_restart)
            self._n_runs = 0

    def start(self) -> str:
        """Make sure that a server answers; give its address. Raises: EngineError."""
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


def _make_environment(person: Mapping[str, str]) -> dict[str, str]:
    """Return embedded server's environment, without what is said to servers that are not ours."""
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


def _tell_restart() -> None:
    print_error("Prefect's embedded server had ended; it was started again and the work goes on")


def _find_free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
