"""A backup in another place holds what a home cannot make again, whole, and makes a new home."""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import fsspec
import pytest

from config.home import Home
from tasks.archive.away import RESTORING, back_up_away, restore_away
from tasks.archive.originals import archive_original
from tasks.archive.publishing_key import load_publishing_key
from tasks.core.errors import CowornError

if TYPE_CHECKING:
    from collections.abc import Iterator

NOW = datetime(2026, 5, 2, 4, 0, tzinfo=UTC)


@pytest.fixture
def home(tmp_path: Path) -> Home:
    made = Home(tmp_path / "home")
    made.create()
    for number in range(5):
        drop(made, f"run {number}".encode())
    (made.root / "devices.toml").write_text('[[device]]\nid = "hazel"\n')
    (made.courses / "forest.gpx").write_text("<gpx/>")
    (made.backups / "store-20260501T040000Z.duckdb").write_bytes(b"older")
    (made.backups / "store-20260502T040000Z.duckdb").write_bytes(b"newest")
    (made.lake / "samples.parquet").write_bytes(b"made again from the originals")
    load_publishing_key(made)
    return made


@pytest.fixture(params=["folder", "memory"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """A folder, and an address of another kind: that of fsspec's own store in the memory."""
    if request.param == "folder":
        yield str(tmp_path / "other disk")
    else:
        yield f"memory://away-{tmp_path.name}"
        fsspec.filesystem("memory").store.clear()


def drop(home: Home, content: bytes) -> None:
    path = home.inbox / "run.fit"
    path.write_bytes(content)
    archive_original(path, home=home)
    path.unlink()


def read_all(home: Home) -> dict[str, bytes]:
    return {
        path.relative_to(home.root).as_posix(): path.read_bytes()
        for path in home.root.rglob("*")
        if path.is_file()
    }


def test_a_new_home_has_every_byte_of_what_cannot_be_made_again(
    home: Home, place: str, tmp_path: Path
) -> None:
    done = back_up_away(home, place, now=NOW, keep=3)
    new = Home(tmp_path / "new")
    assert restore_away(place, home=new) == done.n_files
    whole = read_all(home)
    made_again = {"lake/samples.parquet", "state/publishing.key"}
    assert read_all(new) == {
        name: data
        for name, data in whole.items()
        if name not in made_again and name != "backups/store-20260501T040000Z.duckdb"
    }
    assert load_publishing_key(new) == load_publishing_key(home)


def test_only_what_is_new_is_copied(home: Home, place: str) -> None:
    first = back_up_away(home, place, now=NOW, keep=3)
    assert first.n_copied == first.n_files == 9
    again = back_up_away(home, place, now=NOW + timedelta(days=1), keep=3)
    assert (again.n_files, again.n_copied, again.n_bytes) == (9, 0, 0)
    drop(home, b"one more")
    more = back_up_away(home, place, now=NOW + timedelta(days=2), keep=3)
    assert (more.n_files, more.n_copied, more.n_bytes) == (10, 1, len(b"one more"))


def find_object(place: Path, content: bytes) -> Path:
    file_id = hashlib.sha256(content).hexdigest()
    return place / "objects" / file_id[:2] / file_id


def test_a_damaged_object_is_named_and_mended(home: Home, tmp_path: Path) -> None:
    place = tmp_path / "other"
    back_up_away(home, str(place), now=NOW, keep=3)
    damaged = find_object(place, b"run 3")
    damaged.chmod(0o600)
    damaged.write_bytes(b"run 8")
    with pytest.raises(CowornError, match="is damaged in the backup"):
        restore_away(str(place), home=Home(tmp_path / "new"))
    assert back_up_away(home, str(place), now=NOW, keep=3).n_copied == 0
    assert back_up_away(home, str(place), now=NOW, keep=3, deep=True).n_copied == 1
    # It goes on where it stopped.
    assert (tmp_path / "new" / RESTORING).exists()
    assert restore_away(str(place), home=Home(tmp_path / "new")) == 9
    assert not (tmp_path / "new" / RESTORING).exists()


def test_what_was_cut_short_is_copied_again(home: Home, tmp_path: Path) -> None:
    place = tmp_path / "other"
    back_up_away(home, str(place), now=NOW, keep=3)
    cut = find_object(place, b"run 3")
    cut.chmod(0o600)
    cut.write_bytes(b"run")
    assert back_up_away(home, str(place), now=NOW, keep=3).n_copied == 1


def test_only_the_newest_are_kept_and_what_none_names_goes(home: Home, tmp_path: Path) -> None:
    place = tmp_path / "other"
    devices = home.root / "devices.toml"
    contents = [f"# {number}\n".encode() for number in range(4)]
    for number, content in enumerate(contents):
        devices.write_bytes(content)
        back_up_away(home, str(place), now=NOW + timedelta(days=number), keep=2)
    assert len(list((place / "manifests").iterdir())) == 2
    there = [find_object(place, content).exists() for content in contents]
    assert there == [False, False, True, True]


def test_places_that_are_not_this_homes_are_refused(home: Home, tmp_path: Path) -> None:
    place = tmp_path / "other"
    back_up_away(home, str(place), now=NOW, keep=3)
    stranger = Home(tmp_path / "stranger")
    stranger.create()
    with pytest.raises(CowornError, match="backups of another home"):
        back_up_away(stranger, str(place), now=NOW, keep=3)
    (tmp_path / "thesis").mkdir()
    (tmp_path / "thesis" / "chapter-1.txt").write_text("mine")
    with pytest.raises(CowornError, match="holds other files"):
        back_up_away(home, str(tmp_path / "thesis"), now=NOW, keep=3)
    with pytest.raises(CowornError, match="inside the home"):
        back_up_away(home, str(home.backups / "away"), now=NOW, keep=3)
    with pytest.raises(CowornError, match="no such kind of place"):
        back_up_away(home, "carrier-pigeon://loft", now=NOW, keep=3)
    with pytest.raises(CowornError, match="not empty"):
        restore_away(str(place), home=home)
    with pytest.raises(CowornError, match="there is no backup"):
        restore_away(str(tmp_path / "thesis"), home=Home(tmp_path / "new"))


def test_a_name_in_a_backup_does_not_lead_out_of_the_home(home: Home, tmp_path: Path) -> None:
    place = tmp_path / "other"
    back_up_away(home, str(place), now=NOW, keep=3)
    (manifest,) = (place / "manifests").iterdir()
    listed = json.loads(manifest.read_text())
    for name in ("../evil.txt", "/tmp/evil.txt"):  # noqa: S108 - nothing is written there
        listed["files"][0]["path"] = name
        manifest.write_text(json.dumps(listed))
        with pytest.raises(CowornError, match="leads out of the home"):
            restore_away(str(place), home=Home(tmp_path / "new"))
    assert not (tmp_path / "evil.txt").exists()


KILLED = """
import os, sys
from datetime import UTC, datetime
from pathlib import Path
from config.home import Home
from tasks.archive import away

calls = 0
real = away._hash if sys.argv[4] == "backup" else away.hash_file

def count(*args):
    global calls
    calls += 1
    if calls > int(sys.argv[3]):
        os._exit(9)
    return real(*args)

home = Home(Path(sys.argv[1]))
if sys.argv[4] == "backup":
    away._hash = count
    away.back_up_away(home, sys.argv[2], now=datetime(2026, 5, 2, tzinfo=UTC), keep=3)
else:
    away.hash_file = count
    away.restore_away(sys.argv[2], home=home)
"""


def test_killed_anywhere_the_next_one_makes_it_whole(home: Home, tmp_path: Path) -> None:
    place, new = tmp_path / "other", tmp_path / "new"
    for what, root in (("backup", home.root), ("restore", new)):
        for after in (0, 2, 5, 8):
            done = subprocess.run(
                [sys.executable, "-c", KILLED, str(root), str(place), str(after), what],
                check=False,
                cwd=Path.cwd(),
                timeout=120,
            )
            # One that finds most of it there already may be done before it is killed.
            assert done.returncode in ({9} if after < 5 else {0, 9})
        if what == "backup":
            back_up_away(home, str(place), now=NOW, keep=3)
            assert not list(place.rglob("manifests/*.part"))
    assert restore_away(str(place), home=Home(new)) == 9
    for number in range(5):
        file_id = hashlib.sha256(f"run {number}".encode()).hexdigest()
        assert (new / "originals" / file_id[:2] / f"{file_id}.fit").exists()
