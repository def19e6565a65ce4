"""The reading process: calls what it is asked to, one thing after the other, until EOF.

Started by `tasks.guard.process` as `python -m tasks.guard.child [MODULE ...]`; the modules named
are imported before the first request. It ends when its stdin ends, also in the midst of a call.
"""

from __future__ import annotations

import contextlib
import importlib
import logging
import os
import pickle
import queue
import signal
import sys
import threading
import traceback
from typing import BinaryIO, Final

from tasks.core.discovery import load_readers
from tasks.guard.frames import Answer, Request, read_frame, write_frame
from tasks.guard.memory import measure_memory

#: Said once, when requests can come.
READY: Final = "ready"
#: What pyarrow imports with the first column that it makes, and takes a third of a second.
_LOADED_LATER: Final = "pandas"
#: Without a request for so long, the process is idle [s].
_IDLE_S: Final = 0.05
#: How much later than the asking process this one ends itself, when that one is gone [s].
_GRACE_S: Final = 5.0
#: Its own limit of memory is so many times that of the asking process, which sees to it from
#: outside; this one is for what grows faster than one can look.
_UNWATCHED_GROWTH: Final = 1.25


class _Collector(logging.Handler):
    """Keeps what was logged for the answer: the log file is the asking process's."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.setFormatter(logging.Formatter("%(message)s"))
        self.kept: list[tuple[int, str, str]] = []

    def emit(self, record: logging.LogRecord) -> None:
        """Keep one record, with its traceback."""
        self.kept.append((record.levelno, record.name, self.format(record)))

    def take(self) -> tuple[tuple[int, str, str], ...]:
        """Return what was kept and forget it."""
        kept, self.kept = tuple(self.kept), []
        return kept


def main(modules: list[str]) -> None:
    """Answer requests from stdin on stdout until stdin ends."""
    _stay_until_eof()
    # Nothing that a library prints may come between the answers.
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    collector = _Collector()
    logging.getLogger().addHandler(collector)
    load_readers()
    for module in ("tasks.guard.clean", "tasks.guard.foreign", *modules):
        importlib.import_module(module)
    requests: queue.SimpleQueue[Request] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(sys.stdin.buffer, requests), daemon=True).start()
    write_frame(answers, READY)
    while True:
        _send(answers, _answer(_wait_for_one(requests), collector))


def _wait_for_one(requests: queue.SimpleQueue[Request]) -> Request:
    """Return the next request; import meanwhile, when idle, what reading will need."""
    if _LOADED_LATER not in sys.modules:
        try:
            return requests.get(timeout=_IDLE_S)
        except queue.Empty:
            importlib.import_module(_LOADED_LATER)
    return requests.get()


def _stay_until_eof() -> None:
    """Leave signals to the asking process: it may finish what it began, and needs this one."""
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    if hasattr(signal, "SIGALRM"):
        signal.signal(signal.SIGALRM, signal.SIG_DFL)
    with contextlib.suppress(ImportError, ValueError, OSError):
        import resource  # noqa: PLC0415 - not on every system

        # What a core dump would hold is a person's export.
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _listen(pipe: BinaryIO, requests: queue.SimpleQueue[Request]) -> None:
    while True:
        try:
            request = read_frame(pipe)
        except (EOFError, OSError):
            os._exit(0)
        except BaseException:  # noqa: BLE001 - nobody would answer what does not arrive
            traceback.print_exc()
            os._exit(1)
        if isinstance(request, Request):
            requests.put(request)


def _answer(request: Request, collector: _Collector) -> Answer:
    _limit(request)
    try:
        value = request.function(*request.arguments)
    except MemoryError:
        return Answer(is_out_of_memory=True, logged=collector.take())
    except BaseException as error:  # noqa: BLE001 - raised again in the asking process
        return Answer(error=_make_portable(error), logged=collector.take())
    finally:
        if hasattr(signal, "setitimer"):
            signal.setitimer(signal.ITIMER_REAL, 0.0)
    return Answer(value, logged=collector.take())


def _limit(request: Request) -> None:
    """Let the system stop what goes too far, also inside a library that never comes back."""
    if hasattr(signal, "setitimer"):
        # Its own end for the case that nobody is there any more to end it: SIGALRM kills.
        signal.setitimer(signal.ITIMER_REAL, request.longest_s + _GRACE_S)
    with contextlib.suppress(ImportError, ValueError, OSError):
        import resource  # noqa: PLC0415 - not on every system

        # Private memory, not addresses: libraries reserve far more of those than they use. What
        # the process holds at rest depends on the machine and is not the export's.
        _, hard = resource.getrlimit(resource.RLIMIT_DATA)
        most = (measure_memory(os.getpid()) or 0) + int(
            request.most_memory_bytes * _UNWATCHED_GROWTH
        )
        resource.setrlimit(
            resource.RLIMIT_DATA,
            (most if hard == resource.RLIM_INFINITY else min(most, hard), hard),
        )


def _make_portable(error: BaseException) -> BaseException:
    """Return `error` itself if it survives the pipe, else its words."""
    try:
        pickle.loads(pickle.dumps(error))  # noqa: S301 - made in this line
    except Exception:  # noqa: BLE001 - whatever it is, its words do
        return RuntimeError(f"{type(error).__name__}: {error}")
    return error


def _send(answers: BinaryIO, answer: Answer) -> None:
    try:
        write_frame(answers, answer)
    except MemoryError:
        write_frame(answers, Answer(is_out_of_memory=True))


if __name__ == "__main__":
    main(sys.argv[1:])
