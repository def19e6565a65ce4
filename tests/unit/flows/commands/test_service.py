"""`coworn service`: says what it did and how to undo it; what the system says is passed on."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[4]
pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="writes a systemd unit")


def run(tmp_path: Path, action: str, *, code: int = 0) -> str:
    """Run the command as a person whose own folder is `tmp_path`."""
    done = subprocess.run(
        [sys.executable, "-m", "flows.cli", "service", action, "--home", str(tmp_path / "home")],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
        env={"HOME": str(tmp_path), "PATH": f"{tmp_path}/bin", "PYTHONPATH": str(ROOT)},
    )
    assert done.returncode == code, done.stdout + done.stderr
    return done.stdout + done.stderr


def write_systemctl(tmp_path: Path, last: str) -> None:
    """Write a systemctl that notes what it is asked, then does `last`."""
    (tmp_path / "bin").mkdir()
    script = tmp_path / "bin" / "systemctl"
    script.write_text(f'#!/bin/sh\necho "$@" >> {tmp_path}/asked\n{last}\n')
    script.chmod(0o755)


def test_show_prints_the_unit_and_makes_nothing(tmp_path: Path) -> None:
    shown = run(tmp_path, "show")
    assert "(not installed)" in shown
    assert "ExecStart=" in shown
    assert "journalctl --user -u coworn-watch-" in shown
    assert list(tmp_path.iterdir()) == []


def test_install_starts_it_and_remove_takes_it_away(tmp_path: Path) -> None:
    write_systemctl(tmp_path, "exit 0")
    shown = run(tmp_path, "install")
    assert "undo it: coworn service remove" in shown
    (unit,) = (tmp_path / ".config/systemd/user").iterdir()
    assert "(installed)" in run(tmp_path, "show")
    unit.write_text("other")
    assert "it differs" in run(tmp_path, "show")
    assert f"removed: {unit}" in run(tmp_path, "remove")
    assert not unit.exists()
    assert (tmp_path / "asked").read_text().splitlines() == [
        "--user daemon-reload",
        f"--user enable --now {unit.name}",
        f"--user disable --now {unit.name}",
        "--user daemon-reload",
    ]
    assert (tmp_path / "home").is_dir()


def test_what_the_system_refuses_is_said_with_what_to_type(tmp_path: Path) -> None:
    write_systemctl(tmp_path, 'echo "Failed to connect to bus" >&2; exit 1')
    shown = run(tmp_path, "install", code=1)
    assert "Failed to connect to bus" in shown
    assert "the file is written, but nothing was started: systemctl --user daemon-reload" in shown
    assert "a watcher that runs was not stopped" in run(tmp_path, "remove", code=1)
    assert not list((tmp_path / ".config/systemd/user").iterdir())


def test_a_machine_without_the_manager_and_a_wrong_word_are_told(tmp_path: Path) -> None:
    assert "systemctl is not on this machine" in run(tmp_path, "install", code=1)
    assert "is none of install, remove, show" in run(tmp_path, "begin", code=2)
