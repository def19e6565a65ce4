"""`coworn watch`: the inbox, watched in this process until a signal comes."""

from __future__ import annotations

import logging
import os
import signal
import threading
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

from flows.console import terminal
from flows.console.error_messages import RepeatedErrors, explain_os_error
from flows.engine.prefect_server import Engine, prepare
from flows.inbox import Watcher
from flows.session.home import open_home
from flows.session.locks import hold_watch_lock
from flows.session.log import begin_log
from tasks.core.errors import CowornError
from tasks.core.folders import find_hint

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path
    from types import FrameType

    from rich.console import Console

    from config.home import Home
    from config.settings import Settings

LOG: Final = logging.getLogger(__name__)
#: Time after which a nightly run that failed is tried again.
RETRY_NIGHTLY: Final = timedelta(hours=1)
_EXIT_STOPPED: Final = 130


def run_watch(folder: Path | None, *, debug: bool = False, quiet: bool = False) -> int:
    """Watch the inbox until SIGINT (130) or SIGTERM (0); a run that has begun is finished first."""
    opened = open_home(folder)
    home, settings = opened.home, opened.settings
    begin_log(home)
    prepare(home, debug=debug)
    console = terminal.make_console(quiet=quiet)
    with hold_watch_lock(home, purpose="coworn watch"):
        engine = Engine(home)
        engine.begin()
        load_libraries()
        engine.start()
        if engine.is_named_down:
            terminal.print_error(
                f"no Prefect server answers at {engine.named}; runs are not shown there, "
                "the work goes on"
            )
        watcher = make_watcher(home, settings, engine, console=console, with_nightly=True)
        stopped_by = _watch_until_signal(watcher, console)
        engine.stop()
    if stopped_by is None:
        terminal.print_error(f"the watcher ended by itself; see {home.logs / 'coworn.log'}")
        return 1
    return _EXIT_STOPPED if stopped_by == signal.SIGINT else 0


def load_libraries() -> None:
    """Import what the first drop needs before it comes, here and in the reading process."""
    from tasks.guard import warm_up

    warm_up()
    from tasks.core.discovery import load_metrics

    load_metrics()


def make_watcher(
    home: Home,
    settings: Settings,
    engine: Engine,
    *,
    console: Console,
    with_nightly: bool,
) -> Watcher:
    """Make the watcher of a home's inbox, not started yet."""
    clock = NightlyClock(home, settings.time.nightly_at)
    troubles = RepeatedErrors()

    def take(paths: tuple[Path, ...]) -> None:
        from flows.console.run_summary import show_drop
        from flows.drop import drop
        from tasks.ingest.exports import Dropped

        files = [Dropped(path, path.name, find_hint(path, home.inbox)) for path in paths]
        try:
            with engine.running():
                report = drop(home=home.root, files=files, move=True)
        except Exception as error:
            _tell_failure(error, troubles, f"a drop of {len(paths)} files", settings)
            raise
        told = replace(report, outcomes=troubles.pick_new(report.outcomes))
        if told.outcomes or not report.outcomes:
            show_drop(told, console=console, home=home)

    def rest() -> None:
        engine.rest()
        if with_nightly and clock.is_due():
            clock.run(engine, console=console)

    def tell_lost(lost: bool) -> None:  # noqa: FBT001 - the watcher's own signature
        if lost:
            terminal.print_error(f"{home.inbox} is gone; waiting for it to be made again")
        else:
            console.print(f"{terminal.clean(home.inbox)} is there again")

    return Watcher(
        home.inbox,
        settings=settings.inbox,
        on_drop=take,
        on_idle=rest,
        on_lost=tell_lost,
        owes=_has_unsettled(home),
    )


def _tell_failure(
    error: Exception, troubles: RepeatedErrors, what: str, settings: Settings
) -> None:
    """Say that a drop failed, unless the one before it failed in the same way."""
    if isinstance(error, CowornError):
        trouble = told = str(error)
    else:
        trouble = explain_os_error(error) or f"{type(error).__name__}: {error}"
        told = (
            f"{what} failed ({trouble}); nothing is lost, it is tried again every "
            f"{settings.inbox.rescan_s:g} s until it is done"
        )
    if troubles.is_new(trouble):
        terminal.print_error(told)


def _has_unsettled(home: Home) -> bool:
    """Say whether a run was interrupted between taking files in and settling them."""
    from tasks.archive.ledger import Ledger

    with Ledger(home) as ledger:
        return bool(ledger.unsettled())


def find_last_due(now: datetime, at: str) -> datetime:
    """Return the newest instant not after `now` at which the nightly run was due.

    `now` carries its local zone; `at` is "hh:mm" in that zone.
    """
    hour, minute = (int(part) for part in at.split(":"))
    due = now.replace(hour=hour, minute=minute, second=0, microsecond=0)
    return due if due <= now else due - timedelta(days=1)


class NightlyClock:
    """Fires the nightly run once a day, also when the hour passed while nothing was running."""

    def __init__(
        self, home: Home, at: str, *, now: Callable[[], datetime] = lambda: datetime.now(UTC)
    ) -> None:
        self._home = home
        self._at = at
        self._now = now
        self._begun = now()
        self._next_try = self._begun

    def is_due(self) -> bool:
        """Say whether the last due instant has passed without a run since."""
        now = self._now()
        if now < self._next_try <= now + RETRY_NIGHTLY:
            return False
        due = find_last_due(now.astimezone(), self._at)
        # What lies in the future was written down by a clock that has been set back since.
        self._begun = min(self._begun, now)
        last = self._recall()
        # A home that never had a run begins with the next hour, not with a run at once.
        return (self._begun if last is None or last > now else last) < due

    def run(self, engine: Engine, *, console: Console) -> None:
        """Run it; a run that fails is tried again later."""
        from flows.console.run_summary import show_nightly
        from flows.nightly import nightly

        self._next_try = self._now() + RETRY_NIGHTLY
        try:
            with engine.running(heartbeat=True):
                report = nightly(home=self._home.root)
        except Exception as error:
            LOG.exception("the nightly run failed")
            terminal.print_error(f"the nightly run failed ({error}); it is tried again in an hour")
        else:
            show_nightly(report, console=console)

    def _recall(self) -> datetime | None:
        from tasks.archive.ledger import LAST_NIGHTLY, Ledger

        with Ledger(self._home) as ledger:
            kept = ledger.recall(LAST_NIGHTLY)
        return None if kept is None else datetime.fromisoformat(kept)


def _watch_until_signal(watcher: Watcher, console: Console) -> signal.Signals | None:
    """Run `watcher` until a signal comes; give the signal, None when the watcher ended itself."""
    received: list[signal.Signals] = []
    wake = threading.Event()

    def note(number: int, _frame: FrameType | None) -> None:
        if received and number == signal.SIGINT:
            os._exit(_EXIT_STOPPED)  # asked twice: leave at once; what was begun is begun again
        received.append(signal.Signals(number))
        wake.set()

    numbers = [signal.SIGINT, signal.SIGTERM]
    if hasattr(signal, "SIGHUP"):
        numbers.append(signal.SIGHUP)
    before = {number: signal.signal(number, note) for number in numbers}
    try:
        watcher.start()
        LOG.info("watching %s", watcher.inbox)
        console.print(f"watching {terminal.clean(watcher.inbox)}; Ctrl-C stops")
        while watcher.is_alive() and not received:
            wake.wait(0.5)
        if received:
            watcher.stop()
            if watcher.is_busy:
                console.print("finishing the run that has begun; Ctrl-C again leaves at once")
        while watcher.is_alive():
            watcher.join(0.5)
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    LOG.info("the watcher ended%s", f" ({received[0].name})" if received else " by itself")
    return received[0] if received else None
