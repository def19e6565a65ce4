"""Locks of a home: they name their holder and end with it."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

from config.home import Home
from flows.session.locks import RUN, hold_run_lock, hold_watch_lock, is_held, is_watched
from tasks.core.errors import StoreBusyError

if TYPE_CHECKING:
    from pathlib import Path


def test_a_held_home_names_its_holder(tmp_path: Path) -> None:
    home = Home(tmp_path)
    with (
        hold_run_lock(home, wait_s=0, purpose="coworn drop"),
        pytest.raises(StoreBusyError, match=rf"process {os.getpid()} \(coworn drop, since "),
        hold_run_lock(home, wait_s=0, purpose="coworn nightly"),
    ):
        pass
    with hold_run_lock(home, wait_s=0, purpose="coworn nightly"):
        assert is_held(home, RUN)
    assert not is_held(home, RUN)


def test_a_run_and_a_watcher_do_not_stand_in_each_others_way(tmp_path: Path) -> None:
    home = Home(tmp_path)
    assert not is_watched(home)
    with hold_watch_lock(home, purpose="watch"), hold_run_lock(home, wait_s=0, purpose="drop"):
        assert is_watched(home)
    assert not is_watched(home)


def test_a_lock_is_free_again_after_an_error(tmp_path: Path) -> None:
    home = Home(tmp_path)
    with pytest.raises(RuntimeError), hold_run_lock(home, wait_s=0, purpose="drop"):
        raise RuntimeError
    assert not is_held(home, RUN)


def test_an_unreadable_note_of_the_holder_still_gives_a_message(tmp_path: Path) -> None:
    home = Home(tmp_path)
    with hold_run_lock(home, wait_s=0, purpose="drop"):
        (home.state / "run.holder.json").write_text("not json")
        with (
            pytest.raises(StoreBusyError, match="another process"),
            hold_run_lock(home, wait_s=0, purpose="drop"),
        ):
            pass
