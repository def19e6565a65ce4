"""Values that jump as no heart and no athlete does are reported with their file."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tasks.core.reading import read_export
from tasks.core.recording import ExportFile
from tasks.core.registers import ReadOptions
from tasks.normalise import normalise_recording

if TYPE_CHECKING:
    from pathlib import Path

    from tasks.core.recording import Recording

TITLES = "time,hr,altitude (m),distance (m),speed (m/s),lat,lon\n"


def make_rows() -> list[list[str]]:
    """Twenty seconds at 3 m/s to the north."""
    return [
        [
            f"2026-05-02T07:30:{n:02d}Z",
            f"{120 + n}",
            f"{300 + n}",
            f"{3 * n}",
            "3",
            f"{50 + 2.7e-5 * n:.6f}",
            "8",
        ]
        for n in range(20)
    ]


def read(rows: list[list[str]], tmp_path: Path) -> Recording:
    path = tmp_path / "run.csv"
    path.write_text(TITLES + "".join(",".join(row) + "\n" for row in rows))
    (recording,) = read_export(ExportFile(path, path.name), ReadOptions())
    return normalise_recording(recording, name=path.name)


#: What one damaged digit makes of a cell: column, cell, name in the reason.
DAMAGED = [
    (1, "29", "heart_rate_bpm"),
    (2, "3100", "altitude_m"),
    (3, "930", "distance_m"),
    (4, "33", "speed_mps"),
    (5, "58.000270", "position"),
]


@pytest.mark.parametrize(("column", "cell", "name"), DAMAGED, ids=[one[2] for one in DAMAGED])
def test_a_cell_that_jumps_makes_its_file_partial_and_is_named(
    column: int, cell: str, name: str, tmp_path: Path
) -> None:
    rows = make_rows()
    rows[9][column] = cell
    recording = read(rows, tmp_path)
    assert recording.header.status == "partial"
    assert f"values of {name} leave those beside them" in (recording.header.reason or "")
    again = normalise_recording(recording, name="run.csv")
    assert again.header == recording.header
    assert again.remarks == recording.remarks


def test_ordinary_values_are_whole(tmp_path: Path) -> None:
    recording = read(make_rows(), tmp_path)
    assert recording.header.status == "whole"
    assert not any("come back" in remark.text for remark in recording.remarks)


def test_intervals_that_no_heart_keeps_are_remarked(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("rr_ms\n800\n810\n8100\n790\n801\n")
    (recording,) = read_export(ExportFile(path, path.name), ReadOptions())
    clean = normalise_recording(recording, name=path.name)
    assert any("outside 0.2 to 3 s (the first: 8.1 s)" in one.text for one in clean.remarks)
    assert clean.header.status == "whole"
