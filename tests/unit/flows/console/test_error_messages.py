"""Troubles of the machine are said in one line with a remedy."""

from __future__ import annotations

import errno
import os
from typing import TYPE_CHECKING

import duckdb
import pytest

from flows.console.error_messages import RepeatedErrors, explain_os_error
from tasks.ingest.exports import FileOutcome

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.parametrize(
    ("number", "says"),
    [
        (errno.ENOSPC, "make room"),
        (errno.EROFS, "read-only"),
        (errno.EACCES, "no right"),
        (errno.EMFILE, "ulimit"),
    ],
)
def test_a_trouble_names_the_place_and_the_remedy(number: int, says: str) -> None:
    told = explain_os_error(OSError(number, os.strerror(number), "/home/x/store"))
    assert told is not None
    assert told.startswith("/home/x/store: ")
    assert says in told
    assert "\n" not in told


def test_a_full_disk_is_known_in_the_words_of_the_database_too() -> None:
    words = f'Failed to commit: Could not write file "s": {os.strerror(errno.ENOSPC)}\nmore'
    told = explain_os_error(duckdb.IOException(words))
    assert told is not None
    assert told.endswith("make room and run it again")
    assert "\n" not in told


def test_other_errors_are_no_trouble_of_the_machine() -> None:
    assert explain_os_error(ValueError("no")) is None
    assert explain_os_error(FileNotFoundError(errno.ENOENT, "no", "x")) is None
    assert explain_os_error(duckdb.IOException("Could not set lock on file")) is None


FAILED = FileOutcome("a.fit", "failed", reason="no right to read it")
STORED = FileOutcome("a.fit", "stored", "1f")


def test_a_trouble_of_drops_is_new_once_and_again_after_it_was_over() -> None:
    troubles = RepeatedErrors()
    assert troubles.is_new("the disk is full")
    assert not troubles.is_new("the disk is full")
    assert troubles.is_new("the disk is away")
    troubles.pick_new(())
    assert troubles.is_new("the disk is away")


def test_a_file_that_fails_again_for_the_same_reason_is_not_told_again() -> None:
    troubles = RepeatedErrors()
    other = FileOutcome("b.fit", "stored", "2e")
    assert troubles.pick_new((FAILED,)) == (FAILED,)
    assert troubles.pick_new((other,)) == (other,)
    assert troubles.pick_new((FAILED, other)) == (other,)


def test_a_file_that_fails_anew_is_told_again() -> None:
    troubles = RepeatedErrors()
    away = FileOutcome("a.fit", "failed", reason="the disk is away")
    assert troubles.pick_new((FAILED,)) == (FAILED,)
    assert troubles.pick_new((away,)) == (away,)
    assert troubles.pick_new((STORED,)) == (STORED,)
    assert troubles.pick_new((away,)) == (away,)


def test_what_did_not_fail_is_told_each_time() -> None:
    troubles = RepeatedErrors()
    assert troubles.pick_new((STORED,)) == troubles.pick_new((STORED,)) == (STORED,)


def test_a_store_that_was_cut_is_told_with_its_remedy(tmp_path: Path) -> None:
    path = tmp_path / "store.duckdb"
    with duckdb.connect(str(path)) as connection:
        connection.execute("CREATE TABLE results AS SELECT range AS n FROM range(100000)")
    path.write_bytes(path.read_bytes()[:20_000])
    with pytest.raises(duckdb.Error) as caught, duckdb.connect(str(path)) as connection:
        connection.execute("SELECT sum(n) FROM results").fetchall()
    told = explain_os_error(caught.value)
    assert told is not None
    assert told.endswith("; run coworn repair")
    assert len(told.splitlines()) == 1
