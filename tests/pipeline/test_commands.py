"""What a person sees: exit codes, one-line errors, names that could steer a terminal."""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from tests.pipeline.conftest import ROOT, Place, clean_environment, write_csv

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def bare(tmp_path: Path) -> Place:
    """A home that needs no server: nothing runs in these tests."""
    return Place(tmp_path / "home", None)


@pytest.mark.parametrize(
    "words",
    [
        ("nosuch",),
        ("ingest",),
        ("export",),
        ("ingest", "/no/such/file.fit"),
        ("watch", "--nosuch"),
        ("sql", "SELECT 1", "--format", "xml"),
        ("status",),
        ("explain", "whatever"),
    ],
)
def test_a_wrong_command_line_gives_two_and_one_line(bare: Place, words: tuple[str, ...]) -> None:
    done = bare.run(*words)
    assert (done.returncode, done.stdout) == (2, "")
    assert len(done.stderr.splitlines()) == 1
    assert done.stderr.startswith("coworn: ")
    assert not bare.root.exists()


def test_a_wrong_setting_gives_two_and_names_file_and_line(bare: Place) -> None:
    bare.configure("[inbox]\nquiet_s = 1.0\n[time]\nzone = 'Nowhere/Nothing'\n")
    done = bare.run("nightly")
    assert done.returncode == 2
    assert f"{bare.root / 'coworn.toml'}, line 4" in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert not bare.inbox.exists()


def test_a_wrong_device_gives_two_and_names_the_file(bare: Place) -> None:
    bare.root.mkdir()
    (bare.root / "devices.toml").write_text('[[device]]\nid = "Not An Id"\nname = "x"\n')
    done = bare.run("watch")
    assert done.returncode == 2
    assert "devices.toml" in done.stderr
    assert len(done.stderr.splitlines()) == 1


def test_sql_without_results_says_what_to_do(bare: Place) -> None:
    bare.root.mkdir()
    done = bare.run("sql", "SELECT 1")
    assert done.returncode == 1
    assert "coworn watch" in done.stderr


def test_debug_shows_where_an_error_came_from(bare: Place) -> None:
    done = bare.run("status", "--debug")
    assert done.returncode == 2
    assert "Traceback" in done.stderr


def test_serve_without_a_server_says_how_to_start_one(bare: Place) -> None:
    bare.api_url = "http://127.0.0.1:9/api"
    done = bare.run("serve")
    assert done.returncode == 2
    assert "prefect server start" in done.stderr
    assert len(done.stderr.splitlines()) == 1


def test_the_home_may_be_named_by_the_environment(bare: Place) -> None:
    bare.root.mkdir()
    done = subprocess.run(
        [sys.executable, "-m", "flows.cli", "status"],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
        env=clean_environment(COWORN_HOME=str(bare.root)),
    )
    assert done.returncode == 0, done.stderr
    assert str(bare.root) in done.stdout


def test_another_package_called_config_is_named(tmp_path: Path) -> None:
    stranger = tmp_path / "config"
    stranger.mkdir()
    (stranger / "__init__.py").write_text("")
    program = (
        f"import sys; sys.path.insert(0, {str(ROOT)!r}); sys.path.insert(0, {str(tmp_path)!r})\n"
        "from flows.cli import main; sys.exit(main(['metrics']))"
    )
    done = subprocess.run(
        [sys.executable, "-c", program],
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
        env=clean_environment(PYTHONPATH=""),
    )
    assert done.returncode == 2
    assert str(stranger) in done.stderr
    assert "pip uninstall config" in done.stderr
    assert len(done.stderr.splitlines()) == 1


def test_the_help_needs_none_of_the_heavy_libraries() -> None:
    program = (
        "import sys; from flows.cli import main; main(['--help'])\n"
        "print([name for name in ('prefect', 'pandas', 'scipy', 'duckdb', 'pyarrow') "
        "if name in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", program],
        capture_output=True,
        text=True,
        check=True,
        cwd=ROOT,
        env=clean_environment(),
    )
    assert done.stdout.splitlines()[-1] == "[]"


def test_names_cannot_steer_the_terminal(place: Place, tmp_path: Path) -> None:
    odd = tmp_path / "[bold]\x1b[31mred\u202egpj.csv"
    odd.write_text("when,what\n1,2\n3,4\n")
    done = place.run("ingest", str(odd), str(write_csv(tmp_path / "strap.csv")))
    assert done.returncode == 1
    assert "\x1b" not in done.stdout + done.stderr
    assert "\u202e" not in done.stdout + done.stderr
    assert "[bold]\\x1b[31mred\\u202egpj.csv" in done.stderr
    assert "\x1b" not in place.run("status").stdout
    refusal, run = (place.root / "state" / "logs" / "coworn.log").read_text().splitlines()
    assert " WARNING [bold]\\x1b[31mred\\u202egpj.csv refused: " in refusal
    assert " INFO drop: 2 files: 1 stored, 1 refused; 1 workout with new results, run " in run
    assert "; read " in run
    assert ", publish " in run


def test_quiet_prints_nothing_but_errors(place: Place, tmp_path: Path) -> None:
    done = place.run("ingest", str(write_csv(tmp_path / "strap.csv")), "--quiet")
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_an_export_that_two_devices_claim_is_named_with_both(place: Place, tmp_path: Path) -> None:
    done = place.run("ingest", str(write_csv(tmp_path / "strap-or-test-watch.csv")))
    assert done.returncode == 1
    (line,) = done.stderr.splitlines()
    assert "strap-or-test-watch.csv" in line
    assert "test-watch and strap both match by filename" in line
    # It can be used until the rules are mended.
    assert place.ask("SELECT status FROM files") == [("stored",)]
    assert "strap-or-test-watch.csv" in place.run("devices").stdout
