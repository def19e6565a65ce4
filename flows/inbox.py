"""The watcher: what lies whole in the inbox goes on, exactly once.

File-system events only ring a bell. A scan decides, because no single event means "this file is
whole": a move gives no closing event, a slow writer closes more than once, a network drive sends
none at all, and a folder that was deleted and made again leaves its observer deaf.
"""

from __future__ import annotations

import logging
import os
import threading
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from tasks.archive.originals import is_being_written
from tasks.core.folders import Stamp, scan_folder

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from config.settings import InboxSettings

LOG: Final = logging.getLogger(__name__)

#: Pause between two looks while a file is still changing [s].
RESTLESS_PAUSE_S: Final = 0.25
#: Pause between two looks while another program holds a file open for writing [s].
HELD_PAUSE_S: Final = 1.0
#: Longest pause before a file that stays where it is, although it was taken, is taken again [s].
LONGEST_PAUSE_S: Final = 3600.0
_MOST_DOUBLINGS: Final = 20
#: Pause between two looks for an inbox that is gone [s].
LOST_PAUSE_S: Final = 1.0
#: Files that one drop takes at the most; the rest follows in the next one. Prefect refuses a run
#: whose parameters are larger than half a megabyte.
MAX_DROP_FILES: Final = 500


@dataclass(frozen=True)
class ScanResult:
    """What one look at the inbox found.

    `ready` are the files to take now; `restless` says that others are still changing;
    `due_in_s` is the time until the first of those that wait longer is due again, None for none.
    """

    ready: tuple[Path, ...]
    restless: bool
    due_in_s: float | None = None


@dataclass
class _Waiting:
    stamp: Stamp
    since_s: float
    whole: bool | None = None
    not_before_s: float = 0.0
    n_taken: int = 0


def is_whole(path: Path) -> bool:
    """Say whether a file that stopped growing holds all that it should.

    An empty file is not whole: some browsers reserve the name with one while they download.
    """
    from tasks.guard import ReadingProcessError, is_complete_isolated
    from tasks.readers.notes import is_notes

    try:
        if path.stat().st_size == 0:
            return False
        return is_notes(path.name) or is_complete_isolated(path, path.name)
    except (OSError, ReadingProcessError):
        # The machine's trouble, not the file's: it is looked at again.
        return False


def _earlier(first_s: float | None, second_s: float) -> float:
    return second_s if first_s is None else min(first_s, second_s)


@dataclass
class ReadinessTracker:
    """Which files of an inbox are ready, from one look to the next.

    A file is ready when its stamp did not change for `quiet_s` and its content is whole, or when
    it waited for `patience_s`; never while another program has it open for writing. Files that
    lie ready wait for others that are still arriving, so that one drop becomes one run, but no
    longer than `group_s`. What stays although it was taken could not be archived or removed: it is
    ready again after `rescan_s`, and then after ever longer pauses.
    """

    settings: InboxSettings
    check_whole: Callable[[Path], bool] = is_whole
    check_held: Callable[[Path], bool] = is_being_written
    max_files: int = MAX_DROP_FILES
    _waiting: dict[Path, _Waiting] = field(default_factory=dict)

    def look(self, found: Mapping[Path, Stamp], now_s: float) -> ScanResult:
        """Compare `found` with what was seen before; `now_s` is a monotonic clock [s]."""
        self._forget_absent(found)
        for path, stamp in found.items():
            seen = self._waiting.get(path)
            if seen is None or seen.stamp != stamp:
                self._waiting[path] = _Waiting(stamp, now_s)
        ready: list[Path] = []
        restless = False
        longest_ready_s = 0.0
        due_in_s: float | None = None
        for path, waiting in sorted(self._waiting.items()):
            if now_s < waiting.not_before_s:
                due_in_s = _earlier(due_in_s, waiting.not_before_s - now_s)
                continue
            quiet_s = now_s - waiting.since_s
            if quiet_s < self.settings.quiet_s:
                restless = True
                continue
            left_s = self._find_time_left(path, waiting, quiet_s=quiet_s)
            if left_s <= 0:
                ready.append(path)
                longest_ready_s = max(longest_ready_s, quiet_s - self.settings.quiet_s)
            else:
                due_in_s = _earlier(due_in_s, left_s)
        if restless and longest_ready_s < self.settings.group_s:
            return ScanResult((), restless=True, due_in_s=due_in_s)
        return ScanResult(tuple(ready[: self.max_files]), restless=restless, due_in_s=due_in_s)

    def _find_time_left(self, path: Path, waiting: _Waiting, *, quiet_s: float) -> float:
        """Return the time until a quiet file is looked at again [s]; 0 or less: it is ready."""
        if self.check_held(path):
            return HELD_PAUSE_S
        if waiting.whole is None:
            waiting.whole = self.check_whole(path)
        return 0.0 if waiting.whole else self.settings.patience_s - quiet_s

    def mark_taken(self, paths: tuple[Path, ...], now_s: float) -> None:
        """Remember that `paths` were handed on; those that stay wait twice as long each time."""
        for waiting in self._find(paths):
            times = min(waiting.n_taken, _MOST_DOUBLINGS)
            pause_s = min(self.settings.rescan_s * 2.0**times, LONGEST_PAUSE_S)
            waiting.not_before_s = now_s + pause_s
            waiting.n_taken += 1

    def put_off(self, paths: tuple[Path, ...], until_s: float) -> None:
        """Keep `paths` until a time of the monotonic clock [s]."""
        for waiting in self._find(paths):
            waiting.not_before_s = until_s

    def mark_failed(self, paths: tuple[Path, ...], now_s: float) -> None:
        """Keep `paths` for another try after `rescan_s`."""
        for waiting in self._find(paths):
            waiting.not_before_s = now_s + self.settings.rescan_s

    def _find(self, paths: tuple[Path, ...]) -> list[_Waiting]:
        return [self._waiting[path] for path in paths if path in self._waiting]

    def _forget_absent(self, found: Mapping[Path, Stamp]) -> None:
        for path in [path for path in self._waiting if path not in found]:
            del self._waiting[path]


class PutOffError(Exception):
    """A drop must wait for `pause_s`, through no fault of its files."""

    def __init__(self, pause_s: float) -> None:
        super().__init__(f"put off for {pause_s:g} s")
        self.pause_s = pause_s


class FolderObserver:
    """Rings on any event below a folder; watched again when the folder was made again.

    Holding the folder open keeps its inode number from being given to its successor, so that a
    successor is recognised for certain. A polled folder is not held: that would keep a network
    drive from being unmounted, and polling does not go deaf.
    """

    def __init__(self, folder: Path, *, polling: bool) -> None:
        self.folder = folder
        self.polling = polling
        self._rung = threading.Event()
        self._observer: Any = None
        self._held: int | None = None

    def wait(self, seconds: float) -> None:
        """Wait for a ring, `seconds` at the most."""
        self._rung.wait(seconds)
        self._rung.clear()

    def ring(self) -> None:
        """End the wait."""
        self._rung.set()

    def attend(self) -> bool:
        """Watch the folder that is there now; False when there is none."""
        if not self.folder.is_dir():
            self.close()
            return False
        if self._observer is None or not self._observer.is_alive() or self._has_successor():
            self.close()
            self._open()
        return self._observer is not None

    def close(self) -> None:
        """Stop watching."""
        if self._observer is not None:
            self._observer.stop()
            self._observer.join()
            self._observer = None
        if self._held is not None:
            os.close(self._held)
            self._held = None

    def _has_successor(self) -> bool:
        if self._held is None:
            return False
        try:
            there = self.folder.stat()
        except OSError:
            return True
        held = os.fstat(self._held)
        return (there.st_dev, there.st_ino) != (held.st_dev, held.st_ino)

    def _open(self) -> None:
        try:
            self._observer = self._observe(polling=self.polling)
        except OSError as error:
            # Most often the limit of inotify watches; polling needs none.
            LOG.warning("no events for %s (%s); polling instead", self.folder, error)
            self._observer = self._observe(polling=True)
            self.polling = True
        if not self.polling and hasattr(os, "O_DIRECTORY"):
            try:
                self._held = os.open(self.folder, os.O_RDONLY | os.O_DIRECTORY)
            except OSError:
                self._rung.set()  # gone in between: look again at once

    def _observe(self, *, polling: bool) -> Any:  # noqa: ANN401 - the class depends on the system
        from watchdog.events import FileSystemEvent, FileSystemEventHandler
        from watchdog.observers import Observer
        from watchdog.observers.polling import PollingObserver

        rung = self._rung

        class Handler(FileSystemEventHandler):
            def on_any_event(self, event: FileSystemEvent) -> None:
                if event.event_type not in {"opened", "closed_no_write"}:
                    rung.set()

        observer = PollingObserver(timeout=1.0) if polling else Observer(timeout=0.5)
        observer.schedule(Handler(), str(self.folder), recursive=True)
        observer.start()
        return observer


class Watcher(threading.Thread):
    """Watches `inbox` in a thread of its own and calls `on_drop` with what lies ready.

    A drop that has begun is finished before the thread ends. `on_idle` is called between drops,
    after each look. A drop that failed may have left work behind that no file in the inbox tells
    of: it is made up for by a drop without files after `rescan_s`; with `owes`, at once.
    """

    def __init__(
        self,
        inbox: Path,
        *,
        settings: InboxSettings,
        on_drop: Callable[[tuple[Path, ...]], None],
        on_idle: Callable[[], None] = lambda: None,
        on_lost: Callable[[bool], None] = lambda _lost: None,
        owes: bool = False,
    ) -> None:
        super().__init__(name="inbox-watcher")
        self.inbox = inbox
        self.attention = ReadinessTracker(settings)
        self._settings = settings
        self._on_drop = on_drop
        self._on_idle = on_idle
        self._on_lost = on_lost
        self._bell = FolderObserver(inbox, polling=settings.polling)
        self._stopping = threading.Event()
        self._lost = False
        self._owed_at_s: float | None = time.monotonic() if owes else None
        self.is_busy = False

    def run(self) -> None:
        """Look, hand on, wait; until stopped."""
        try:
            while not self._stopping.is_set():
                self._bell.wait(self._look_once())
        finally:
            self._bell.close()

    def stop(self) -> None:
        """Ask for the end; a drop that is being handled is finished."""
        self._stopping.set()
        self._bell.ring()

    def _look_once(self) -> float:
        """Look once and give the time to wait until the next look [s]."""
        there = self._bell.attend()
        if there == self._lost:
            self._lost = not there
            self._on_lost(self._lost)
        look = self.attention.look(scan_folder(self.inbox) if there else {}, time.monotonic())
        owed = self._owed_at_s is not None and time.monotonic() >= self._owed_at_s
        if look.ready or (owed and not look.restless):
            self._hand_on(look.ready)
            return 0.0
        self._on_idle()
        if not there:
            return LOST_PAUSE_S
        if look.restless:
            return RESTLESS_PAUSE_S
        return _earlier(look.due_in_s, self._settings.rescan_s)

    def _hand_on(self, ready: tuple[Path, ...]) -> None:
        self.is_busy = True
        self._owed_at_s = None
        try:
            self._on_drop(ready)
        except PutOffError as error:
            until_s = time.monotonic() + error.pause_s
            self.attention.put_off(ready, until_s)
            self._owed_at_s = until_s
        except Exception:  # the watcher must outlive whatever a file does
            LOG.exception("a drop of %d files failed", len(ready))
            self.attention.mark_failed(ready, time.monotonic())
            self._owed_at_s = time.monotonic() + self._settings.rescan_s
        else:
            self.attention.mark_taken(ready, time.monotonic())
        finally:
            self.is_busy = False
