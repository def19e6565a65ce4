"""The asking end: starts reading processes, gives them calls, ends those that go too far."""

from __future__ import annotations

import atexit
import contextlib
import logging
import os
import signal
import subprocess
import sys
import tempfile
import threading
import weakref
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

from tasks.core.errors import CowornError
from tasks.guard.frames import Answer, Request, read_frame, write_frame
from tasks.guard.watch import Watch

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

LOG: Final = logging.getLogger(__name__)
T = TypeVar("T")

#: Time that a reading process may take to start [s]; a small machine under load needs a while.
START_TIMEOUT_S: Final = 120.0
#: Time for it to end by itself when its stdin has ended [s].
_END_TIMEOUT_S: Final = 5.0
#: How much of a dead process's last words goes into the log [byte].
_LAST_WORDS_BYTES: Final = 4000
_ENVIRONMENT: Final = {
    # Arrow's own pool reserves memory by the gigabyte, which would count against the limit.
    "ARROW_DEFAULT_MEMORY_POOL": "system",
    # One export is read at a time.
    "OPENBLAS_NUM_THREADS": "1",
}
_ROOT: Final = Path(__file__).resolve().parents[2]


class ReadingProcessError(CowornError):
    """The machine does not let the reading process start."""


class CallEndedError(Exception):
    """A call was ended from outside. `is_too_long`, `is_out_of_memory`, or else the process died.

    `death` says how it died.
    """

    def __init__(
        self, *, is_too_long: bool = False, is_out_of_memory: bool = False, death: str = ""
    ) -> None:
        self.is_too_long = is_too_long
        self.is_out_of_memory = is_out_of_memory
        self.death = death
        super().__init__(death or ("out of memory" if is_out_of_memory else "too long"))


class ReadingProcess:
    """One reading process, from its start to its end.

    It belongs to one thread at a time. It ends with its stdin, so it does not outlive this process.
    """

    def __init__(self, modules: Sequence[str] = ()) -> None:
        """Start it; `modules` are imported there. It need not be ready before the first call."""
        paths = [str(_ROOT), os.environ.get("PYTHONPATH", "")]
        # A file without a name: what it says there cannot fill a pipe that nobody empties.
        self._words = tempfile.TemporaryFile()  # noqa: SIM115 - closed with the process
        self._process = subprocess.Popen(  # noqa: S603 - our own module
            # -P: the current folder must not come first among the modules.
            [sys.executable, "-P", "-X", "faulthandler", "-m", "tasks.guard.child", *modules],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._words,
            env=os.environ
            | _ENVIRONMENT
            | {"PYTHONPATH": os.pathsep.join(path for path in paths if path)},
        )
        self._is_ready = False

    @property
    def pid(self) -> int:
        """Its process id."""
        return self._process.pid

    @property
    def is_alive(self) -> bool:
        """Say whether it is running."""
        return self._process.poll() is None

    def wait_until_ready(self) -> None:
        """Wait until calls can come. Raises: ReadingProcessError."""
        if self._is_ready:
            return
        try:
            self._listen(START_TIMEOUT_S)
        except CallEndedError as error:
            raise ReadingProcessError(
                f"the process that reads exports does not start ({error}); "
                "look at the memory and the processes of this machine and try again"
            ) from error
        self._is_ready = True

    def call(self, request: Request) -> Any:  # noqa: ANN401 - whatever the function gives
        """Return what the call gives there, or raise what it raises.

        Raises: CallEndedError when it went too far, also ReadingProcessError. The process is
        gone after either.
        """
        self.wait_until_ready()
        answer = self._listen(request.longest_s, request)
        if not isinstance(answer, Answer):
            raise TypeError(f"the reading process answers {type(answer).__name__}")
        for level, name, text in answer.logged:
            logging.getLogger(name).log(level, "%s", text)
        self._words.seek(0)
        self._words.truncate()
        if answer.is_out_of_memory:
            self.kill()
            raise CallEndedError(is_out_of_memory=True)
        if answer.error is not None:
            raise answer.error
        return answer.value

    def end(self) -> None:
        """Let it end, when it is idle; else end it."""
        with contextlib.suppress(OSError):
            self._pipe_in.close()
        self._wait()
        self.forget()

    def kill(self) -> None:
        """End it at once."""
        self._process.kill()
        self._process.wait()
        self.forget()

    def forget(self) -> None:
        """Close this side's ends of its pipes."""
        with contextlib.suppress(OSError):
            self._pipe_in.close()
        with contextlib.suppress(OSError):
            self._pipe_out.close()
        self._words.close()

    @property
    def _pipe_in(self) -> Any:  # noqa: ANN401 - a binary pipe, whose type says "or None"
        return self._process.stdin

    @property
    def _pipe_out(self) -> Any:  # noqa: ANN401 - as above
        return self._process.stdout

    def _listen(self, longest_s: float, request: Request | None = None) -> object:
        """Send `request`, if any, and give the next message within `longest_s`."""
        most_bytes = None if request is None else request.most_memory_bytes
        watch = Watch(self._process, longest_s=longest_s, most_bytes=most_bytes)
        watch.begin()
        try:
            if request is not None:
                write_frame(self._pipe_in, request)
            return read_frame(self._pipe_out)
        except (EOFError, OSError):
            code = self._wait()
            death = self._describe_death(code)
            self.kill()
            # Under load its own alarm may be quicker than ours.
            own_alarm = hasattr(signal, "SIGALRM") and code == -signal.SIGALRM
            if watch.is_too_long or own_alarm:
                raise CallEndedError(is_too_long=True) from None
            if watch.is_out_of_memory:
                raise CallEndedError(is_out_of_memory=True) from None
            raise CallEndedError(death=death) from None
        except BaseException:
            # Stopped in the midst of an answer: nobody knows what would come next.
            self.kill()
            raise
        finally:
            watch.end()

    def _wait(self) -> int:
        """Return its exit code; one that closed its pipes and stays is ended."""
        try:
            return self._process.wait(_END_TIMEOUT_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            return self._process.wait()

    def _describe_death(self, code: int) -> str:
        self._words.seek(0, os.SEEK_END)
        self._words.seek(max(0, self._words.tell() - _LAST_WORDS_BYTES))
        words = self._words.read().decode("utf-8", errors="replace").strip()
        if words:
            LOG.warning("last words of the reading process:\n%s", words)
        if code >= 0:
            return f"exit code {code}"
        try:
            return signal.Signals(-code).name
        except ValueError:
            return f"signal {-code}"


class Pool:
    """Reading processes: as many as threads read at once, each taken up again when it is idle."""

    def __init__(self, modules: Sequence[str] = ()) -> None:
        self._modules = tuple(modules)
        self._idle: list[ReadingProcess] = []
        self._started: weakref.WeakSet[ReadingProcess] = weakref.WeakSet()
        self._lock = threading.Lock()
        atexit.register(self.end)
        if hasattr(os, "register_at_fork"):
            # A forked child must not talk into its parent's pipes, nor keep them open.
            os.register_at_fork(after_in_child=self._forget)

    def warm_up(self) -> None:
        """Let a reading process start, if none is there, while other things are done."""
        with self._lock:
            if not self._idle:
                self._idle.append(self._start())

    def call(
        self,
        function: Callable[..., T],
        *arguments: object,
        longest_s: float,
        most_memory_mb: float,
    ) -> T:
        """Return what `function` gives in a reading process, or raise what it raises.

        A process that dies or finds no memory is replaced, and the call made once more: its state
        may have come from exports before, or its end from outside.
        Raises: CallEndedError when the call goes too far again, ReadingProcessError.
        """
        request = Request(function, arguments, longest_s, int(most_memory_mb * 1_000_000))
        process = self._take()
        value: T
        try:
            value = self._call(process, request)
        except CallEndedError as error:
            if error.is_too_long:
                raise
            LOG.warning("the reading process ended (%s); trying once more in a new one", error)
            value = self._call(self._start(), request)
        return value

    def end(self) -> None:
        """End the idle processes."""
        with self._lock:
            ending, self._idle = self._idle, []
        for process in ending:
            process.end()

    @property
    def pids(self) -> tuple[int, ...]:
        """Process ids of the idle ones."""
        with self._lock:
            return tuple(process.pid for process in self._idle)

    def _call(self, process: ReadingProcess, request: Request) -> Any:  # noqa: ANN401 - as above
        try:
            return process.call(request)
        finally:
            if process.is_alive:
                with self._lock:
                    self._idle.append(process)

    def _take(self) -> ReadingProcess:
        with self._lock:
            while self._idle:
                process = self._idle.pop()
                if process.is_alive:
                    return process
                process.forget()
        return self._start()

    def _start(self) -> ReadingProcess:
        process = ReadingProcess(self._modules)
        self._started.add(process)
        return process

    def _forget(self) -> None:
        self._lock = threading.Lock()
        # Kept, for Python would look after a child that is not its own.
        self._inherited = tuple(self._started)
        for process in self._inherited:
            process.forget()
        self._idle = []
