"""The home folder: where everything of one installation lies."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

#: Names a folder other than ~/coworn as the home.
HOME_VARIABLE = "COWORN_HOME"


@dataclass(frozen=True)
class Home:
    """Paths inside the home folder; nothing is created by looking at them."""

    root: Path

    @property
    def inbox(self) -> Path:
        """Where exports are dropped."""
        return self.root / "inbox"

    @property
    def originals(self) -> Path:
        """Archived exports, byte for byte."""
        return self.root / "originals"

    @property
    def refused(self) -> Path:
        """Exports that were not taken, each with its reason beside it."""
        return self.root / "refused"

    @property
    def lake(self) -> Path:
        """Parquet files."""
        return self.root / "lake"

    @property
    def results(self) -> Path:
        """The link to the newest published copy of the store."""
        return self.root / "results.duckdb"

    @property
    def pointer(self) -> Path:
        """Names the newest published copy where `results` can be no link."""
        return self.root / "results.newest.txt"

    @property
    def published(self) -> Path:
        """Published copies, versioned."""
        return self.root / "published"

    @property
    def state(self) -> Path:
        """Private: store, ledger, Prefect's home, logs."""
        return self.root / "state"

    @property
    def store(self) -> Path:
        """The private store that results are appended to."""
        return self.state / "store.duckdb"

    @property
    def ledger(self) -> Path:
        """What was seen and done, file by file."""
        return self.state / "ledger.sqlite"

    @property
    def prefect(self) -> Path:
        """Prefect's home."""
        return self.state / "prefect"

    @property
    def logs(self) -> Path:
        """Log files."""
        return self.state / "logs"

    @property
    def report(self) -> Path:
        """Pages and figures."""
        return self.root / "report"

    @property
    def backups(self) -> Path:
        """Dated, verified copies of the store."""
        return self.root / "backups"

    @property
    def courses(self) -> Path:
        """Reference lines as GPX."""
        return self.root / "courses"

    @property
    def outlines(self) -> Path:
        """The person's own lines for the background of maps."""
        return self.root / "outlines"

    @property
    def columns(self) -> Path:
        """The person's own CSV layouts."""
        return self.root / "columns"

    @property
    def queries(self) -> Path:
        """The person's own saved queries."""
        return self.root / "queries"

    @property
    def sql_history(self) -> Path:
        """What was asked at the prompt of `coworn sql`."""
        return self.state / "sql_history"

    @property
    def settings(self) -> Path:
        """Settings that differ from the defaults."""
        return self.root / "coworn.toml"

    @property
    def devices(self) -> Path:
        """Devices."""
        return self.root / "devices.toml"

    @property
    def plan(self) -> Path:
        """The test's plan."""
        return self.root / "plan.toml"

    @property
    def plans(self) -> Path:
        """Every plan that was taken up, dated."""
        return self.state / "plans"

    def create(self) -> None:
        """Make the folders, readable by their owner only where they are new."""
        for folder in (
            self.root,
            self.inbox,
            self.originals,
            self.refused,
            self.lake,
            self.published,
            self.report,
            self.state,
            self.logs,
            self.backups,
            self.courses,
        ):
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)


def find_home(folder: Path | None = None) -> Home:
    """Return the home at `folder`, else at COWORN_HOME, else at ~/coworn."""
    if folder is None:
        named = os.environ.get(HOME_VARIABLE)
        folder = Path(named) if named else Path.home() / "coworn"
    return Home(folder.expanduser().absolute())
