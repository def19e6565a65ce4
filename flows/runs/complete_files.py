"""What lies whole in an inbox that nobody watches."""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING

from flows.inbox import ReadinessTracker
from tasks.archive.originals import is_being_written
from tasks.core.folders import scan_folder

if TYPE_CHECKING:
    from pathlib import Path

    from config.settings import InboxSettings


def list_complete_files(inbox: Path, settings: InboxSettings) -> tuple[Path, ...]:
    """Return what lies whole in the inbox, after looking twice with the quiet time in between.

    What is still changing, or is not whole and younger than the patience, is left for later.
    """
    found = scan_folder(inbox)
    if not found:
        return ()
    tracker = ReadinessTracker(settings.model_copy(update={"group_s": 0.0}), max_files=sys.maxsize)
    tracker.look(found, 0.0)
    time.sleep(settings.quiet_s)
    again = scan_folder(inbox)
    ready = set(tracker.look(again, settings.quiet_s).ready)
    now_ns = time.time_ns()
    old = {
        path
        for path, stamp in again.items()
        if found.get(path) == stamp
        and now_ns - stamp.mtime_ns > settings.patience_s * 1e9
        and not is_being_written(path)
    }
    return tuple(sorted(ready | old))
