"""`coworn serve`: nightly and drop as deployments of a running Prefect server, and the watcher."""

from __future__ import annotations

import asyncio
import logging
import os
from typing import TYPE_CHECKING, Any, Final

from flows.commands.declare import Options, command
from flows.console import terminal
from flows.engine.deploying import find_local_zone, make_cron
from tasks.core.errors import UsageError
from tasks.core.provenance import find_version

if TYPE_CHECKING:
    from prefect.runner import Runner

    from config.session import Session

LOG: Final = logging.getLogger(__name__)
_EXIT_STOPPED: Final = 130


@command()
def serve(options: Options) -> int:
    """Watch the inbox, and serve all flows to a running Prefect server.

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
        runner = _make_runner(session)
        watcher.start()
        console.print(
            f"watching {terminal.clean(home.inbox)}; nightly/nightly (daily at "
            f"{settings.time.nightly_at}), drop/drop, rebuild/rebuild and restore/restore are "
            f"served by {terminal.clean(api_url)}"
        )
        try:
            code = _serve_deployments(runner)
        finally:
            watcher.stop()
            watcher.join()
            engine.stop()
    return code


def make_deployments(session: Session) -> list[Any]:
    """Make the deployments of all flows."""
    from prefect.client.schemas.objects import ConcurrencyLimitConfig, ConcurrencyLimitStrategy
    from prefect.schedules import Cron

    from flows.drop import drop
    from flows.nightly import nightly
    from flows.rebuild import rebuild, restore

    one_at_a_time = ConcurrencyLimitConfig(
        # Runs that were missed while nothing served pile up; all but one of them are of no use.
        limit=1,
        collision_strategy=ConcurrencyLimitStrategy.CANCEL_NEW,
    )
    common: dict[str, Any] = {
        "parameters": {"home": str(session.home.root)},
        "tags": ["coworn"],
        "version": find_version(),
    }
    cron = Cron(make_cron(session.settings.time.nightly_at), timezone=find_local_zone())
    return [
        nightly.to_deployment(
            "nightly",
            schedule=cron,
            description="Missed files, late partners, outdated results, backup.",
            concurrency_limit=one_at_a_time,
            **common,
        ),
        drop.to_deployment(
            "drop",
            description="Takes what lies in the inbox, or the files that are named. While it is "
            "paused the watcher leaves the inbox alone.",
            **common,
        ),
        rebuild.to_deployment(
            "rebuild",
            description="Everything again from the archived originals.",
            concurrency_limit=one_at_a_time,
            **common,
        ),
        restore.to_deployment(
            "restore",
            description="A backup in the store's place.",
            concurrency_limit=one_at_a_time,
            **common,
        ),
    ]


def _make_runner(session: Session) -> Runner:
    """Make what serves the deployments, and register them."""
    from prefect.runner import Runner

    # Pausing would also pause the schedule for whoever serves next; the limit above is enough.
    runner = Runner(name="coworn", pause_on_shutdown=False)
    for deployment in make_deployments(session):
        runner.add_deployment(deployment)
    return runner


def _serve_deployments(runner: Runner) -> int:
    """Serve until a signal comes; return the exit code."""
    from prefect.exceptions import TerminationSignal

    try:
        asyncio.run(runner.start())
    except KeyboardInterrupt:
        return _EXIT_STOPPED
    except TerminationSignal:
        return 0
    return 0
