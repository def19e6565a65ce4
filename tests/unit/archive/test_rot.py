"""Originals that rot on the disk are found, named, not read, and mended by the same file again."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from config.home import Home
from config.settings import load_settings
from tasks.archive.ledger import Ledger
from tasks.archive.originals import archive_original, find_original
from tasks.archive.rot import list_damaged, verify_portion
from tasks.ingest.exports import Dropped, finish_file, ingest_file

if TYPE_CHECKING:
    from pathlib import Path

ROWS = "".join(
    f"2026-05-02T05:{second // 60:02}:{second % 60:02}Z,{130 + second % 7}\n"
    for second in range(400)
)
TEXT = f"time,heart_rate\n{ROWS}"


def flip_bits(path: Path, every: int = 97) -> None:
    """Flip the lowest bit of some bytes: digits become other digits, the size stays."""
    data = bytearray(path.read_bytes())
    for at in range(40, len(data), every):
        if chr(data[at]).isdigit():
            data[at] ^= 1
    path.chmod(0o600)
    path.write_bytes(bytes(data))


@pytest.fixture
def home(tmp_path: Path) -> Home:
    home = Home(tmp_path / "home")
    home.create()
    return home


def drop(home: Home, folder: Path, name: str = "run.csv", text: str = TEXT) -> str:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    (outcome,) = ingest_file(Dropped(path, name), home=home, settings=load_settings(), move=False)
    assert outcome.status in {"stored", "duplicate"}, outcome
    return outcome.file_id


def test_a_rotten_original_is_not_read_again_and_the_same_file_mends_it(
    home: Home, tmp_path: Path
) -> None:
    settings = load_settings()
    file_id = drop(home, tmp_path)
    original = find_original(file_id, home=home)
    assert original is not None
    good = original.read_bytes()
    flip_bits(original)
    assert len(original.read_bytes()) == len(good)
    with Ledger(home) as ledger:
        known = ledger.find_file(file_id)
    assert known is not None
    (outcome,) = finish_file(known, home=home, settings=settings)
    assert outcome.status == "failed"
    assert f"originals/{file_id[:2]}/{original.name} is damaged" in str(outcome.reason)
    assert list_damaged(home) == [("run.csv", f"originals/{file_id[:2]}/{original.name}")]
    drop(home, tmp_path)
    assert original.read_bytes() == good
    assert list_damaged(home) == []
    (outcome,) = finish_file(known, home=home, settings=settings)
    assert outcome.status == "stored"


def test_all_originals_are_read_once_in_so_many_nights(home: Home, tmp_path: Path) -> None:
    ids = []
    for number in range(5):
        path = tmp_path / f"{number}.csv"
        path.write_text(f"{number}")
        ids.append(archive_original(path, home=home).file_id)
    for file_id in ids:
        original = find_original(file_id, home=home)
        assert original is not None
        original.chmod(0o600)
        original.write_text("rotten")
    found = [verify_portion(home, nights=3) for _ in range(3)]
    # Two a night; those that were found are read and named again each night.
    assert [len(one) for one in found] == [2, 4, 5]
    assert {file_id for file_id, _ in found[-1]} == set(ids)
    assert len(list_damaged(home)) == 5
    for number in range(5):
        assert archive_original(tmp_path / f"{number}.csv", home=home).is_mended
    assert verify_portion(home, nights=3) == []
    assert list_damaged(home) == []


def test_an_original_that_is_gone_is_no_longer_called_damaged(home: Home, tmp_path: Path) -> None:
    path = tmp_path / "one.csv"
    path.write_text("one")
    original = archive_original(path, home=home).path
    original.chmod(0o600)
    original.write_text("two")
    assert len(verify_portion(home)) == 1
    original.unlink()
    assert verify_portion(home) == []
    assert list_damaged(home) == []
