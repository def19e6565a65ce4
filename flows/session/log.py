"""The home's log, `state/logs/coworn.log`: one line for each run and for each trouble."""

from __future__ import annotations

import contextlib
import copy
import logging
import time
from logging.handlers import WatchedFileHandler
from typing import TYPE_CHECKING, Final

from flows.console.terminal import clean

if TYPE_CHECKING:
    from config.home import Home

#: Size from which a log is set aside before the next one begins [byte].
MAX_LOG_BYTES: Final = 5_000_000
_NAMES: Final = ("flows", "tasks")
_LINE: Final = "%(asctime)s %(levelname)s %(message)s"


class _Lines(logging.Formatter):
    """One line for each message, in UTC: what a file's name holds forges no other."""

    converter = staticmethod(time.gmtime)

    def formatMessage(self, record: logging.LogRecord) -> str:  # noqa: N802 - logging's own name
        shown = copy.copy(record)
        shown.message = " ".join(clean(line) for line in record.message.splitlines())
        return super().formatMessage(shown)


def begin_log(home: Home) -> None:
    """Let what the product logs go to this home's log, from now on."""
    path = home.logs / "coworn.log"
    before = [
        handler
        for handler in logging.getLogger(_NAMES[0]).handlers
        if isinstance(handler, WatchedFileHandler)
    ]
    if any(handler.baseFilename == str(path.absolute()) for handler in before):
        return
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        set_aside_logs(home)
        # Opened at once: later might be while files for elsewhere are written, with other rights.
        # Another process may set the log aside meanwhile: the handler looks, and begins a new one.
        handler = WatchedFileHandler(path, encoding="utf-8")
    except OSError:
        return
    handler.setFormatter(_Lines(_LINE, datefmt="%Y-%m-%dT%H:%M:%SZ"))
    for name in _NAMES:
        logger = logging.getLogger(name)
        for other in before:
            logger.removeHandler(other)
        logger.setLevel(logging.INFO)
        logger.addHandler(handler)
        # The root logger would print on the console what is said there in better words.
        logger.propagate = False
    for other in before:
        other.close()


def set_aside_logs(home: Home, *, most_bytes: int = MAX_LOG_BYTES) -> None:
    """Set large logs aside, each in place of the one that was set aside before."""
    for path in home.logs.glob("*.log"):
        with contextlib.suppress(OSError):
            if path.stat().st_size > most_bytes:
                path.replace(path.with_suffix(".log.1"))
