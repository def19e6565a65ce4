"""Troubles of the machine are said in one line with a remedy."""

from __future__ import annotations

import errno
import os

import duckdb
import pytest

from flows.trouble import explain_trouble


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
    told = explain_trouble(OSError(number, os.strerror(number), "/home/x/store"))
    assert told is not None
    assert told.startswith("/home/x/store: ")
    assert says in told
    assert "\n" not in told


def test_a_full_disk_is_known_in_the_words_of_the_database_too() -> None:
    words = f'Failed to commit: Could not write file "s": {os.strerror(errno.ENOSPC)}\nmore'
    told = explain_trouble(duckdb.IOException(words))
    assert told is not None
    assert told.endswith("make room and run it again")
    assert "\n" not in told


def test_other_errors_are_no_trouble_of_the_machine() -> None:
    assert explain_trouble(ValueError("no")) is None
    assert explain_trouble(FileNotFoundError(errno.ENOENT, "no", "x")) is None
    assert explain_trouble(duckdb.IOException("Could not set lock on file")) is None
