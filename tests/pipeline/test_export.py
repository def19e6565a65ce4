"""`coworn export` on the demo's home, as its publisher types it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from tests.pipeline.conftest import ROOT, Place, wait_until

if TYPE_CHECKING:
    from pathlib import Path

#: The command, also where a shell started the tests in the background and has Ctrl-C ignored.
INTERRUPTIBLE = (
    "import signal, sys; signal.signal(signal.SIGINT, signal.default_int_handler); "
    "from flows.cli import main; sys.exit(main(sys.argv[1:]))"
)


@pytest.fixture
def bare(tmp_path: Path) -> Place:
    """A home that needs no server: nothing runs in these tests."""
    return Place(tmp_path / "home", None)


def list_files(folder: Path) -> dict[str, tuple[int, int]]:
    """Return size and time of change of every file."""
    return {
        path.relative_to(folder).as_posix(): (path.lstat().st_size, path.lstat().st_mtime_ns)
        for path in folder.rglob("*")
    }


def test_the_package_is_written_and_told_of_and_the_home_stays_as_it_is(
    demo: Place, tmp_path: Path
) -> None:
    before = list_files(demo.root)
    place = tmp_path / "out" / "package"
    done = demo.run("export", str(place))
    assert (done.returncode, done.stderr) == (0, "")
    lines = done.stdout.splitlines()
    assert lines[0].startswith("19 tables with ")
    assert lines[1] == "no private place is set (report.private): every position is in it"
    assert lines[2].startswith("no licence is claimed")
    assert lines[3] == f"package: {place / 'datapackage.json'}"
    assert list_files(demo.root) == before
    descriptor = json.loads((place / "datapackage.json").read_text(encoding="utf-8"))
    for resource in descriptor["resources"]:
        assert (place / resource["path"]).stat().st_size == resource["bytes"]
    assert sorted(path.name for path in place.parent.iterdir()) == ["package"]


def test_the_package_holds_the_newest_values_of_the_demo(demo: Place, tmp_path: Path) -> None:
    assert demo.run("export", str(tmp_path / "package"), "--quiet").returncode == 0
    # A header, then a line for each row: no cell of these two has a line break in it.
    for name, table in (("results", "latest_results"), ("verdicts", "latest_verdicts")):
        text = (tmp_path / "package" / "data" / f"{name}.csv").read_bytes()
        assert [(text.count(b"\r\n") - 1,)] == demo.ask(f"SELECT count(*) FROM {table}")  # noqa: S608 - our own names


def test_again_over_the_earlier_package_gives_the_same_bytes(demo: Place, tmp_path: Path) -> None:
    place = tmp_path / "package"
    assert demo.run("export", str(place)).returncode == 0
    first = {path: path.read_bytes() for path in place.rglob("*") if path.is_file()}
    again = demo.run("export", str(place), "--quiet")
    assert (again.returncode, again.stdout, again.stderr) == (0, "", "")
    assert {path: path.read_bytes() for path in place.rglob("*") if path.is_file()} == first
    assert len(first) > 20


def test_a_folder_that_holds_something_else_is_refused(demo: Place, tmp_path: Path) -> None:
    (tmp_path / "thesis").mkdir()
    (tmp_path / "thesis" / "chapter-1.txt").write_text("mine")
    for folder in (tmp_path / "thesis", demo.root / "package"):
        done = demo.run("export", str(folder))
        assert (done.returncode, done.stdout) == (2, "")
        assert len(done.stderr.splitlines()) == 1
        assert done.stderr.startswith(f"coworn: {folder}: ")
    assert [path.name for path in tmp_path.rglob("*")] == ["thesis", "chapter-1.txt"]
    assert not (demo.root / "package").exists()


def test_private_places_of_the_settings_are_told_of(demo: Place, tmp_path: Path) -> None:
    # A home may be read with other settings from a copy of its small files and links to the rest.
    home = tmp_path / "home"
    home.mkdir()
    for path in demo.root.iterdir():
        if path.name != "coworn.toml":
            target = path.resolve() if path.name != "results.duckdb" else path.readlink()
            (home / path.name).symlink_to(target)
    # Where the demo begins its rounds of the track, by the file that was dropped.
    (home / "coworn.toml").write_text(
        "[[report.private]]\nlatitude_deg = 63.412\nlongitude_deg = 15.801\nradius_m = 200\n"
        '[export]\nlicence = "CC-BY-4.0"\n'
    )
    done = Place(home, None).run("export", str(tmp_path / "package"))
    assert done.returncode == 0, done.stderr
    assert "positions hidden inside 1 private place\n" in done.stdout
    assert "licence: CC-BY-4.0\n" in done.stdout
    whole = tmp_path / "whole"
    assert demo.run("export", str(whole)).returncode == 0
    size = sum(path.stat().st_size for path in (tmp_path / "package" / "tracks").iterdir())
    assert size < sum(path.stat().st_size for path in (whole / "tracks").iterdir())


def test_a_home_without_results_says_what_to_do_and_writes_nothing(
    bare: Place, tmp_path: Path
) -> None:
    missing = bare.run("export", str(tmp_path / "package"))
    assert missing.returncode == 2
    bare.root.mkdir()
    empty = bare.run("export", str(tmp_path / "package"))
    assert empty.returncode == 1
    for done in (missing, empty):
        assert len(done.stderr.splitlines()) == 1
        assert "coworn watch" in done.stderr
    assert not (tmp_path / "package").exists()


@pytest.mark.parametrize(
    ("number", "code"), [(signal.SIGKILL, -signal.SIGKILL), (signal.SIGINT, 130)]
)
def test_an_export_that_is_stopped_halfway_leaves_the_earlier_package(
    demo: Place, tmp_path: Path, number: signal.Signals, code: int
) -> None:
    place = tmp_path / "package"
    assert demo.run("export", str(place)).returncode == 0
    first = list_files(place)
    process = subprocess.Popen(
        [sys.executable, "-c", INTERRUPTIBLE, "export", str(place), "--home", str(demo.root)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        env=demo.environment(),
    )
    wait_until(
        lambda: any(tmp_path.glob(".package.*.building/data/samples.csv.gz")), "samples are written"
    )
    process.send_signal(number)
    _, told = process.communicate(timeout=60)
    assert process.returncode == code, told
    assert list_files(place) == first
    if number == signal.SIGINT:
        assert told == "coworn: stopped\n"
        assert [path.name for path in tmp_path.iterdir()] == ["package"]
    assert demo.run("export", str(place)).returncode == 0
    assert {path: size for path, (size, _) in list_files(place).items()} == {
        path: size for path, (size, _) in first.items()
    }


def test_the_package_has_the_rights_that_the_person_gives(demo: Place, tmp_path: Path) -> None:
    done = subprocess.run(
        [
            *(sys.executable, "-m", "flows.cli", "export", str(tmp_path / "package")),
            *("--home", str(demo.root)),
        ],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
        env=demo.environment(),
        umask=0o022,
        timeout=400,
    )
    assert done.returncode == 0, done.stderr
    made = [tmp_path / "package", *(tmp_path / "package").rglob("*")]
    assert [path.name for path in made if not path.stat().st_mode & 0o044] == []
    assert all(os.access(path, os.R_OK) for path in made)
