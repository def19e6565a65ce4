"""A real watcher on a real inbox, which takes files in as the product does, without Prefect."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pytest

from config.home import Home
from config.settings import Settings, load_settings
from flows.inbox import Watcher
from tasks.archive.originals import find_original
from tasks.core.folders import find_hint
from tasks.ingest.exports import Dropped, FileOutcome, ingest_file

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

DEADLINE_S = 30.0


@dataclass
class Watched:
    """A watched home and what became of the files so far."""

    home: Home
    settings: Settings
    outcomes: list[FileOutcome] = field(default_factory=list)
    watcher: Watcher | None = None

    @property
    def inbox(self) -> Path:
        return self.home.inbox

    def start(self) -> None:
        self.watcher = Watcher(self.inbox, settings=self.settings.inbox, on_drop=self._take)
        self.watcher.start()

    def stop(self) -> None:
        if self.watcher is not None:
            self.watcher.stop()
            self.watcher.join(DEADLINE_S)
            assert not self.watcher.is_alive()

    def _take(self, paths: tuple[Path, ...]) -> None:
        for path in paths:
            file = Dropped(path, path.name, find_hint(path, self.inbox))
            self.outcomes += ingest_file(file, home=self.home, settings=self.settings, move=True)

    def names(self, status: str | None = None) -> set[str]:
        return {one.name for one in self.outcomes if status is None or one.status == status}

    def read_archived(self, name: str) -> bytes:
        (file_id,) = {one.file_id for one in self.outcomes if one.name == name}
        path = find_original(file_id, home=self.home)
        assert path is not None
        return path.read_bytes()


def wait_for(is_so: Callable[[], bool], what: str) -> None:
    """Look again and again until `is_so`; the deadline is for a machine under load."""
    give_up = time.monotonic() + DEADLINE_S
    while not is_so():
        assert time.monotonic() < give_up, f"not within {DEADLINE_S} s: {what}"
        time.sleep(0.02)


def make_settings(**inbox: float | bool) -> Settings:
    """Return the settings with a watcher that waits less."""
    settings = load_settings()
    values = {"quiet_s": 0.2, "rescan_s": 1.0, "group_s": 0.5, **inbox}
    changed = settings.inbox.model_copy(update=values)
    return settings.model_copy(update={"inbox": changed})


@pytest.fixture
def home(tmp_path: Path) -> Home:
    made = Home(tmp_path / "home")
    made.create()
    return made


@pytest.fixture
def watched(home: Home) -> Iterator[Watched]:
    made = Watched(home, make_settings())
    made.start()
    yield made
    made.stop()
