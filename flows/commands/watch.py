"""`coworn watch`: the inbox, watched in this process until a signal comes."""

from __future__ import annotations

import logging
import os
import signal
import threading
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Annotated, Final

import typer

from flows.commands.declare import Options, command
from flows.console import terminal
from flows.console.error_messages import RepeatedErrors, explain_os_error
from flows.inbox import PutOffError, Watcher
from flows.run_reports import listen
from flows.runs.nightly import NIGHT_LEEWAY, find_last_due
from tasks.core.errors import CowornError

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path
    from types import FrameType

    from rich.console import Console

    from config.home import Home
    from config.session import Session
    from config.settings import Settings
    from flows.engine.engine import Engine
    from flows.run_reports import DropReport, NightlyReport

LOG: Final = logging.getLogger(__name__)
#: Time after which a nightly run that failed is tried again.
RETRY_NIGHTLY: Final = timedelta(hours=1)
#: Time for which the files of a cancelled drop wait [s].
CANCELLED_PAUSE_S: Final = 3600.0
_EXIT_STOPPED: Final = 130
#: Pages that are named after a drop; the index has all.
_MOST_PAGES: Final = 5


@command()
def watch(
    options: Options,
    *,
    once: Annotated[
        bool, typer.Option("--once", help="End as soon as the inbox is empty.")
    ] = False,
    show_page: Annotated[
        bool, typer.Option("--open", help="Open the page of each new workout in the browser.")
    ] = False,
) -> int:
    """Watch the inbox until stopped; also takes what was dropped while it was not running.

    SIGTERM ends it with 0, Ctrl-C with 130; a run that has begun is finished first.
    """
    from flows.engine.engine import find_engine
    from flows.engine.environment import prepare_environment
    from flows.engine.task_runner import check_dask
    from flows.session.home import open_home
    from flows.session.locks import hold_watch_lock
    from flows.session.log import begin_log

    session = open_home(options.home)
    home = session.home
    check_dask(session.settings)
    begin_log(home)
    prepare_environment(home, debug=options.debug)
    console = options.make_console()
    console.print(f"starting to watch {terminal.clean(home.inbox)} ...")
    with hold_watch_lock(home, purpose="coworn watch"):
        engine = find_engine(home.logs)
        engine.begin()
        load_libraries()
        engine.start()
        if engine.is_named_down:
            terminal.print_error(
                f"no Prefect server answers at {engine.named}; runs are not shown there, "
                "the work goes on"
            )
        watcher = make_watcher(
            session, engine, console=console, with_nightly=not once, show_page=show_page
        )
        stopped_by = _watch_until_signal(watcher, console, once=once)
        engine.stop()
    if stopped_by is None and once:
        return 0
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
    session: Session,
    engine: Engine,
    *,
    console: Console,
    with_nightly: bool,
    show_page: bool = False,
) -> Watcher:
    """Make the watcher of a home's inbox, not started yet."""
    home, settings = session.home, session.settings
    clock = NightlyClock(home, settings.time.nightly_at)
    taker = _DropTaker(session, engine, console, show_page=show_page)

    def rest() -> None:
        engine.rest()
        if with_nightly and clock.is_due():
            clock.run(engine, console=console)

    def report_lost(lost: bool) -> None:  # noqa: FBT001 - the watcher's own signature
        if lost:
            terminal.print_error(f"{home.inbox} is gone; waiting for it to be made again")
        else:
            console.print(f"{terminal.clean(home.inbox)} is there again")

    return Watcher(
        home.inbox,
        settings=settings.inbox,
        on_drop=taker.take,
        on_idle=rest,
        on_lost=report_lost,
        owes=_has_unsettled(home),
    )


class _DropTaker:
    """Takes drops in, one after the other, and prints what came of them."""

    def __init__(
        self, session: Session, engine: Engine, console: Console, *, show_page: bool
    ) -> None:
        self._home = session.home
        self._settings = session.settings
        self._engine = engine
        self._console = console
        self._show_page = show_page
        self._repeated = RepeatedErrors()

    def take(self, paths: tuple[Path, ...]) -> None:
        """Take in what lies at `paths`. Raises: PutOffError, and what the drop raises."""
        from flows.console.run_summary import report_complaints
        from flows.engine.deployed_runs import RunHeldError

        try:
            report = self._run(paths)
        except RunHeldError as error:
            if self._repeated.is_new(str(error)):
                terminal.print_error(str(error))
            raise PutOffError(self._settings.inbox.rescan_s) from error
        except Exception as error:
            what = f"a drop of {len(paths)} files"
            _report_failure(error, self._repeated, what, self._settings)
            raise
        report_complaints(report.page_complaints)
        _show_pages(report, self._home, self._console, show_page=self._show_page)
        if report.is_cancelled:
            terminal.print_error(
                "the drop was cancelled on the Prefect server; what it had not begun waits for an "
                "hour, the night or a new start of the watcher"
            )
            raise PutOffError(CANCELLED_PAUSE_S)

    def _run(self, paths: tuple[Path, ...]) -> DropReport:
        from flows.drop import drop
        from flows.engine.deployed_runs import run_deployed
        from flows.runs.drop import describe_drop

        parameters = {
            "home": self._home.root,
            "files": describe_drop(paths, self._home),
            "move": True,
        }
        with (
            terminal.show_progress(quiet=self._console.quiet),
            self._engine.running(),
            listen(self._show),
        ):
            report: DropReport = run_deployed(drop, parameters)
        return report

    def _show(self, report: DropReport) -> None:
        from flows.console.run_summary import show_drop

        new = replace(report, outcomes=self._repeated.pick_new(report.outcomes))
        if new.outcomes or not report.outcomes:
            show_drop(new, console=self._console, home=self._home)


def _show_pages(report: DropReport, home: Home, console: Console, *, show_page: bool) -> None:
    """Print the addresses of the pages of new workouts, and open them where that is asked for."""
    pages = [
        home.report / "workouts" / f"{workout.workout_id}.html"
        for workout in report.workout_run.summary.workouts
        if workout.is_new
    ]
    there = [page for page in pages if page.is_file()]
    for page in there[:_MOST_PAGES]:
        console.print(f"page: {page.absolute().as_uri()}", soft_wrap=True)
        if show_page:
            import webbrowser

            webbrowser.open(page.absolute().as_uri())
    if len(there) > _MOST_PAGES:
        index = (home.report / "index.html").absolute().as_uri()
        console.print(f"{len(there) - _MOST_PAGES} more pages: {index}", soft_wrap=True)


def _report_failure(
    error: Exception, repeated: RepeatedErrors, what: str, settings: Settings
) -> None:
    """Print that a drop failed, unless the one before it failed in the same way."""
    if isinstance(error, CowornError):
        cause = message = str(error)
    else:
        cause = explain_os_error(error) or f"{type(error).__name__}: {error}"
        message = (
            f"{what} failed ({cause}); nothing is lost, it is tried again every "
            f"{settings.inbox.rescan_s:g} s until it is done"
        )
    if repeated.is_new(cause):
        terminal.print_error(message)


def _has_unsettled(home: Home) -> bool:
    """Say whether a run was interrupted between taking files in and measuring them."""
    from tasks.archive.ledger import Ledger

    with Ledger(home) as ledger:
        return bool(ledger.unsettled())


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
        from flows.engine.deployed_runs import RunHeldError, run_deployed
        from flows.nightly import nightly

        self._next_try = self._now() + RETRY_NIGHTLY
        since = find_last_due(self._now().astimezone(), self._at) - NIGHT_LEEWAY
        try:
            with engine.running(heartbeat=True):
                report: NightlyReport | None = run_deployed(
                    nightly, {"home": self._home.root, "not_if_since": since}
                )
        except RunHeldError as error:
            terminal.print_error(f"the nightly run waits: {error}; it is tried again in an hour")
        except Exception as error:
            LOG.exception("the nightly run failed")
            terminal.print_error(f"the nightly run failed ({error}); it is tried again in an hour")
        else:
            if report is not None:
                show_nightly(report, console=console)

    def _recall(self) -> datetime | None:
        from tasks.archive.ledger import LAST_NIGHTLY, Ledger

        with Ledger(self._home) as ledger:
            kept = ledger.recall(LAST_NIGHTLY)
        return None if kept is None else datetime.fromisoformat(kept)


def _watch_until_signal(
    watcher: Watcher, console: Console, *, once: bool = False
) -> signal.Signals | None:
    """Run `watcher` until a signal comes, or `once` the inbox is empty.

    Returns the signal, None when the watcher ended without one.
    """
    from tasks.core.folders import scan_folder

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
        ends = "ends when it is empty" if once else "Ctrl-C stops"
        console.print(f"watching {terminal.clean(watcher.inbox)}; {ends}")
        is_done = False
        while watcher.is_alive() and not received and not is_done:
            wake.wait(0.5)
            is_done = once and not watcher.is_busy and not scan_folder(watcher.inbox)
        if received or is_done:
            watcher.stop()
            if watcher.is_busy and not is_done:
                console.print("finishing the run that has begun; Ctrl-C again leaves at once")
        while watcher.is_alive():
            watcher.join(0.5)
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    LOG.info("the watcher ended%s", f" ({received[0].name})" if received else " by itself")
    return received[0] if received else None
