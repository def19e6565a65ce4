"""`coworn serve`: nightly and drop as deployments of a running Prefect server, and the watcher."""

from __future__ import annotations

import asyncio
import logging
import os
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

from flows.commands.declare import Options, command
from flows.console import terminal
from tasks.core.errors import UsageError

if TYPE_CHECKING:
    from config.session import Session

LOG: Final = logging.getLogger(__name__)
_EXIT_STOPPED: Final = 130


@command()
def serve(options: Options) -> int:
    """Watch the inbox, and serve the nightly and the drop flow to a running Prefect server.

    Goes on until stopped; SIGTERM ends it with 0, Ctrl-C with 130.
    Raises: UsageError when no Prefect server answers.
    """
    from flows.commands.watch import make_watcher
    from flows.engine.engine import find_engine
    from flows.engine.environment import (
        DEFAULT_API_URL,
        find_api_url,
        is_server_up,
        prepare_environment,
    )
    from flows.session.home import open_home
    from flows.session.locks import hold_watch_lock
    from flows.session.log import begin_log

    session = open_home(options.home)
    home, settings = session.home, session.settings
    begin_log(home)
    api_url = find_api_url() or DEFAULT_API_URL
    if not is_server_up(api_url):
        raise UsageError(
            f"no Prefect server answers at {api_url}; start one (prefect server start) or name "
            "another one in PREFECT_API_URL; coworn watch needs none"
        )
    os.environ["PREFECT_API_URL"] = api_url
    prepare_environment(home, debug=options.debug)
    console = options.make_console()
    with hold_watch_lock(home, purpose="coworn serve"):
        engine = find_engine(home.logs)
        watcher = make_watcher(session, engine, console=console, with_nightly=False)
        watcher.start()
        console.print(
            f"watching {terminal.clean(home.inbox)}; nightly/nightly (daily at "
            f"{settings.time.nightly_at}) and drop/drop are served by {terminal.clean(api_url)}"
        )
        try:
            code = _serve_deployments(session)
        finally:
            watcher.stop()
            watcher.join()
            engine.stop()
    return code


def make_cron(at: str) -> str:
    """Return "hh:mm" as a daily cron line."""
    hour, minute = at.split(":")
    return f"{int(minute)} {int(hour)} * * *"


def find_local_zone() -> str:
    """Return the IANA name of this machine's zone.

    From TZ, else from the link that /etc/localtime is; where neither says, a fixed offset of
    whole hours (without summer time), else UTC.
    """
    named = os.environ.get("TZ", "").removeprefix(":")
    linked = os.path.realpath("/etc/localtime").partition("zoneinfo/")[2]
    for name in (named, linked):
        if name and _is_zone(name):
            return name
    offset = datetime.now().astimezone().utcoffset() or timedelta(0)
    hours, rest = divmod(int(offset.total_seconds()), 3600)
    # The sign of these names counts westwards.
    return "UTC" if rest or not hours else f"Etc/GMT{-hours:+d}"


def _is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        return False
    return True


def make_deployments(session: Session) -> list[Any]:
    """Make the deployments of the nightly and the drop flow."""
    from prefect.client.schemas.objects import ConcurrencyLimitConfig, ConcurrencyLimitStrategy
    from prefect.schedules import Cron

    from flows.drop import drop
    from flows.nightly import nightly

    one_at_a_time = ConcurrencyLimitConfig(
        # Runs that were missed while nothing served pile up; all but one of them are of no use.
        limit=1,
        collision_strategy=ConcurrencyLimitStrategy.CANCEL_NEW,
    )
    parameters = {"home": str(session.home.root)}
    return [
        nightly.to_deployment(
            "nightly",
            schedule=Cron(make_cron(session.settings.time.nightly_at), timezone=find_local_zone()),
            parameters=parameters,
            tags=["coworn"],
            description="Missed files, late partners, outdated results, backup.",
            concurrency_limit=one_at_a_time,
        ),
        drop.to_deployment(
            "drop",
            parameters=parameters,
            tags=["coworn"],
            description="Takes what lies in the inbox, or the files that are named.",
        ),
    ]


def _serve_deployments(session: Session) -> int:
    """Serve until a signal comes; return the exit code."""
    from prefect.exceptions import TerminationSignal
    from prefect.runner import Runner

    # Pausing would also pause the schedule for whoever serves next; the limit above is enough.
    runner = Runner(name="coworn", pause_on_shutdown=False)
    for deployment in make_deployments(session):
        runner.add_deployment(deployment)
    try:
        asyncio.run(runner.start())
    except KeyboardInterrupt:
        return _EXIT_STOPPED
    except TerminationSignal:
        return 0
    return 0
