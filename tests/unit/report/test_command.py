from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from config.home import Home
from flows.report import run_report
from tasks.core.errors import CowornError, UsageError

if TYPE_CHECKING:
    from pathlib import Path


def test_the_command_writes_the_report_and_says_where(
    home: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run_report(home.root, quiet=False) == 0
    assert "pages written" in capsys.readouterr().out
    assert (home.report / "index.html").exists()
    figures = {path.name for path in (home.report / "figures").rglob("*-light.png")}
    assert {"heart_rate-wide-light.png", "track-square-light.png"} <= figures
    assert run_report(home.root, quiet=False) == 0
    assert "0 of" in capsys.readouterr().out


def test_the_set_to_be_published_goes_anywhere_but_into_the_home(
    home: Home, tmp_path: Path
) -> None:
    with pytest.raises(UsageError, match="does not go into the home"):
        run_report(home.root, target=home.root / "public", quiet=True)
    assert run_report(home.root, target=tmp_path / "public", quiet=True) == 0
    text = (tmp_path / "public" / "index.html").read_text(encoding="utf-8")
    assert "refused" not in text
    assert str(home.root) not in text


def test_a_workout_that_is_not_there_is_said_in_one_line(home: Home) -> None:
    with pytest.raises(UsageError, match="no such workout"):
        run_report(home.root, workout="20200101T0000Z-abcdef", quiet=True)


def test_a_home_without_results_says_what_to_do(tmp_path: Path) -> None:
    Home(tmp_path / "new").create()
    with pytest.raises(CowornError, match="no results yet"):
        run_report(tmp_path / "new", quiet=True)
