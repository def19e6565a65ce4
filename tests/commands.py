"""Commands of coworn in processes of their own, for which coworn was imported once.

Half of what a small command costs is importing. So one process of a run of the tests imports what
the commands import, and each command is a fork of it: the same code in a process of its own, with
its own environment, folder, mask, output and exit code. Prefect is not imported before the fork:
it reads the environment as it is imported. Run as a program this is that process: it reads one
call in JSON from each line of its input and answers with the exit code.
"""

from __future__ import annotations

import atexit
import importlib
import json
import os
import pkgutil
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from select import select
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Mapping

ROOT: Final = Path(__file__).resolve().parents[1]
#: What the commands import late, most of the time that they take.
_PACKAGES: Final = ("flows.commands", "flows.runs")
_MODULES: Final = ("flows.cli", "tasks.steps", "tasks.report", "tasks.verdicts", "tasks.package")
_NEVER: Final = ("prefect", "pandas")


class CommandProcess:
    """The process that forks commands; started by its first one and ended with the tests."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[str] | None = None
        self._lock = threading.Lock()

    def run(
        self,
        *words: object,
        env: Mapping[str, str] | None = None,
        cwd: Path = ROOT,
        umask: int = -1,
        timeout: float = 400.0,
    ) -> subprocess.CompletedProcess[str]:
        """Run `coworn` with `words` as `subprocess.run` does; its input is empty."""
        arguments = [str(word) for word in words]
        with TemporaryDirectory(prefix="command-") as place, self._lock:
            call = {
                "words": arguments,
                "env": dict(os.environ if env is None else env),
                "cwd": str(cwd),
                "umask": umask,
                "place": place,
            }
            code = self._ask(call, timeout)
            said = [(Path(place) / name).read_bytes().decode() for name in ("out", "err")]
        return subprocess.CompletedProcess(["coworn", *arguments], code, *said)

    def _ask(self, call: Mapping[str, object], timeout: float) -> int:
        process = self._start()
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.write(json.dumps(call) + "\n")
        process.stdin.flush()
        ready, _, _ = select([process.stdout], [], [], timeout)
        answer = process.stdout.readline() if ready else ""
        if not answer:
            self.stop()
            raise subprocess.TimeoutExpired(str(call["words"]), timeout)
        return int(answer)

    def _start(self) -> subprocess.Popen[str]:
        if self._process is None or self._process.poll() is not None:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "tests.commands"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                text=True,
                cwd=ROOT,
                start_new_session=True,
            )
            atexit.register(self.stop)
        return self._process

    def stop(self) -> None:
        """End the process and the command that it may be running."""
        process, self._process = self._process, None
        if process is not None and process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()


#: The one of this process; `run_coworn` is what tests call.
COMMANDS: Final = CommandProcess()
run_coworn: Final = COMMANDS.run


def import_ahead() -> None:
    """Import what commands import, but for what reads the environment.

    And make what each process makes once: an empty store, and the templates of the pages.
    """
    # Tests are not to import these from here.
    from flows.cli import leave_pandas_out  # noqa: PLC0415
    from tasks.report.pages import load_environment  # noqa: PLC0415
    from tasks.store.create import build_empty  # noqa: PLC0415

    leave_pandas_out()
    names = list(_MODULES)
    for package in map(importlib.import_module, _PACKAGES):
        names += [
            f"{package.__name__}.{one.name}" for one in pkgutil.iter_modules(package.__path__)
        ]
    for name in names:
        importlib.import_module(name)
    build_empty()
    environment = load_environment("metric")
    for name in environment.list_templates():
        environment.get_template(name)
    early = [name for name in _NEVER if name in sys.modules]
    if early:
        raise RuntimeError(f"imported before a command runs: {', '.join(early)}")


def serve_calls() -> None:
    """Fork a command for each line of the input, one after another."""
    calls = os.fdopen(os.dup(0), "r")
    answers = os.fdopen(os.dup(1), "w")
    for line in calls:
        pid = os.fork()
        if pid == 0:
            os.close(calls.fileno())
            os.close(answers.fileno())
            run_and_exit(json.loads(line))
        _, status = os.waitpid(pid, 0)
        answers.write(f"{os.waitstatus_to_exitcode(status)}\n")
        answers.flush()


def run_and_exit(call: Mapping[str, Any]) -> None:
    """Be the process of one command, to its end."""
    place, words, umask = Path(call["place"]), call["words"], call["umask"]
    writes = os.O_WRONLY | os.O_CREAT
    for number, path, how in (
        (0, Path(os.devnull), os.O_RDONLY),
        (1, place / "out", writes),
        (2, place / "err", writes),
    ):
        os.dup2(os.open(path, how, 0o600), number)
    os.environ.clear()
    os.environ.update(call["env"])
    time.tzset()
    os.chdir(str(call["cwd"]))
    if umask >= 0:
        os.umask(umask)
    sys.argv = ["coworn", *words]
    code = 1
    try:
        from flows.cli import main  # noqa: PLC0415 - in the fork only

        code = main()
    except SystemExit as ended:
        code = ended.code if isinstance(ended.code, int) else int(ended.code is not None)
    finally:
        # The end of an interpreter, by hand: a fork must not run the rest of the loop above it.
        threading._shutdown()  # type: ignore[attr-defined]
        atexit._run_exitfuncs()
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


if __name__ == "__main__":
    import_ahead()
    serve_calls()
