"""Firmware of notes and files: one version has one spelling in all workouts of a device."""

from __future__ import annotations

from datetime import UTC, datetime

from tasks.core.notes import Notes
from tasks.processing.firmware import name_doubts, unify_notes

START = datetime(2026, 5, 2, tzinfo=UTC)


def write(firmware: str | float, file_id: str = "a", device_id: str = "alder-2") -> Notes:
    setup = {device_id: {"firmware": firmware, "wrist": "left"}}
    return Notes(START, setup=setup, file_id=file_id, name=f"{file_id}.notes.toml")


def read(notes: tuple[Notes, ...]) -> list[object]:
    return [setup["firmware"] for one in notes for setup in one.setup.values()]


def test_notes_take_the_spelling_of_files_of_the_device() -> None:
    in_files = [("alder-2", "4.10"), ("rowan", "4.1"), ("alder-2", None)]
    said = (write("4.1"), write(4.1, "b"), write("4.2", "c"), write("4.1", "d", "birch"))
    unified = unify_notes(said, in_files)
    assert read(unified) == ["4.10", "4.10", "4.2", "4.1"]
    assert unified[0].setup["alder-2"]["wrist"] == "left"
    assert unified[0].mark == unified[1].mark != said[0].mark


def test_two_spellings_of_notes_count_as_one_and_are_named_once() -> None:
    said = (write("2.0"), write("2.00", "b"))
    assert read(unify_notes(said, [])) == ["2.00", "2.00"]
    (doubt,) = name_doubts(said, [], {"b"})
    assert "b.notes.toml" in doubt
    assert "firmware 2.0 and 2.00 of alder-2 count as one version" in doubt
    assert list(name_doubts(said, [], ())) == []


def test_a_file_that_writes_one_spelling_leaves_no_doubt() -> None:
    said = (write("4.1"), write("4.10", "b"))
    assert list(name_doubts(said, [("alder-2", "4.10")], {"b"})) == []
