"""The program of the full statistics says what its parts came to."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests import statistics
from tests.statistics import Part, count_seeds_right, find_line, scale

if TYPE_CHECKING:
    from pathlib import Path


def test_a_figure_is_the_last_line_with_its_word() -> None:
    said = "10 kills in 1 homes\nnothing lost\n200 kills in 50 homes\n"
    assert find_line("kills in", "lost")(said) == "200 kills in 50 homes; nothing lost"
    assert find_line("drops")(said) == "no 'drops'"


def test_seeds_that_are_right_are_added_up() -> None:
    table = "| a | 1 | 20/20 | why |\n| b | 1 | 18/20 | why 3/4 |\n"
    assert count_seeds_right(table).startswith("38 of 40 values")


def test_a_share_of_a_size_is_never_nothing() -> None:
    assert [scale(200, share) for share in (1.0, 0.1, 0.001)] == ["200", "20", "1"]


@pytest.fixture
def parts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two programs of Python's own: one that ends well and one that does not know its option."""
    good = Part("good", lambda _: ("calendar", "2026", "5"), find_line("May"))
    bad = Part("bad", lambda _: ("calendar", "--nonsense"), find_line("error"))
    absent = Part("absent", lambda _: ("calendar",), find_line("May"), needs="no_such_library")
    monkeypatch.setattr(statistics, "PARTS", (good, bad, absent))


@pytest.mark.usefixtures("parts")
def test_a_part_that_fails_fails_the_whole_and_stands_in_the_table(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert statistics.main(["--logs", str(tmp_path / "logs")]) == 1
    good, bad, absent = capsys.readouterr().out.splitlines()[2:]
    assert good.startswith("| good | passed | May 2026 |")
    assert bad.startswith("| bad | FAILED (2) |")
    assert absent.startswith("| absent | NOT RUN | no_such_library is not installed |")
    assert statistics.main(["good", "--logs", str(tmp_path / "logs")]) == 0


@pytest.mark.usefixtures("parts")
def test_an_unknown_part_is_named_with_those_there_are(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit):
        statistics.main(["bud", "--logs", str(tmp_path / "logs")])
    assert "no such part: bud; there are good, bad, absent" in capsys.readouterr().err
