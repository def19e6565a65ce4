"""Reads and checks the notes of a workout; every complaint names the line."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

from config.lines import TomlSyntaxError, map_lines, parse_toml
from tasks.core.activities import ACTIVITIES, PLACES
from tasks.core.errors import NotesError
from tasks.core.notes import Notes
from tasks.readers.notes.page import Page, show
from tasks.readers.notes.segments import read_segments
from tasks.readers.notes.setup import read_setup
from tasks.readers.notes.truth import read_truth

if TYPE_CHECKING:
    from collections.abc import Mapping

_TOP_KEYS: Final = ("start", "activity", "place", "course", "truth", "segment", "setup")
_COURSE: Final = re.compile(r"[^/\\\x00-\x1f]+")
_SUFFIX: Final = ".notes.toml"


def is_notes(name: str) -> bool:
    """Say whether the file `name` holds notes."""
    return name.lower().endswith(_SUFFIX)


def read_notes(
    text: str,
    *,
    name: str,
    file_id: str = "",
    known_devices: frozenset[str] | None = None,
) -> Notes:
    """Give the notes that the TOML `text` of the file `name` holds.

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
    page.check_keys((), values, _TOP_KEYS)
    start = _read_start(page, values)
    truth = read_truth(page, page.take_table((), values, "truth"))
    return Notes(
        start_utc=start.astimezone(UTC),
        local_offset_s=_find_local_offset(start),
        activity=page.take_word((), values, "activity", ACTIVITIES),
        place=page.take_word((), values, "place", PLACES),
        course=_read_course(page, values),
        truth=truth,
        segments=read_segments(page, values, start_utc=start.astimezone(UTC)),
        setup=read_setup(page, page.take_table((), values, "setup"), known_devices),
        file_id=file_id,
        name=name,
    )


def _read_start(page: Page, values: Mapping[str, Any]) -> datetime:
    if "start" not in values:
        raise NotesError(
            page.name,
            line=1,
            found="'start' is missing",
            remedy="write when the workout began, start = 2026-05-02T07:30:00+02:00",
        )
    return page.check_instant(("start",), values["start"])


def _read_course(page: Page, values: Mapping[str, Any]) -> str | None:
    course = page.take_text((), values, "course")
    if course is None:
        return None
    course = course.removesuffix(".gpx")
    if course in {"", ".", ".."} or not _COURSE.fullmatch(course):
        raise page.complain(
            ("course",),
            f"course = {show(course)} is no file name",
            remedy='write the name of a file in courses/ without its ending, course = "harbour"',
        )
    return course


def _find_local_offset(start: datetime) -> int | None:
    """Give local time minus UTC; None where the start is written in UTC, which names no place."""
    offset = start.utcoffset()
    return None if offset is None else int(offset.total_seconds()) or None
