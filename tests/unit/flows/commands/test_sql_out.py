"""What `coworn sql --out` writes takes nobody's place but that of an older answer."""

from __future__ import annotations

import os
import threading
from typing import TYPE_CHECKING

import pytest

from config.home import Home
from config.settings import load_settings
from flows.commands.declare import Options
from flows.commands.sql import sql
from tasks.core.errors import UsageError
from tasks.store import open_store, publish

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def home(tmp_path: Path) -> Home:
    made = Home(tmp_path / "home")
    made.create()
    with open_store(made):
        pass
    publish(made, load_settings())
    return made


def ask(home: Home, out: Path, form: str = "csv") -> int:
    return sql(Options(home.root, quiet=True), "SELECT 1 AS one", form=form, out=out)


@pytest.mark.parametrize(
    "place",
    ["state/store.duckdb", "results.duckdb", "coworn.toml", "originals/ab/new.csv", "inbox/x.csv"],
)
def test_nothing_inside_the_home_is_written_over(home: Home, tmp_path: Path, place: str) -> None:
    before = home.store.read_bytes()
    link = tmp_path / "link"
    link.symlink_to(home.root, target_is_directory=True)
    for out in (home.root / place, link / place, tmp_path / "link" / ".." / "home" / place):
        with pytest.raises(UsageError, match="nothing is written into the home folder"):
            ask(home, out)
    assert home.store.read_bytes() == before
    assert not home.settings.exists()


def test_an_older_answer_is_replaced_through_a_link_too(home: Home, tmp_path: Path) -> None:
    out, link = tmp_path / "answer.csv", tmp_path / "link.csv"
    out.write_text("old")
    link.symlink_to(out)
    assert ask(home, link) == 0
    assert link.is_symlink()
    assert out.read_bytes() == b"one\r\n1\r\n"


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_a_pipe_gets_the_answer_and_stays_a_pipe(home: Home, tmp_path: Path, form: str) -> None:
    """So that no device is replaced by a file, which the mighty user could do to /dev/null."""
    out = tmp_path / "pipe"
    os.mkfifo(out)
    got: list[bytes] = []
    reader = threading.Thread(target=lambda: got.append(out.read_bytes()), daemon=True)
    reader.start()
    assert ask(home, out, form) == 0
    reader.join(30)
    assert out.is_fifo()
    assert got[0].startswith({"csv": b"one", "parquet": b"PAR1"}[form])
