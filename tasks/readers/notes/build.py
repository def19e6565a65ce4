"""From checked values, whatever file they stood in, to the notes of one workout."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

from config.lines import find_line
from tasks.core.activities import ACTIVITIES, PLACES
from tasks.core.errors import NotesError
from tasks.core.notes import Notes
from tasks.readers.notes.exclusions import read_exclusions, read_removals
from tasks.readers.notes.grouping import GROUPING_KEYS, read_groups, read_owners, read_splits
from tasks.readers.notes.page import Page, show
from tasks.readers.notes.segments import read_segments
from tasks.readers.notes.setup import read_setup
from tasks.readers.notes.truth import read_truth

if TYPE_CHECKING:
    from collections.abc import Mapping

#: Only a spreadsheet gives a day; it says so by a date that is no date with time.
_TOP_KEYS: Final = (
    "start",
    "activity",
    "place",
    "course",
    "note",
    "truth",
    "segment",
    "setup",
    "exclude",
    "remove",
    *GROUPING_KEYS,
    "adds",
    "workout",
    "written",
)
#: Notes that hold nothing else join those that are there.
_CORRECTIONS: Final = ("exclude", "remove", *GROUPING_KEYS)
_ADDING: Final = frozenset({"start", "adds", "workout", "written", *_CORRECTIONS})
_COURSE: Final = re.compile(r"[^/\\\x00-\x1f]+")


def build_notes(
    page: Page,
    values: Mapping[str, Any],
    *,
    file_id: str,
    known_devices: frozenset[str] | None,
) -> Notes:
    """Return the notes that `values` hold; `page` knows where each of them stands.

    Raises: NotesError with the line, what stands there, and what to write.
    """
    page.check_keys((), values, _TOP_KEYS)
    start = _read_start(page, values)
    start_utc = start.astimezone(UTC)
    setup = read_setup(page, page.take_table((), values, "setup"), known_devices)
    segments = read_segments(page, values, start_utc=start_utc)
    exclusions = read_exclusions(page, values, start=start)
    return Notes(
        start_utc=start_utc,
        local_offset_s=_find_local_offset(start),
        activity=page.take_word((), values, "activity", ACTIVITIES),
        place=page.take_word((), values, "place", PLACES),
        course=_read_course(page, values),
        truth=read_truth(page, page.take_table((), values, "truth")),
        segments=segments,
        setup=setup,
        file_id=file_id,
        name=page.name,
        whole_day=page.day_zone is not None,
        note=page.take_text((), values, "note"),
        exclusions=tuple(replace(one, file_id=file_id) for one in exclusions),
        removed=read_removals(page, values),
        groups=read_groups(page, values),
        owners=read_owners(page, values),
        splits=read_splits(page, values),
        adds=values.get("adds") is True
        or (not set(_CORRECTIONS).isdisjoint(values) and _ADDING.issuperset(values)),
        workout=page.take_text((), values, "workout"),
        lines={
            **{
                f"setup.{device}": find_line(page.lines, ("setup", device)) or 1 for device in setup
            },
            **_find_exclusion_lines(page, values),
            **{
                f"segment.{part.name}": find_line(page.lines, ("segment", number)) or 1
                for number, part in enumerate(segments)
            },
            "start": find_line(page.lines, ("start",)) or 1,
        },
    )


def _find_exclusion_lines(page: Page, values: Mapping[str, Any]) -> dict[str, int]:
    """Return the line of each device that something is set aside of, and of the first."""
    if "exclude" not in values:
        return {}
    found = values["exclude"]
    devices = found if isinstance(found, dict) else {}
    first = find_line(page.lines, ("exclude",)) or 1
    return {
        "exclude": first,
        **{
            f"exclude.{word}": find_line(page.lines, ("exclude", word)) or first for word in devices
        },
    }


def _read_start(page: Page, values: Mapping[str, Any]) -> datetime:
    if "start" not in values:
        raise NotesError(
            page.name,
            line=1,
            found="'start' is missing",
            remedy="write when the workout began, start = 2026-05-02T07:30:00+02:00",
        )
    day = values["start"]
    if page.day_zone is not None and isinstance(day, date) and not isinstance(day, datetime):
        return datetime(day.year, day.month, day.day, tzinfo=ZoneInfo(page.day_zone))
    return page.check_instant(("start",), day)


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
    """Return local time minus UTC; None where the start is written in UTC, which names no place."""
    offset = start.utcoffset()
    return None if offset is None else int(offset.total_seconds()) or None
