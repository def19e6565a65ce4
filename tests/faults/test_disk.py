"""A full disk, a disk that is read-only, folders without rights, no room for watches."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from config.settings import load_settings
from tasks.core.errors import CowornError
from tasks.ingest.exports import Dropped, ingest_batch
from tests.faults import crash
from tests.faults.kills import ROOT
from tests.faults.line import run_line
from tests.unit.report_home import POOL, build_home

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from config.home import Home


def call(*words: str) -> bool:
    """Run a program of the system; return whether it could be run and ended well."""
    program = shutil.which(words[0])
    if program is None:
        return False
    ended = subprocess.run([program, *words[1:]], capture_output=True, check=False)
    return ended.returncode == 0


@pytest.fixture
def mount(tmp_path: Path) -> Iterator[Callable[[str], Path]]:
    """Return a disk of its own, of the size that is asked for."""
    place = tmp_path / "disk"
    place.mkdir()

    def make(size: str) -> Path:
        if not call("mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(place)):
            pytest.skip("only the superuser can mount a disk here")
        return place

    yield make
    call("umount", "-l", str(place))


@pytest.fixture
def exports(tmp_path: Path) -> dict[str, bytes]:
    return crash.write_exports(tmp_path / "drop")


def run_command(home: Home, *words: str, **more: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(  # type: ignore[call-overload,no-any-return]
        [sys.executable, "-m", "flows.cli", *words, "--home", str(home.root)],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
        timeout=120,
        **more,
    )


def test_a_full_disk_loses_nothing_and_the_rest_follows_when_there_is_room(
    mount: Callable[[str], Path], exports: dict[str, bytes]
) -> None:
    disk = mount("4m")
    home = crash.make_home(disk / "home")
    settings = load_settings(home.settings)
    for name, data in exports.items():
        (home.inbox / name).write_bytes(data)
    (disk / "filler").write_bytes(bytes(max(0, shutil.disk_usage(disk).free - 300_000)))
    n_failed = 0
    for _ in range(2):
        files = [Dropped(path, path.name) for path in sorted(home.inbox.iterdir())]
        outcomes = ingest_batch(files, home=home, settings=settings, move=True)
        failed = [one for of_file in outcomes for one in of_file if one.status == "failed"]
        n_failed += len(failed)
        assert all("\n" not in (one.reason or "") for one in failed)
        assert crash.list_broken(home, exports) == []
        with pytest.raises((CowornError, OSError, *_database_errors())):
            run_line(home, settings, whole=False)
        assert crash.list_broken(home, exports) == []
    assert n_failed > 0
    assert list(home.inbox.iterdir()), "what could not be archived stays in the inbox"
    assert call("mount", "-o", "remount,size=100m", str(disk))
    run_line(home, settings, whole=False)
    assert list(home.inbox.iterdir()) == []
    assert crash.list_broken(home, exports) == []
    (disk / "filler").unlink()
    other = crash.make_home(disk / "other")
    for name, data in exports.items():
        (other.inbox / name).write_bytes(data)
    run_line(other, settings, whole=False)
    assert crash.list_differences(crash.read_contents(home), crash.read_contents(other)) == []


def _database_errors() -> tuple[type[Exception], ...]:
    import duckdb  # noqa: PLC0415 - named where it is expected

    return (duckdb.Error,)


@pytest.mark.parametrize("command", ["status", "nightly", "watch"])
def test_a_read_only_home_is_said_in_one_line(mount: Callable[[str], Path], command: str) -> None:
    disk = mount("4m")
    home = crash.make_home(disk / "home")
    assert call("mount", "-o", "remount,ro", str(disk))
    ended = run_command(home, command)
    assert ended.returncode in {1, 2}
    assert ended.stderr.count("\n") == 1
    assert ended.stderr.startswith("coworn: ")
    assert "unexpected" not in ended.stderr
    assert any(word in ended.stderr.lower() for word in ("read-only", "right to write"))


def test_a_file_without_rights_stays_and_the_others_go_on(tmp_path: Path) -> None:
    home = crash.make_home(tmp_path / "home")
    shutil.copyfile(crash.DEMO / "2025-11-26-strength-hazel.csv", home.inbox / "good.csv")
    shutil.copyfile(crash.DEMO / "2025-11-26-strength-alder-2.fit", home.inbox / "bad.fit")
    (home.inbox / "bad.fit").chmod(0)
    (home.inbox / "closed").mkdir(mode=0)
    program = [sys.executable, "-c", TAKER, str(home.root)]
    if os.geteuid() == 0:
        # Rights do not bind the superuser: the program runs without that power.
        powers = "--bounding-set=-dac_override,-dac_read_search"
        if not call("setpriv", powers, "true"):
            pytest.skip("no way here to run without the powers of the superuser")
        program = [str(shutil.which("setpriv")), powers, *program]
    ended = subprocess.run(
        program, capture_output=True, text=True, check=False, cwd=ROOT, timeout=60
    )
    lines = ended.stdout.splitlines()
    assert lines[0] == "bad.fit failed", ended.stderr
    assert "Permission denied" in lines[1]
    assert lines[2:] == ["good.csv stored"]
    (home.inbox / "closed").chmod(0o700)
    assert {path.name for path in home.inbox.iterdir()} == {"bad.fit", "closed"}


TAKER = """
import sys
from pathlib import Path
from config.home import Home
from config.settings import load_settings
from tasks.core.folders import scan_folder
from tasks.ingest.exports import Dropped, ingest_batch
home = Home(Path(sys.argv[1]))
files = [Dropped(path, path.name) for path in sorted(scan_folder(home.inbox))]
for outcomes in ingest_batch(files, home=home, settings=load_settings(), move=True):
    for one in outcomes:
        print(one.name, one.status)
        if one.reason and one.status == "failed":
            print(one.reason)
"""


def test_without_room_for_watches_the_inbox_is_polled(tmp_path: Path) -> None:
    """In a name space of its own the limit of this user is zero."""
    unshare = shutil.which("unshare")
    if unshare is None or not call(
        "unshare", "-Ur", "sh", "-c", "echo 0 > /proc/sys/user/max_inotify_instances"
    ):
        pytest.skip("no name spaces of one's own here to lower the limit of watches in")
    program = f"{sys.executable} -c '{POLLER}' {tmp_path}"
    ended = subprocess.run(
        [unshare, "-Ur", "sh", "-c", f"echo 0 > /proc/sys/user/max_inotify_instances; {program}"],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
        timeout=60,
    )
    assert ended.stdout.splitlines() == ["polling True", "run.csv"], ended.stderr


POLLER = """
import sys, threading
from pathlib import Path
from flows.inbox import Watcher
from config.settings import load_settings
inbox = Path(sys.argv[1])
settings = load_settings().inbox.model_copy(update={"quiet_s": 0.2, "rescan_s": 600.0})
taken = threading.Event()
def take(paths):
    print("polling", watcher._bell.polling)
    print(*(path.name for path in paths), flush=True)
    taken.set()
idle = threading.Event()
watcher = Watcher(inbox, settings=settings, on_drop=take, on_idle=idle.set)
watcher.start()
idle.wait(20)
(inbox / "run.csv").write_text("time,heart_rate\\n2026-05-02T06:00:00Z,100\\n")
taken.wait(20)
watcher.stop()
watcher.join()
"""


def test_an_export_onto_a_full_disk_leaves_the_earlier_package(
    tmp_path: Path, mount: Callable[[str], Path]
) -> None:
    home = build_home(tmp_path / "home", POOL)
    disk = mount("400k")
    (disk / "package").mkdir()
    ended = run_command(home, "export", str(disk / "package"))
    assert ended.returncode == 1
    assert len(ended.stderr.splitlines()) == 1
    assert "the disk is full; make room" in ended.stderr
    assert [path.name for path in disk.rglob("*")] == ["package"]
