"""The secret of a home: drawn once, kept at two places, never silently another one."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import pytest

from config.home import Home
from tasks.archive.publishing_key import NAME, load_publishing_key
from tasks.core.errors import CowornError

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def home(tmp_path: Path) -> Home:
    home = Home(tmp_path / "home")
    home.create()
    return home


def test_it_is_drawn_once_and_only_its_owner_reads_it(home: Home) -> None:
    key = load_publishing_key(home)
    assert len(key) == 32
    assert load_publishing_key(home) == key
    for folder in (home.state, home.backups):
        assert (folder / NAME).stat().st_mode & 0o077 == 0
        assert [path.name for path in folder.glob(".*.building")] == []
    assert load_publishing_key(Home(home.root.with_name("other"))) != key


@pytest.mark.parametrize("lost", ["state", "backups"])
@pytest.mark.parametrize("damage", [None, b"", b"\xff\x00", b"abc\n"])
def test_one_of_the_two_that_is_lost_or_damaged_is_made_from_the_other(
    home: Home, lost: str, damage: bytes | None
) -> None:
    key = load_publishing_key(home)
    path = getattr(home, lost) / NAME
    if damage is None:
        path.unlink()
    else:
        path.write_bytes(damage)
    assert load_publishing_key(home) == key
    assert path.read_text(encoding="ascii") == f"{key.hex()}\n"


def test_with_both_damaged_nothing_is_published(home: Home) -> None:
    load_publishing_key(home)
    for folder in (home.state, home.backups):
        (folder / NAME).write_bytes(b"gone")
    with pytest.raises(CowornError, match="damaged; restore this file"):
        load_publishing_key(home)


def test_two_that_ask_at_once_get_the_same(home: Home) -> None:
    with ThreadPoolExecutor(8) as pool:
        keys = set(pool.map(lambda _: load_publishing_key(home), range(16)))
    assert len(keys) == 1
