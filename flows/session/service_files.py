"""What a system needs to run the watcher at login: systemd, launchd, or the task scheduler.

Sources: systemd.service(5), systemd.syntax(7) (quoting, % and $); launchd.plist(5); Task Scheduler
schema 1.2 (learn.microsoft.com, "Task Scheduler Schema").
"""

from __future__ import annotations

import hashlib
import os
import plistlib
import subprocess
import sys
import xml.etree.ElementTree as ET
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from config.home import Home

Manager = Literal["systemd", "launchd", "task scheduler"]
_NAMESPACE: Final = "http://schemas.microsoft.com/windows/2004/02/mit/task"
_DIGITS: Final = 8


@dataclass(frozen=True)
class Service:
    """One file that starts the watcher of a home, and how the system is asked to use it.

    `start`, `stop` and `after` are commands: to begin, to end, and after the file has gone; `logs`
    says where to read what the watcher prints.
    """

    manager: Manager
    name: str
    path: Path
    content: bytes
    start: tuple[tuple[str, ...], ...]
    stop: tuple[tuple[str, ...], ...]
    after: tuple[tuple[str, ...], ...]
    logs: str


def make_service(
    home: Home,
    *,
    platform: str = sys.platform,
    person: Path | None = None,
    environment: Mapping[str, str] = os.environ,
    program: Sequence[str] | None = None,
) -> Service:
    """Return the service of a home on a system; `person` is the person's own folder.

    Raises: ValueError for a path that cannot be written into one.
    """
    person = person or Path.home()
    words = [*(program or find_program()), "watch", "--quiet", "--home", str(home.root)]
    if any("\n" in word or "\r" in word for word in words):
        raise ValueError("a path with a line break cannot be written into a service")
    if platform == "darwin":
        return _make_agent(home, words, person)
    if platform == "win32":
        return _make_task(home, words)
    return _make_unit(home, words, person, environment)


def find_program() -> tuple[str, ...]:
    """Return the command `coworn` of this environment, by its whole path."""
    script = Path(sys.executable).with_name("coworn.exe" if os.name == "nt" else "coworn")
    if script.is_file():
        return (str(script),)
    return (sys.executable, "-m", "flows.cli")


def name_service(home: Home, person: Path) -> str:
    """Return the name: that of the usual home has no digits, another one those of its path."""
    if home.root == person / "coworn":
        return "coworn-watch"
    digits = hashlib.sha256(os.fsencode(home.root)).hexdigest()[:_DIGITS]
    return f"coworn-watch-{digits}"


# --- systemd ----------------------------------------------------------------------------------
def _make_unit(
    home: Home, words: Sequence[str], person: Path, environment: Mapping[str, str]
) -> Service:
    folder = Path(environment.get("XDG_CONFIG_HOME") or person / ".config") / "systemd" / "user"
    name = f"{name_service(home, person)}.service"
    lines = [
        "[Unit]",
        f"Description=coworn watches {_escape_percent(str(home.inbox))}",
        "",
        "[Service]",
        f"ExecStart={_quote_command(words)}",
        "# A run that has begun is finished before the watcher ends.",
        "KillMode=mixed",
        "TimeoutStopSec=5min",
        "Restart=on-failure",
        "RestartSec=1min",
        "UMask=0077",
        "",
        "[Install]",
        "WantedBy=default.target",
    ]
    control = ("systemctl", "--user")
    return Service(
        manager="systemd",
        name=name,
        path=folder / name,
        content=("\n".join(lines) + "\n").encode(),
        start=((*control, "daemon-reload"), (*control, "enable", "--now", name)),
        stop=((*control, "disable", "--now", name),),
        after=((*control, "daemon-reload"),),
        logs=f"journalctl --user -u {name}",
    )


def _escape_percent(text: str) -> str:
    return text.replace("%", "%%")


def _quote_command(words: Sequence[str]) -> str:
    """Return a command as systemd reads it back; variables are replaced in arguments only.

    Raises: ValueError for a program whose path systemd takes in no way.
    """
    if any(letter in words[0] for letter in "\"'\\"):
        raise ValueError(
            f"systemd takes no quotes and no backslash in a program's path, {words[0]}"
        )
    program, *arguments = (
        word.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%") for word in words
    )
    quoted = [program, *(word.replace("$", "$$") for word in arguments)]
    return " ".join(f'"{word}"' for word in quoted)


# --- launchd ----------------------------------------------------------------------------------
def _make_agent(home: Home, words: Sequence[str], person: Path) -> Service:
    label = f"org.{name_service(home, person).replace('-', '.')}"
    path = person / "Library" / "LaunchAgents" / f"{label}.plist"
    log = person / "Library" / "Logs" / f"{name_service(home, person)}.log"
    agent = {
        "Label": label,
        "ProgramArguments": list(words),
        "RunAtLoad": True,
        "KeepAlive": {"SuccessfulExit": False},
        "ThrottleInterval": 60,
        "ExitTimeOut": 300,
        "ProcessType": "Background",
        "StandardOutPath": str(log),
        "StandardErrorPath": str(log),
        "Umask": 0o077,
    }
    domain = f"gui/{os.getuid() if hasattr(os, 'getuid') else 0}"
    return Service(
        manager="launchd",
        name=label,
        path=path,
        content=plistlib.dumps(agent),
        start=(("launchctl", "bootstrap", domain, str(path)),),
        stop=(("launchctl", "bootout", f"{domain}/{label}"),),
        after=(),
        logs=str(log),
    )


# --- task scheduler ---------------------------------------------------------------------------
def _make_task(home: Home, words: Sequence[str]) -> Service:
    name = name_service(home, Path.home())
    path = home.state / f"{name}.xml"
    ET.register_namespace("", _NAMESPACE)
    task = ET.Element(f"{{{_NAMESPACE}}}Task", version="1.2")
    tree: dict[str, dict[str, dict[str, str]]] = {
        "Triggers": {"LogonTrigger": {"Enabled": "true"}},
        "Settings": {
            "": {
                "MultipleInstancesPolicy": "IgnoreNew",
                "DisallowStartIfOnBatteries": "false",
                "StopIfGoingOnBatteries": "false",
                "ExecutionTimeLimit": "PT0S",
                "Hidden": "false",
            }
        },
        "Actions": {"Exec": {"Command": words[0], "Arguments": subprocess.list2cmdline(words[1:])}},
    }
    for part, children in tree.items():
        parent = ET.SubElement(task, f"{{{_NAMESPACE}}}{part}")
        for child, values in children.items():
            place = ET.SubElement(parent, f"{{{_NAMESPACE}}}{child}") if child else parent
            for key, value in values.items():
                ET.SubElement(place, f"{{{_NAMESPACE}}}{key}").text = value
    ET.indent(task)
    # The task scheduler reads UTF-16 with a byte order mark.
    content = ET.tostring(task, encoding="utf-16", xml_declaration=True)
    return Service(
        manager="task scheduler",
        name=name,
        path=path,
        content=content,
        start=(
            ("schtasks", "/Create", "/TN", name, "/XML", str(path), "/F"),
            ("schtasks", "/Run", "/TN", name),
        ),
        stop=(("schtasks", "/End", "/TN", name), ("schtasks", "/Delete", "/TN", name, "/F")),
        after=(),
        logs=str(home.logs / "coworn.log"),
    )
