"""Reads and checks the notes of a workout; every complaint names the line.

A TOML file holds the notes of one workout; a CSV file, as a spreadsheet saves it, one row per
workout and device.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from config.lines import TomlSyntaxError, map_lines, parse_toml
from tasks.core.errors import NotesError
from tasks.readers.notes.build import build_notes
from tasks.readers.notes.page import Page
from tasks.readers.notes.sheet import list_workouts

if TYPE_CHECKING:
    from tasks.core.notes import Notes

_TOML_SUFFIX: Final = ".notes.toml"
_CSV_SUFFIX: Final = ".notes.csv"
#: With more lines that cannot be used, a spreadsheet is of another kind.
_MOST_REFUSED: Final = 50


def is_notes(name: str) -> bool:
    """Say whether the file `name` holds notes."""
    return name.lower().endswith((_TOML_SUFFIX, _CSV_SUFFIX))


def is_sheet(name: str) -> bool:
    """Say whether the file `name` holds notes of several workouts, one row each."""
    return name.lower().endswith(_CSV_SUFFIX)


def read_all_notes(
    text: str,
    *,
    name: str,
    file_id: str = "",
    known_devices: frozenset[str] | None = None,
    zone: str | None = None,
) -> tuple[Notes, ...]:
    """Return the notes of every workout that the file `name` speaks of, TOML or CSV.

    `zone` is the IANA name that dates without an offset in a CSV file are in.
    Raises: NotesError with the line, what stands there, and what to write.
    """
    if not is_sheet(name):
        return (read_notes(text, name=name, file_id=file_id, known_devices=known_devices),)
    return tuple(
        build_notes(page, values, file_id=file_id, known_devices=known_devices)
        for page, values in list_workouts(text.removeprefix("\ufeff"), name=name, zone=zone)
    )


def read_lines_of_notes(
    text: str, *, name: str, file_id: str = "", zone: str | None = None
) -> tuple[tuple[Notes, ...], tuple[NotesError, ...]]:
    """Return the notes of `name`, and why lines of a spreadsheet cannot be used; the others count.

    Raises: NotesError for a TOML file, and for a spreadsheet of which nothing is left.
    """
    if not is_sheet(name):
        return read_all_notes(text, name=name, file_id=file_id, zone=zone), ()
    refused: dict[int, NotesError] = {}
    while True:
        try:
            notes = tuple(
                build_notes(page, values, file_id=file_id, known_devices=None)
                for page, values in list_workouts(
                    text.removeprefix("\ufeff"), name=name, zone=zone, without=refused
                )
            )
        except NotesError as error:
            if error.line is None or error.line in refused or len(refused) >= _MOST_REFUSED:
                raise
            refused[error.line] = error
            continue
        if refused and not notes:
            raise next(iter(refused.values()))
        return notes, tuple(refused[line] for line in sorted(refused))


def read_notes(
    text: str,
    *,
    name: str,
    file_id: str = "",
    known_devices: frozenset[str] | None = None,
) -> Notes:
    """Return the notes that the TOML `text` of the file `name` holds.

    With `known_devices`, a setup of any other device is refused. Segments may overlap.
    Raises: NotesError with the line, what stands there, and what to write.
    """
    text = text.removeprefix("\ufeff")
    try:
        values = parse_toml(text)
    except TomlSyntaxError as error:
        raise NotesError(
            name,
            line=error.line,
            found=f"this is no TOML ({error})",
            remedy="text stands in quotes, times as 2026-05-02T07:30:00+02:00",
        ) from error
    page = Page(name, map_lines(text))
    return build_notes(page, values, file_id=file_id, known_devices=known_devices)
