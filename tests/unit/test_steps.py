"""A step outside a flow run is a plain call that is tried again where that may help."""

from __future__ import annotations

import errno
import subprocess
import sys
from pathlib import Path

import pytest

from tasks import steps
from tasks.core.errors import CowornError

ROOT = Path(__file__).resolve().parents[2]


class Failing:
    """Fails `times` times with `error`, then answers."""

    def __init__(self, error: Exception, times: int) -> None:
        self.error = error
        self.left = times
        self.calls = 0

    def __call__(self, number: int) -> int:
        self.calls += 1
        if self.left:
            self.left -= 1
            raise self.error
        return number


@pytest.fixture(autouse=True)
def _no_pause(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(steps, "_FIRST_PAUSE_S", 0.0)


def test_a_disk_that_does_not_answer_is_asked_again() -> None:
    function = Failing(OSError(errno.EIO, "no answer"), steps.RETRIES)
    assert steps.Step(function, "ask")(7) == 7
    assert function.calls == steps.RETRIES + 1


def test_a_disk_that_never_answers_is_given_up() -> None:
    function = Failing(OSError(errno.EIO, "no answer"), 99)
    with pytest.raises(OSError, match="no answer"):
        steps.Step(function, "ask")(7)
    assert function.calls == steps.RETRIES + 1


@pytest.mark.parametrize("error", [OSError(errno.ENOSPC, "full"), CowornError("wrong"), KeyError()])
def test_what_does_not_pass_is_tried_once(error: Exception) -> None:
    function = Failing(error, 1)
    with pytest.raises(type(error)):
        steps.Step(function, "ask")(7)
    assert function.calls == 1


def test_steps_are_imported_and_called_without_prefect() -> None:
    program = (
        "import sys; from tasks import steps; print(steps.Step(abs, 'abs')(-3)); "
        "print([name for name in sys.modules if name.partition('.')[0] == 'prefect'])"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert done.stdout.splitlines() == ["3", "[]"]


def test_a_step_is_always_the_same_task() -> None:
    task = steps.prepare.as_task()
    assert task is steps.prepare.as_task()
    assert task.name == "pair-recordings"
