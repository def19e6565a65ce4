"""The package takes its place as a whole or not at all, and takes nobody else's."""

from __future__ import annotations

import json
import os
from typing import TYPE_CHECKING

import pytest

from tasks.core.errors import UsageError
from tasks.package.place import build_beside, require_place

if TYPE_CHECKING:
    from pathlib import Path


def write_earlier(place: Path, text: str = "old") -> None:
    """Write what looks like an earlier package."""
    (place / "data").mkdir(parents=True)
    (place / "data" / "rows.csv").write_text(text)
    facts = {"made_by": "coworn 0.1.0", "resources": [{"path": "data/rows.csv"}]}
    (place / "datapackage.json").write_text(json.dumps(facts))
    (place / "README.md").write_text("about it")


def list_names(folder: Path) -> list[str]:
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*"))


def refuse(folder: Path, home: Path, match: str) -> None:
    before = list_names(folder.parent)
    with pytest.raises(UsageError, match=match):
        require_place(folder, home=home)
    assert list_names(folder.parent) == before


def test_a_new_an_empty_and_an_earlier_place_will_do(tmp_path: Path) -> None:
    home = tmp_path / "home"
    assert require_place(tmp_path / "new" / "deep", home=home) == tmp_path / "new" / "deep"
    assert not (tmp_path / "new").exists()
    (tmp_path / "empty").mkdir()
    assert require_place(tmp_path / "empty", home=home) == tmp_path / "empty"
    write_earlier(tmp_path / "earlier")
    assert require_place(tmp_path / "earlier", home=home) == tmp_path / "earlier"


def test_a_place_with_anything_of_somebody_else_is_refused(tmp_path: Path) -> None:
    home = tmp_path / "home"
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "thesis.txt").write_text("mine")
    refuse(tmp_path / "full", home, r"thesis\.txt")
    write_earlier(tmp_path / "earlier")
    (tmp_path / "earlier" / "data" / "mine.csv").write_text("mine")
    refuse(tmp_path / "earlier", home, r"data/mine\.csv")
    refuse(tmp_path / "full" / "thesis.txt", home, r"thesis\.txt is a file")
    refuse(tmp_path / "full" / "thesis.txt" / "out", home, r"thesis\.txt is a file")


@pytest.mark.parametrize(
    "text",
    [
        "{",
        "[]",
        '{"resources": []}',
        '{"made_by": "somebody", "resources": []}',
        '{"made_by": "coworn 1"}',
    ],
)
def test_a_package_of_somebody_else_is_refused(tmp_path: Path, text: str) -> None:
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "datapackage.json").write_text(text)
    refuse(tmp_path / "other", tmp_path / "home", r"datapackage\.json")


def test_the_home_is_no_place_for_it_under_any_name(tmp_path: Path) -> None:
    home = tmp_path / "home"
    home.mkdir()
    (tmp_path / "link").symlink_to(home)
    refuse(home, home, "home folder")
    refuse(home / "inside", home, "home folder")
    refuse(tmp_path / "link" / "inside", home, "home folder")


def test_the_folder_that_one_stands_in_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    refuse(tmp_path / "here", tmp_path / "home", "you stand in")


@pytest.mark.parametrize("earlier", ["none", "empty", "package"])
def test_the_new_package_takes_the_place_and_leaves_nothing_beside_it(
    tmp_path: Path, earlier: str
) -> None:
    place = tmp_path / "out" / "package"
    if earlier == "empty":
        place.mkdir(parents=True)
    if earlier == "package":
        write_earlier(place)
    with build_beside(place) as folder:
        (folder / "new.csv").write_text("new")
        assert not (place / "new.csv").exists()
    assert list_names(place.parent) == ["package", "package/new.csv"]


@pytest.mark.parametrize("error", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_what_fails_halfway_leaves_the_earlier_package_as_it_was(
    tmp_path: Path, error: BaseException
) -> None:
    place = tmp_path / "package"
    write_earlier(place)
    before = list_names(tmp_path)

    def build_half() -> None:
        with build_beside(place) as folder:
            (folder / "half.csv").write_text("half")
            raise error

    with pytest.raises(type(error)):
        build_half()
    assert list_names(tmp_path) == before
    assert (place / "data" / "rows.csv").read_text() == "old"


def test_a_package_that_a_killed_run_had_put_aside_gets_its_place_back(tmp_path: Path) -> None:
    write_earlier(tmp_path / ".package.0123abcd.aside", "put aside")

    def fail_at_once() -> None:
        with build_beside(tmp_path / "package"):
            raise OSError("later")

    with pytest.raises(OSError, match="later"):
        fail_at_once()
    assert [path.name for path in tmp_path.iterdir()] == ["package"]
    assert (tmp_path / "package" / "data" / "rows.csv").read_text() == "put aside"


def test_what_a_killed_run_left_half_built_goes_when_it_is_old(tmp_path: Path) -> None:
    for name in ("0123abcd", "4567cdef"):
        (tmp_path / f".package.{name}.building").mkdir()
    os.utime(tmp_path / ".package.0123abcd.building", (0, 0))
    with build_beside(tmp_path / "package") as folder:
        (folder / "new.csv").write_text("new")
    # The younger one may be another run's.
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        ".package.4567cdef.building",
        "package",
    ]
