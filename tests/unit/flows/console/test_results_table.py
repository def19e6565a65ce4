"""The main table: what its lines say, and that it fits."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from rich.cells import cell_len

from flows.console.results_table import MainRow, show_main_rows
from flows.console.terminal import make_console

if TYPE_CHECKING:
    import pytest

ROW = MainRow(
    workout_id="w1",
    start_utc=datetime(2026, 5, 2, 7, 30, tzinfo=UTC),
    activity="running",
    device_id="alder-2-second",
    role="predecessor",
    reference="hazel",
    reference_kind="device",
    clock="+-3 s",
    lock_s=190.0,
    mae_bpm=4.91,
    bias_bpm=-3.8,
    within_pct=90.2,
    error_pct=0.31,
    distance_reference="course:forest-trail",
    distance_reference_kind="course",
    findings=42,
)


def tell(
    rows: list[MainRow], capsys: pytest.CaptureFixture[str], *, newest_first: bool = False
) -> list[str]:
    show_main_rows(rows, console=make_console(), newest_first=newest_first)
    return capsys.readouterr().out.splitlines()


def test_a_course_is_named_in_one_piece(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    lines = tell([ROW], capsys)
    assert lines[3] == (
        "2026-05-02 07:30Z running: heart rate against hazel, distance against course"
    )
    assert any("forest-trail" in line for line in lines)
    assert max(len(line) for line in lines) <= 80
    assert lines[-1].split() == [
        "alder-2-second",
        "190",
        "4.9",
        "+-3",
        "s",
        "-3.8",
        "90",
        "+0.3",
        "42",
    ]


def test_numbers_stand_under_their_headings(capsys: pytest.CaptureFixture[str]) -> None:
    other = replace(ROW, device_id="a", lock_s=None, mae_bpm=12.0, findings=0)
    lines = tell([ROW, other], capsys)
    ends = [lines[1].index(word) + len(word) for word in ("findings", "error %", "5 bpm %")]
    for line, cells in ((lines[-2], ("42", "+0.3", "90")), (lines[-1], ("-", "+0.3", "90"))):
        assert [line[:end].split()[-1] for end in ends] == list(cells)


def test_devices_held_against_different_things_are_told_apart(
    capsys: pytest.CaptureFixture[str],
) -> None:
    other = replace(ROW, device_id="alder-1", distance_reference="truth")
    head = next(line for line in tell([ROW, other], capsys) if "running" in line)
    assert "heart rate against hazel" in head
    assert "of alder-2-second against course forest-trail, of alder-1 against truth" in head


def test_a_device_without_numbers_has_no_row(capsys: pytest.CaptureFixture[str]) -> None:
    empty = replace(ROW, device_id="hazel", findings=0, lock_s=None, mae_bpm=None)
    empty = replace(empty, bias_bpm=None, within_pct=None, error_pct=None)
    assert not any("  hazel" in line for line in tell([ROW, empty], capsys))
    assert tell([empty], capsys) == []


def test_newest_first_turns_the_workouts_round(capsys: pytest.CaptureFixture[str]) -> None:
    later = replace(ROW, workout_id="w2", start_utc=datetime(2026, 5, 3, 7, tzinfo=UTC))
    days = [line[:10] for line in tell([ROW, later], capsys, newest_first=True) if "run" in line]
    assert days == ["2026-05-03", "2026-05-02"]


def test_wide_characters_do_not_shift_a_row(capsys: pytest.CaptureFixture[str]) -> None:
    wide = replace(ROW, device_id="腕時計")
    lines = tell([ROW, wide], capsys)
    assert cell_len(lines[-1]) == cell_len(lines[-2])


def test_what_is_no_error_stands_in_brackets_and_says_from_whom(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "200")
    row = replace(
        ROW,
        device_id="watch",
        distance_reference="old",
        distance_reference_kind="comparison",
        error_pct=-2.4,
    )
    lines = tell([row], capsys)
    assert lines[3] == (
        "2026-05-02 07:30Z running: heart rate against hazel, no reference: distance of watch "
        "differs from old by (...)"
    )
    assert lines[-1].split()[-2:] == ["(-2.4)", "42"]
    assert "4.9" in lines[-1].split()
