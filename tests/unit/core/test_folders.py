"""Which files of a folder a person put there."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

from tasks.core.folders import find_hint, is_temporary, scan_folder

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.parametrize(
    "name",
    [
        "run.fit.part",
        "run.fit.crdownload",
        "run.gpx.download",
        "run.tmp",
        "run.partial",
        "RUN.FIT.PART",
        "~run.gpx",
        ".~lock.run.csv#",
        ".syncthing.run.fit.tmp",
        "~syncthing~run.fit.tmp",
        "run.fit.icloud",
        ".run.fit.Xa81bQ",
        ".DS_Store",
        "._run.fit",
        "~$run.csv",
        "Thumbs.db",
        "desktop.ini",
    ],
)
def test_names_of_files_on_their_way_are_temporary(name: str) -> None:
    assert is_temporary(name)


@pytest.mark.parametrize("name", ["run.fit", "part.gpx", "a run~1.csv", "2026-05-02.notes.toml"])
def test_names_of_exports_are_not_temporary(name: str) -> None:
    assert not is_temporary(name)


def test_scan_finds_regular_files_in_sub_folders_only(tmp_path: Path) -> None:
    inbox = tmp_path / "inbox"
    (inbox / "alder-2").mkdir(parents=True)
    (inbox / "run.fit.download").mkdir()
    (inbox / "alder-2" / "run.gpx").write_text("x")
    (inbox / "ride.fit").write_text("x")
    (inbox / "ride.fit.part").write_text("x")
    (inbox / "run.fit.download" / "run.fit").write_text("x")
    (tmp_path / "elsewhere.gpx").write_text("x")
    (inbox / "link.gpx").symlink_to(tmp_path / "elsewhere.gpx")
    (inbox / "linked-folder").symlink_to(tmp_path, target_is_directory=True)
    os.mkfifo(inbox / "pipe.fit")
    found = scan_folder(inbox)
    assert {str(path.relative_to(inbox)) for path in found} == {"alder-2/run.gpx", "ride.fit"}


def test_scan_of_a_missing_folder_is_empty(tmp_path: Path) -> None:
    assert scan_folder(tmp_path / "gone") == {}


def test_the_hint_is_the_first_folder_below_the_inbox(tmp_path: Path) -> None:
    assert find_hint(tmp_path / "run.gpx", tmp_path) is None
    assert find_hint(tmp_path / "alder-2" / "run.gpx", tmp_path) == "alder-2"
    assert find_hint(tmp_path / "alder-2" / "may" / "run.gpx", tmp_path) == "alder-2"
