"""How commands that work on a home begin and end: one opening, one closing."""

from __future__ import annotations

import contextlib
import importlib
import logging
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Concatenate, Final, ParamSpec, TypeVar

from flows.console import terminal
from flows.engine.engine import Engine, find_engine
from flows.engine.environment import find_api_url, is_server_up, prepare_environment
from flows.engine.task_runner import check_dask
from flows.session.home import open_home
from flows.session.log import begin_log

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from rich.console import Console

    from config.home import Home
    from config.session import Session
    from flows.commands.declare import Options
    from flows.run_reports import DropReport
    from tasks.ingest.exports import Dropped

LOG: Final = logging.getLogger(__name__)
P = ParamSpec("P")
R = TypeVar("R")

#: Where the Prefect flow of each run is, and whether it is long enough for Prefect's heartbeat.
_FLOWS: Final = {
    "run_drop": ("flows.drop", "drop", False),
    "run_nightly": ("flows.nightly", "nightly", True),
    "run_rebuild": ("flows.rebuild", "rebuild", True),
    "run_restore": ("flows.rebuild", "restore", True),
}


@dataclass(frozen=True)
class Work:
    """A home that a command works on, and whether its runs report to a Prefect server."""

    session: Session
    console: Console
    quiet: bool
    engine: Engine | None

    def run(
        self,
        function: Callable[Concatenate[Session, P], R],
        *arguments: P.args,
        **parameters: P.kwargs,
    ) -> R:
        """Do a run, e.g. `run_drop`: as a flow of Prefect where a server is named, else plainly."""
        with terminal.show_progress(quiet=self.quiet):
            if self.engine is None:
                return function(self.session, *arguments, **parameters)
            flow, heartbeat = load_flow(function)
            from flows.engine.deployed_runs import read_result

            with self.engine.running(heartbeat=heartbeat):
                state = flow(home=self.session.home.root, **parameters, return_state=True)
                result: R = read_result(state)
                return result

    def take(
        self, files: Sequence[Dropped], *, move: bool, show: Callable[[DropReport], int]
    ) -> int:
        """Take in `files` as one drop; `show` prints its numbers before the pages are written.

        Returns the exit code: the larger one of `show` and of the pages.
        """
        given: dict[str, Any] = {}
        if _has_new(files, self.session.home):
            from tasks.guard import warm_up

            # The process that reads starts while this one imports the rest.
            warm_up()
        elif not move and self.engine is None:
            from flows.runs.known_files import look_at_known

            looked = look_at_known(self.session, files)
            if looked is not None and looked.report is not None:
                return show(looked.report)
            given = {} if looked is None else {"taken": looked.outcomes}
        from flows.console.run_summary import report_complaints
        from flows.run_reports import listen
        from flows.runs.drop import run_drop

        codes: list[int] = []
        with listen(lambda report: codes.append(show(report))):
            report = self.run(run_drop, files=files, move=move, **given)
        return max([report_complaints(report.page_complaints), *codes])


@contextlib.contextmanager
def open_work(options: Options, *, folder: Path | None = None) -> Iterator[Work]:
    """Open the home at `folder`, else the one that `options` name, for runs.

    The current folder is another one afterwards (see `prepare_environment`).
    Raises: UsageError, SettingsError.
    """
    session = open_home(folder or options.home)
    home = session.home
    check_dask(session.settings)
    begin_log(home)
    prepare_environment(home, debug=options.debug)
    engine = find_engine(home.logs)
    try:
        yield Work(
            session, options.make_console(), options.quiet, engine if _is_named_up() else None
        )
    finally:
        engine.stop()


def _has_new(files: Sequence[Dropped], home: Home) -> bool:
    """Say whether any of `files` was never taken in: only then something has to be read."""
    from tasks.archive.ledger import Ledger
    from tasks.archive.originals import hash_file

    with Ledger(home) as ledger, contextlib.suppress(OSError):
        return any(ledger.find_file(hash_file(file.path)) is None for file in files)
    return True


def load_flow(function: Callable[..., Any]) -> tuple[Callable[..., Any], bool]:
    """Return the Prefect flow of a run, and whether it keeps Prefect's heartbeat."""
    module, name, heartbeat = _FLOWS[function.__name__]
    return getattr(importlib.import_module(module), name), heartbeat


def _is_named_up() -> bool:
    """Say whether the environment names a Prefect server that answers."""
    named = find_api_url()
    if named is None:
        return False
    if is_server_up(named):
        return True
    LOG.warning("no Prefect server answers at %s; the run is not shown there", named)
    return False
