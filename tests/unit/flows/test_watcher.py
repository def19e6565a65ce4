"""The watching thread with real events: what it hands on, and that it outlives what fails."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

import pytest

from config.settings import load_settings
from flows.inbox import Watcher

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

DEADLINE_S = 30.0
NOTE = "start = 2026-05-02T07:30:00Z\n"


class Hands:
    """Takes drops; can be told to fail once, and can be held."""

    def __init__(self) -> None:
        self.drops: list[tuple[str, ...]] = []
        self.came = threading.Event()
        self.may_go = threading.Event()
        self.may_go.set()
        self.fails_left = 0
        self.stays_left = 0

    def take(self, paths: tuple[Path, ...]) -> None:
        self.drops.append(tuple(path.name for path in paths))
        if self.fails_left:
            self.fails_left -= 1
            raise RuntimeError("the disk is away")
        if self.stays_left:
            self.stays_left -= 1
            return
        for path in paths:
            path.unlink()
        self.came.set()
        assert self.may_go.wait(DEADLINE_S)


@pytest.fixture
def hands() -> Hands:
    return Hands()


def _watch(inbox: Path, hands: Hands, *, rescan_s: float = 0.5, owes: bool = False) -> Watcher:
    inbox.mkdir(exist_ok=True)
    settings = load_settings().inbox.model_copy(update={"quiet_s": 0.1, "rescan_s": rescan_s})
    return Watcher(inbox, settings=settings, on_drop=hands.take, owes=owes)


@pytest.fixture
def started() -> Iterator[list[Watcher]]:
    watchers: list[Watcher] = []
    yield watchers
    for watcher in watchers:
        watcher.stop()
        watcher.join(DEADLINE_S)
        assert not watcher.is_alive()


def test_a_drop_that_has_begun_is_finished_before_the_thread_ends(
    tmp_path: Path, hands: Hands, started: list[Watcher]
) -> None:
    watcher = _watch(tmp_path / "inbox", hands)
    hands.may_go.clear()
    started.append(watcher)
    watcher.start()
    (tmp_path / "inbox" / "a.notes.toml").write_text(NOTE)
    assert hands.came.wait(DEADLINE_S)
    watcher.stop()
    assert watcher.is_alive()
    assert watcher.is_busy
    hands.may_go.set()
    watcher.join(DEADLINE_S)
    assert not watcher.is_alive()
    assert hands.drops == [("a.notes.toml",)]


def test_a_drop_that_failed_is_made_up_for(
    tmp_path: Path, hands: Hands, started: list[Watcher]
) -> None:
    hands.fails_left = 1
    watcher = _watch(tmp_path / "inbox", hands)
    started.append(watcher)
    watcher.start()
    (tmp_path / "inbox" / "a.notes.toml").write_text(NOTE)
    assert hands.came.wait(DEADLINE_S)
    assert hands.drops[0] == ("a.notes.toml",)
    assert len(hands.drops) >= 2


def test_a_file_that_could_not_be_taken_is_handed_on_again(
    tmp_path: Path, hands: Hands, started: list[Watcher]
) -> None:
    hands.stays_left = 2
    watcher = _watch(tmp_path / "inbox", hands)
    started.append(watcher)
    watcher.start()
    (tmp_path / "inbox" / "a.notes.toml").write_text(NOTE)
    assert hands.came.wait(DEADLINE_S)
    assert hands.drops == [("a.notes.toml",)] * 3


def test_what_an_interrupted_run_left_is_made_up_for_at_once(
    tmp_path: Path, hands: Hands, started: list[Watcher]
) -> None:
    watcher = _watch(tmp_path / "inbox", hands, rescan_s=600.0, owes=True)
    started.append(watcher)
    watcher.start()
    assert hands.came.wait(DEADLINE_S)
    assert hands.drops == [()]
