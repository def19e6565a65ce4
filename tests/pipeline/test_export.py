"""`coworn export` on the demo's home, as its publisher types it."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.commands import run_coworn
from tests.pipeline.conftest import ROOT, Place, wait_until

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


@dataclass(frozen=True)
class Exported:
    """A package of the demo, what its command said, and the home's files before and after."""

    package: Path
    said: str
    before: dict[str, tuple[int, int]]
    after: dict[str, tuple[int, int]]

    def copy(self, folder: Path) -> Path:
        """Return a copy of the package that a test may change."""
        return Path(shutil.copytree(self.package, folder / "package"))


@pytest.fixture(scope="module")
def exported(demo: Place, tmp_path_factory: pytest.TempPathFactory) -> Exported:
    """The package, written once with the mask that most systems give a person."""
    package = tmp_path_factory.mktemp("exported") / "out" / "package"
    before = list_files(demo.root)
    words = ("export", package, "--home", demo.root)
    done = run_coworn(*words, env=demo.environment(), umask=0o022)
    assert (done.returncode, done.stderr) == (0, "")
    return Exported(package, done.stdout, before, list_files(demo.root))


def test_the_package_is_written_and_told_of_and_the_home_stays_as_it_is(
    exported: Exported,
) -> None:
    place = exported.package
    lines = exported.said.splitlines()
    assert lines[0].startswith("19 tables with ")
    assert lines[1] == "no private place is set (report.private): every position is in it"
    assert lines[2].startswith("no licence is claimed")
    assert lines[3] == f"package: {place / 'datapackage.json'}"
    assert exported.after == exported.before
    descriptor = json.loads((place / "datapackage.json").read_text(encoding="utf-8"))
    for resource in descriptor["resources"]:
        assert (place / resource["path"]).stat().st_size == resource["bytes"]
    assert sorted(path.name for path in place.parent.iterdir()) == ["package"]


def test_the_package_holds_the_newest_values_of_the_demo(demo: Place, exported: Exported) -> None:
    # A header, then a line for each row: no cell of these two has a line break in it.
    for name, table in (("results", "latest_results"), ("verdicts", "latest_verdicts")):
        text = (exported.package / "data" / f"{name}.csv").read_bytes()
        assert [(text.count(b"\r\n") - 1,)] == demo.ask(f"SELECT count(*) FROM {table}")  # noqa: S608 - our own names


def test_again_over_the_earlier_package_gives_the_same_bytes(
    demo: Place, exported: Exported, tmp_path: Path
) -> None:
    place = exported.copy(tmp_path)
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


def test_private_places_of_the_settings_are_told_of(
    demo: Place, exported: Exported, tmp_path: Path
) -> None:
    # A home may be read with other settings from a copy of its small files and links to the rest.
    home = tmp_path / "home"
    home.mkdir()
    for path in demo.root.iterdir():
        if path.name != "coworn.toml":
            target = path.resolve() if path.name != "results.duckdb" else path.readlink()
            (home / path.name).symlink_to(target)
    # Where the demo begins its rounds of the track, by the file that was dropped.
    (home / "coworn.toml").write_text(
        "[[report.private]]\nlatitude_deg = 63.412\nlongitude_deg = 15.801\nradius_m = 30\n"
        '[export]\nlicence = "CC-BY-4.0"\n'
    )
    done = Place(home, None).run("export", str(tmp_path / "package"))
    assert done.returncode == 0, done.stderr
    assert "positions hidden inside 1 private place\n" in done.stdout
    assert "licence: CC-BY-4.0\n" in done.stdout
    whole = exported.package
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
    ("number", "code"),
    [
        pytest.param(signal.SIGKILL, -signal.SIGKILL, marks=pytest.mark.full),
        (signal.SIGINT, 130),
    ],
)
def test_an_export_that_is_stopped_halfway_leaves_the_earlier_package(
    demo: Place, exported: Exported, tmp_path: Path, number: signal.Signals, code: int
) -> None:
    place = exported.copy(tmp_path)
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


def test_the_package_has_the_rights_that_the_person_gives(exported: Exported) -> None:
    made = [exported.package, *exported.package.rglob("*")]
    assert [path.name for path in made if not path.stat().st_mode & 0o044] == []
    assert all(os.access(path, os.R_OK) for path in made)
