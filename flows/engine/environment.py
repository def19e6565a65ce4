"""The Prefect that flows run in: offline, without telemetry, its state inside the home folder.

`prepare_environment` must be called before Prefect is imported for the first time.
"""

from __future__ import annotations

import logging
import os
import urllib.request
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from config.home import Home

#: Where `prefect server start` listens when nobody says otherwise.
DEFAULT_API_URL: Final = "http://127.0.0.1:4200/api"
#: Time to wait for a server's sign of life [s].
PROBE_TIMEOUT_S: Final = 5.0
#: Tag of every run, also on a server that others use too.
RUN_TAG: Final = "coworn"
_HTTP_OK: Final = 200
_LOOPBACK: Final = ("127.0.0.1", "localhost")

#: What holds unless the person's environment says otherwise.
DEFAULTS: Final = {
    "PREFECT_SERVER_UI_SHOW_PROMOTIONAL_CONTENT": "false",
    # The level of the loggers would empty the server's pages too; this one is for the console.
    "PREFECT_LOGGING_HANDLERS_CONSOLE_LEVEL": "CRITICAL",
    "PREFECT_LOGGING_EXTRA_LOGGERS": "flows,tasks",
    # A server that is gone is reported in one line of ours, not in one dump for each event.
    "PREFECT_LOGGING_INTERNAL_LEVEL": "CRITICAL",
    # The watcher logs between runs, too.
    "PREFECT_LOGGING_TO_API_WHEN_MISSING_FLOW": "ignore",
}


def prepare_environment(home: Home, *, debug: bool = False) -> None:
    """Set Prefect's environment for `home`, and make its folder the current one.

    What the person's environment says already stays, except for the switches that keep the
    product on this machine and its state in its home. Prefect reads settings in the current
    folder, which may be another project's, or writable for strangers: relative paths must be made
    absolute before.
    """
    home.prefect.mkdir(mode=0o700, parents=True, exist_ok=True)
    os.chdir(home.prefect)
    for name, value in DEFAULTS.items():
        os.environ.setdefault(name, value)
    # Tasks work by their side effects; and a kept result is a pickle: whoever can write where it
    # lies decides what is run.
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
