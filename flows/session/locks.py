"""Locks of a home: one run pairs, measures and appends at a time; one watcher takes the inbox.

One process at a time writes the pages. All are locks of the operating system, which end with the
process that holds them, however it ends. What stands in the file beside a lock only words the
message.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
from datetime import datetime
from typing import TYPE_CHECKING, Final

from filelock import FileLock, Timeout

from tasks.core.errors import StoreBusyError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from config.home import Home

#: Locks, by what they guard.
RUN: Final = "run"
WATCH: Final = "watch"
REPORT: Final = "report"
NIGHT: Final = "night"
#: What a lock guards, in words.
_GUARDED: Final = {
    RUN: "this home",
    WATCH: "the inbox",
    REPORT: "the report",
    NIGHT: "the night of",
}


@contextlib.contextmanager
def hold_run_lock(home: Home, *, wait_s: float, purpose: str) -> Iterator[None]:
    """Hold the home for pairing, measuring and appending.

    Raises: StoreBusyError, which names the holder, after `wait_s`.
    """
    with _hold(home, RUN, wait_s=wait_s, purpose=purpose):
        yield


@contextlib.contextmanager
def hold_watch_lock(home: Home, *, purpose: str) -> Iterator[None]:
    """Hold the inbox of `home`, without waiting.

    Raises: StoreBusyError, which names the holder.
    """
    with _hold(home, WATCH, wait_s=0, purpose=purpose):
        yield


@contextlib.contextmanager
def hold_report_lock(home: Home, *, wait_s: float) -> Iterator[None]:
    """Hold the pages of `home` for writing.

    Raises: StoreBusyError, which names the holder, after `wait_s`.
    """
    with _hold(home, REPORT, wait_s=wait_s, purpose="writes pages"):
        yield


@contextlib.contextmanager
def hold_night_lock(home: Home, *, wait_s: float) -> Iterator[None]:
    """Hold the nightly run of `home`: a scheduled one must not begin beside another.

    Raises: StoreBusyError, which names the holder, after `wait_s`.
    """
    with _hold(home, NIGHT, wait_s=wait_s, purpose="coworn nightly"):
        yield


def is_watched(home: Home) -> bool:
    """Say whether a watcher holds the inbox of `home`."""
    return is_held(home, WATCH)


def is_held(home: Home, name: str) -> bool:
    """Say whether somebody holds the lock `name` of `home`."""
    path = home.state / f"{name}.lock"
    if not path.exists():
        return False
    lock = FileLock(path, mode=0o600)
    try:
        lock.acquire(timeout=0)
    except Timeout:
        return True
    lock.release()
    return False


def describe_holder(home: Home, lock: str) -> str:
    """Say in words who holds (or last held) `lock`."""
    try:
        facts = json.loads(_holder_path(home, lock).read_text(encoding="utf-8"))
        return f"process {facts['pid']} ({facts['purpose']}, since {facts['since']})"
    except (OSError, ValueError, KeyError, TypeError):
        return "another process"


@contextlib.contextmanager
def _hold(home: Home, name: str, *, wait_s: float, purpose: str) -> Iterator[None]:
    home.state.mkdir(mode=0o700, parents=True, exist_ok=True)
    lock = FileLock(home.state / f"{name}.lock", mode=0o600)
    try:
        lock.acquire(timeout=wait_s, poll_interval=0.1)
    except Timeout:
        raise StoreBusyError(
            f"{describe_holder(home, name)} holds {_GUARDED[name]} {home.root}; "
            "wait until it has ended, or stop it"
        ) from None
    holder = _holder_path(home, name)
    try:
        _write_holder(holder, purpose)
        yield
    finally:
        with contextlib.suppress(OSError):
            holder.unlink()
        lock.release()


def _holder_path(home: Home, name: str) -> Path:
    return home.state / f"{name}.holder.json"


def _write_holder(path: Path, purpose: str) -> None:
    facts = {
        "pid": os.getpid(),
        "purpose": purpose,
        "command": " ".join(sys.argv),
        "since": datetime.now().astimezone().isoformat(timespec="seconds"),
    }
    with contextlib.suppress(OSError):
        path.touch(mode=0o600)
        path.write_text(json.dumps(facts), encoding="utf-8")
