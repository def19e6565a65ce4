"""What lies whole in an inbox that nobody watches."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from config.settings import load_settings
from flows.runs.complete_files import list_complete_files

if TYPE_CHECKING:
    from pathlib import Path

SETTINGS = load_settings().inbox.model_copy(update={"quiet_s": 0.01, "patience_s": 600.0})


def test_whole_files_are_given_and_cut_ones_left_until_they_are_old(tmp_path: Path) -> None:
    (tmp_path / "run.notes.toml").write_text("start = 2026-05-02T07:30:00Z\n")
    cut = tmp_path / "cut.gpx"
    cut.write_text('<?xml version="1.0"?><gpx version="1.1"><trk>')
    assert list_complete_files(tmp_path, SETTINGS) == (tmp_path / "run.notes.toml",)
    os.utime(cut, (0, 0))
    assert list_complete_files(tmp_path, SETTINGS) == (cut, tmp_path / "run.notes.toml")


def test_an_empty_inbox_gives_nothing(tmp_path: Path) -> None:
    assert list_complete_files(tmp_path, SETTINGS) == ()
