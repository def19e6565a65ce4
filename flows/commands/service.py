"""`coworn service`: the watcher, begun by the system at login."""

from __future__ import annotations

import contextlib
import os
import shlex
import shutil
import subprocess
from typing import TYPE_CHECKING, Annotated, Final

import typer

from flows.commands.declare import Options, command
from flows.console import terminal
from tasks.core.errors import CowornError, UsageError

if TYPE_CHECKING:
    from rich.console import Console

    from flows.session.service_files import Service

_ACTIONS: Final = ("install", "remove", "show")
_TIMEOUT_S: Final = 60.0


class ServiceError(CowornError):
    """The system did not take the service."""


@command()
def service(
    options: Options,
    action: Annotated[
        str, typer.Argument(metavar="install|remove|show", help="What to do; show changes nothing.")
    ],
) -> int:
    """Have the system start coworn watch when you log in; show prints what install would write.

    A systemd user unit on Linux, a launchd agent on macOS, a task of the task scheduler on
    Windows. It runs as you, while you are logged in. What it prints goes to the system's log, what
    was done to state/logs/coworn.log.
    Raises: UsageError, ServiceError.
    """
    from config.home import find_home
    from flows.session.home import open_home
    from flows.session.service_files import make_service

    if action not in _ACTIONS:
        raise UsageError(f"{action!r} is none of {', '.join(_ACTIONS)}; nothing was done")
    home = open_home(options.home).home if action == "install" else find_home(options.home)
    try:
        made = make_service(home)
    except ValueError as error:
        raise UsageError(f"{error}; nothing was done") from error
    console = options.make_console()
    if action == "show":
        return _show(made, console)
    return _install(made, console) if action == "install" else _remove(made, console)


def _show(made: Service, console: Console) -> int:
    there = made.path.read_bytes() if made.path.is_file() else None
    state = "not installed"
    if there is not None:
        state = "installed" if there == made.content else "installed, but it differs from this one"
    console.print(f"{made.manager}: {terminal.clean(made.path)} ({state})", soft_wrap=True)
    encoding = "utf-16" if made.manager == "task scheduler" else "utf-8"
    for line in made.content.decode(encoding).splitlines():
        console.print(terminal.clean(line), soft_wrap=True)
    console.print(f"its logs: {terminal.clean(made.logs)}", soft_wrap=True)
    return 0


def _install(made: Service, console: Console) -> int:
    made.path.parent.mkdir(parents=True, exist_ok=True)
    building = made.path.with_name(f".{made.path.name}.building")
    building.write_bytes(made.content)
    building.replace(made.path)
    console.print(f"written: {terminal.clean(made.path)}", soft_wrap=True)
    if made.manager == "launchd":
        # What is loaded already is not loaded again.
        with contextlib.suppress(ServiceError):
            _tell(made.stop)
    try:
        _tell(made.start)
    except ServiceError as error:
        raise ServiceError(
            f"{error}; the file is written, but nothing was started: "
            f"{' && '.join(shlex.join(words) for words in made.start)}"
        ) from error
    console.print(f"started, now and at each login: {made.name}")
    console.print(f"its logs: {terminal.clean(made.logs)}", soft_wrap=True)
    console.print("undo it: coworn service remove (the home stays as it is)")
    return 0


def _remove(made: Service, console: Console) -> int:
    if not made.path.is_file():
        raise UsageError(f"{made.path} is not there; nothing was done")
    complaint = None
    try:
        _tell(made.stop)
    except ServiceError as error:
        complaint = error
    made.path.unlink()
    with contextlib.suppress(ServiceError):
        _tell(made.after)
    console.print(f"removed: {terminal.clean(made.path)}", soft_wrap=True)
    if complaint is not None:
        raise ServiceError(f"{complaint}; the file is gone, a watcher that runs was not stopped")
    return 0


def _tell(commands: tuple[tuple[str, ...], ...]) -> None:
    """Run the system's own commands. Raises: ServiceError with what the first one said."""
    for words in commands:
        program = shutil.which(words[0])
        if program is None:
            raise ServiceError(f"{words[0]} is not on this machine")
        try:
            done = subprocess.run(  # noqa: S603 - fixed words and our own paths
                [program, *words[1:]],
                capture_output=True,
                text=True,
                check=False,
                timeout=_TIMEOUT_S,
                env={**os.environ, "LC_ALL": "C"},
            )
        except subprocess.TimeoutExpired as error:
            raise ServiceError(f"{shlex.join(words)} did not end") from error
        if done.returncode:
            said = (done.stderr or done.stdout).strip().splitlines()
            raise ServiceError(f"{shlex.join(words)}: {said[0] if said else done.returncode}")
