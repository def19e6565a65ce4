"""The prompt of `coworn sql`, in a pseudo-terminal: what a person types and sees."""

from __future__ import annotations

import re
import stat
import sys
from typing import TYPE_CHECKING

import pexpect
import pytest

from config.home import Home
from config.settings import load_settings
from tasks.store import open_store, publish
from tests.pipeline.conftest import ROOT, clean_environment

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

READY = "coworn>"
#: Nobody here answers where the cursor is.
NO_CURSOR = {"PROMPT_TOOLKIT_NO_CPR": "1"}
CTRL_C, CTRL_D = "\x03", "\x04"
#: What a terminal does and not what a person reads.
STEERING = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]|\x1b[=>]|\r")


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Home:
    made = Home(tmp_path_factory.mktemp("prompt") / "home")
    made.create()
    with open_store(made):
        pass
    publish(made, load_settings())
    made.queries.mkdir()
    (made.queries / "answer-of-mine.sql").write_text(
        "-- An answer of my own\nSELECT 41 + 1 AS my_answer;\n"
    )
    return made


class Screen:
    """A terminal of 80 columns in which `coworn sql` runs."""

    def __init__(self, home: Home, *, lines: int = 24) -> None:
        self.child = pexpect.spawn(
            sys.executable,
            ["-m", "flows.cli", "sql", "--home", str(home.root)],
            cwd=str(ROOT),
            env={
                **clean_environment(),
                "TERM": "xterm",
                "NO_COLOR": "1",
                "PAGER": "cat -n",
                **NO_CURSOR,
            },
            dimensions=(lines, 80),
            encoding="utf-8",
            timeout=40,
        )
        self.wait()

    def wait(self) -> str:
        """Return what is shown until the next prompt."""
        self.child.expect_exact(READY)
        return STEERING.sub("", str(self.child.before))

    def type(self, text: str, *, until: str) -> str:
        """Type a line and return what is shown up to `until`, which must come."""
        self.child.send(text + "\r")
        self.child.expect_exact(until)
        shown = STEERING.sub("", str(self.child.before))
        self.wait()
        return shown

    def leave(self) -> int:
        self.child.send(CTRL_D)
        self.child.expect(pexpect.EOF)
        self.child.close()
        return int(self.child.exitstatus)


@pytest.fixture
def screen(home: Home) -> Iterator[Screen]:
    made = Screen(home)
    yield made
    made.child.close(force=True)


def test_a_query_goes_on_until_its_semicolon(screen: Screen) -> None:
    screen.child.send("SELECT 6 *\r")
    screen.child.expect_exact("...>")
    assert "42" in screen.type("7 AS product;", until="1 row") + screen.type(
        "SELECT 'a;b' AS text;", until="1 row"
    )
    assert screen.leave() == 0


def test_ctrl_c_drops_the_line_and_ctrl_d_leaves(screen: Screen) -> None:
    screen.child.send("SELECT nonsense")
    screen.child.send(CTRL_C)
    screen.wait()
    screen.type("SELECT 1 AS one;", until="1 row")
    assert screen.leave() == 0


def test_tab_completes_tables_columns_and_saved_queries(screen: Screen) -> None:
    screen.child.send("SELECT count(*) AS n FROM metric_defi\t")
    # Only what is new on the line is drawn.
    screen.child.expect_exact("nitions")
    screen.type(";", until="1 row")
    screen.child.send("answer-o\t")
    screen.child.expect_exact("mine")
    screen.child.send("\r")
    screen.child.expect_exact("my_answer")
    screen.child.expect_exact("42")
    screen.wait()


def test_unknown_names_are_told_with_what_was_meant(screen: Screen) -> None:
    screen.type("FROM recordngs;", until="did you mean recordings?")
    screen.type("SELECT devise_id FROM recordings;", until="did you mean device_id?")
    screen.type(".columns recordigns", until="did you mean recordings?")
    screen.type(".saved usual-valeus", until="did you mean the saved query usual-values?")
    screen.type(".mode tabel", until="choose one of table, rows, csv, json")
    screen.type(".nosuch", until=".refresh")


def test_modes_saved_queries_and_files(screen: Screen, home: Home, tmp_path: Path) -> None:
    screen.type(".mode csv", until="answers are shown as csv")
    screen.type("SELECT 1 AS a, 2 AS b;", until="1,2")
    screen.type(".mode json", until="answers are shown as json")
    screen.type("SELECT 1 AS a;", until='[\r\n{"a": 1}\r\n]')
    screen.type(".mode rows", until="answers are shown as rows")
    screen.type("SELECT 5 AS five;", until="row 1\r\n  five  5")
    screen.type(f".write {home.root}/out.csv", until="nothing is written into the home folder")
    screen.type(f".write {tmp_path}/out.csv", until="1 rows written")
    assert (tmp_path / "out.csv").read_text() == "five\n5\n"
    screen.type(".save five", until="run it with five;")
    assert (home.queries / "five.sql").read_text().endswith("SELECT 5 AS five;\n")
    assert "An answer of my own" in screen.type(".saved", until="  five: SELECT 5")
    screen.type("five", until="1 row")


def test_what_was_asked_comes_back_in_the_next_session(home: Home) -> None:
    first = Screen(home)
    first.type("SELECT 4711 AS remembered;", until="1 row")
    assert first.leave() == 0
    assert stat.S_IMODE(home.sql_history.stat().st_mode) == 0o600
    second = Screen(home)
    second.child.send("\x1b[A")
    second.child.expect_exact("remembered;")
    second.child.send("\r")
    second.child.expect_exact("1 row")
    second.wait()
    assert second.leave() == 0


def test_a_long_answer_goes_through_the_pager(home: Home) -> None:
    # `cat -n` numbers what it gets: only the pager does.
    small = Screen(home, lines=10)
    assert "    20\t" in small.type("FROM range(30);", until="30 rows")
    assert "     1\t" not in small.type("SELECT 1 AS one;", until="1 row")
    assert small.leave() == 0
