"""Units, agents and tasks: read by what will read them, with paths that need quoting."""

from __future__ import annotations

import plistlib
import re
import shutil
import subprocess
import xml.etree.ElementTree as ET
from typing import TYPE_CHECKING

import pytest

from config.home import Home
from flows.session.service_files import Service, make_service, name_service

if TYPE_CHECKING:
    from pathlib import Path

ODD = "a b %h $HOME \"q\" 'r' \\n é"
SCHEMA = "{http://schemas.microsoft.com/windows/2004/02/mit/task}"


def make(tmp_path: Path, platform: str, *, home: str = ODD, program: Path | None = None) -> Service:
    return make_service(
        Home(tmp_path / home),
        platform=platform,
        person=tmp_path,
        environment={},
        program=[str(program or "/opt/coworn/bin/coworn")],
    )


def read_systemd_words(line: str) -> list[str]:
    """Read a quoted command by systemd.syntax(7): C escapes, %% and, in arguments, $$."""
    words = re.findall(r'"((?:[^"\\]|\\.)*)"', line)
    plain = [re.sub(r"\\(.)", r"\1", word).replace("%%", "%") for word in words]
    return [plain[0], *(word.replace("$$", "$") for word in plain[1:])]


def test_a_unit_names_the_program_and_the_home_whatever_is_in_their_paths(tmp_path: Path) -> None:
    unit = make(tmp_path, "linux")
    assert unit.path == tmp_path / ".config/systemd/user" / unit.name
    (line,) = re.findall(r"^ExecStart=(.*)$", unit.content.decode(), flags=re.MULTILINE)
    assert read_systemd_words(line) == [
        "/opt/coworn/bin/coworn",
        "watch",
        "--quiet",
        "--home",
        str(tmp_path / ODD),
    ]


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="no systemd on this machine")
@pytest.mark.parametrize("folder", ["plain", "a b", "50%h", "a$HOME", "é"])
def test_systemd_itself_finds_nothing_wrong_with_the_unit(tmp_path: Path, folder: str) -> None:
    program = tmp_path / folder / "coworn"
    program.parent.mkdir()
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    unit = make(tmp_path, "linux", home=f"{folder} home", program=program)
    path = tmp_path / unit.name
    path.write_bytes(unit.content)
    # It looks whether the program is there and may be run.
    assert unit.name not in verify(path)
    program.unlink()
    assert "is not executable" in verify(path)


def verify(path: Path) -> str:
    folder = str(path.parent)
    done = subprocess.run(
        ["systemd-analyze", "--user", "verify", str(path)],  # noqa: S607 - where PATH has it
        capture_output=True,
        text=True,
        check=False,
        env={"PATH": "/usr/bin:/bin", "XDG_RUNTIME_DIR": folder, "HOME": folder},
    )
    return done.stderr


@pytest.mark.parametrize("letter", ['"', "'", "\\"])
def test_a_program_that_systemd_cannot_name_is_refused(tmp_path: Path, letter: str) -> None:
    with pytest.raises(ValueError, match="takes no quotes"):
        make(tmp_path, "linux", program=tmp_path / letter / "coworn")


def test_an_agent_is_a_property_list_with_the_words_as_they_are(tmp_path: Path) -> None:
    agent = make(tmp_path, "darwin")
    values = plistlib.loads(agent.content)
    assert values["ProgramArguments"][-2:] == ["--home", str(tmp_path / ODD)]
    assert values["RunAtLoad"] is True
    assert agent.path.name == f"{values['Label']}.plist"
    assert values["StandardOutPath"] == agent.logs
    assert agent.path.parent == tmp_path / "Library/LaunchAgents"


def test_a_task_is_xml_of_its_schema_and_begins_at_logon(tmp_path: Path) -> None:
    task = make(tmp_path, "win32")
    root = ET.fromstring(task.content)  # noqa: S314 - our own text
    assert root.tag == f"{SCHEMA}Task"
    assert root.find(f"{SCHEMA}Triggers/{SCHEMA}LogonTrigger") is not None
    command = root.find(f"{SCHEMA}Actions/{SCHEMA}Exec/{SCHEMA}Command")
    arguments = root.find(f"{SCHEMA}Actions/{SCHEMA}Exec/{SCHEMA}Arguments")
    assert command is not None
    assert arguments is not None
    assert command.text == "/opt/coworn/bin/coworn"
    assert arguments.text == subprocess.list2cmdline(
        ["watch", "--quiet", "--home", str(tmp_path / ODD)]
    )


def test_two_homes_have_two_services(tmp_path: Path) -> None:
    names = {name_service(Home(tmp_path / name), tmp_path) for name in ("coworn", "other", "third")}
    assert "coworn-watch" in names
    assert len(names) == 3


@pytest.mark.parametrize("platform", ["linux", "darwin", "win32"])
def test_a_line_break_in_a_path_is_refused(tmp_path: Path, platform: str) -> None:
    with pytest.raises(ValueError, match="line break"):
        make(tmp_path, platform, home="a\nb")
