"""The line where parts of a Unix system are missing, and installed from a wheel elsewhere."""

from __future__ import annotations

import re
import subprocess
import sys
import sysconfig
import venv
from pathlib import Path

import pytest

from tests.pipeline.conftest import NO_FIGURES, ROOT, Place, clean_environment

#: Python runs it in every process that it starts, those that read exports among them.
_WITHOUT = """
import builtins
import os

UNIX = {"fcntl", "resource", "pwd", "grp", "termios"}
plain = builtins.__import__


def import_without(name, globals=None, *rest, **more):
    # Libraries choose by the system's name; what is tried is our own code.
    asking = str((globals or {}).get("__name__")).partition(".")[0]
    if name in UNIX and asking in {"flows", "tasks", "config"}:
        raise ImportError(f"No module named {name!r} on this system")
    return plain(name, globals, *rest, **more)


def refuse(*args, **kwargs):
    raise OSError("a required privilege is not held")


builtins.__import__ = import_without
os.symlink = refuse
"""
#: The demo's exports that are read: a swim is read and measured the soonest.
SWIM = "2025-11-28-pool"
_MODULES = re.compile(
    r"^\s*(?:import|from) (fcntl|resource|pwd|grp|termios|tty|pty)\b", re.MULTILINE
)


def test_modules_of_unix_are_imported_where_their_absence_is_minded() -> None:
    found = {
        f"{path.relative_to(ROOT).as_posix()}: {match.group(1)}"
        for folder in ("flows", "tasks", "config")
        for path in (ROOT / folder).rglob("*.py")
        for match in _MODULES.finditer(path.read_text(encoding="utf-8"))
    }
    assert found == {
        "flows/run_reports.py: resource",
        "tasks/core/file_locks.py: fcntl",
        "tasks/guard/child.py: resource",
    }


def count_rows(place: Place) -> str:
    """Return how much stands in the tables, by the command: the copy may be behind no link."""
    done = place.run(
        "sql",
        "SELECT (SELECT count(*) FROM results), (SELECT round(sum(value), 6) FROM results), "
        "(SELECT count(*) FROM findings), (SELECT count(*) FROM recordings)",
        "--format",
        "csv",
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()[-1]


@pytest.fixture(scope="module")
def swim(tmp_path_factory: pytest.TempPathFactory) -> Place:
    """The pool of the demo, read by the commands as they are here."""
    place = Place(tmp_path_factory.mktemp("swim") / "home", None)
    place.configure(NO_FIGURES)
    ingest_swim(place, ROOT / "inbox_demo")
    return place


def ingest_swim(place: Place, demo: Path, **more: str) -> str:
    """Ingest the pool's exports of the demo in `demo`; return what was said."""
    exports = map(str, sorted(demo.glob(f"{SWIM}*")))
    done = place.run("ingest", *exports, **more)
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_the_line_runs_without_unix_and_without_links(swim: Place, tmp_path: Path) -> None:
    (tmp_path / "sitecustomize.py").write_text(_WITHOUT)
    place = Place(tmp_path / "home", None)
    place.configure(NO_FIGURES)
    more = {"PYTHONPATH": f"{tmp_path}:{ROOT}", "PYTHONWARNINGS": "ignore"}
    ingest_swim(place, ROOT / "inbox_demo", **more)
    assert not (place.root / "results.duckdb").exists()
    pointer = (place.root / "results.newest.txt").read_text().strip()
    assert (place.root / pointer).is_file()
    assert count_rows(place) == count_rows(swim)
    assert "known already" in ingest_swim(place, ROOT / "inbox_demo", **more)
    night = place.run("nightly", **more)
    assert night.returncode == 0, night.stderr
    # Where links are allowed again, the link takes the pointer's place.
    assert place.run("ingest", str(ROOT / "tests/contract/files/gpx/good.gpx")).returncode == 0
    assert (place.root / "results.duckdb").is_symlink()
    assert not (place.root / "results.newest.txt").exists()


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, built by the backend that is named in pyproject.toml."""
    folder = tmp_path_factory.mktemp("wheel")
    program = "import sys; from hatchling.build import build_wheel; print(build_wheel(sys.argv[1]))"
    done = subprocess.run(
        [sys.executable, "-c", program, str(folder)],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
    )
    assert done.returncode == 0, done.stderr
    return folder / done.stdout.splitlines()[-1]


def test_the_demo_comes_with_a_wheel_and_is_read_from_any_folder(
    wheel: Path, swim: Place, tmp_path: Path
) -> None:
    environment = tmp_path / "environment"
    venv.create(environment, with_pip=False, symlinks=True)
    paths = {"base": str(environment), "platbase": str(environment)}
    packages = Path(sysconfig.get_path("purelib", vars=paths))
    done = subprocess.run(
        [
            *(sys.executable, "-m", "pip", "install", "-q", "--no-deps", "--no-index"),
            *("--target", str(packages), str(wheel)),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    # Its libraries are those of this environment; coworn itself is not: that is the installed one.
    (packages / "libraries.pth").write_text(f"{sysconfig.get_path('purelib')}\n")
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    variables = clean_environment()
    del variables["PYTHONPATH"]

    def run(*words: str) -> str:
        ran = subprocess.run(
            [str(environment / "bin" / "python"), *words],
            capture_output=True,
            text=True,
            check=False,
            cwd=elsewhere,
            env=variables,
        )
        assert ran.returncode == 0, ran.stderr
        return ran.stdout

    found = "from flows.commands.demo import find_demo; print(find_demo())"
    demo = Path(run("-c", found).strip())
    assert demo == packages / "flows" / "commands" / "inbox_demo"
    exports = map(str, sorted(demo.glob(f"{SWIM}*")))
    run("-m", "flows.cli", "ingest", *exports, "--home", "made")
    assert count_rows(Place(elsewhere / "made", None)) == count_rows(swim)
