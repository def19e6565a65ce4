"""Reads the named parts of a workout."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

from tasks.core.notes import NamedSegment
from tasks.readers.notes.page import Page, show, spell

if TYPE_CHECKING:
    from collections.abc import Mapping

    from config.lines import KeyPath

_SEGMENT_KEYS: Final = ("name", "from", "to", "distance_m")
#: Segments of every workout that metrics use; a named part may not be mistaken for one.
_TAKEN_SEGMENTS: Final = ("all", "after_lock", "rising", "steady", "falling")
#: No workout goes on for so long [s].
_LONGEST_S: Final = 30 * 86_400
_TAKEN_BEGINNINGS: Final = ("band:", "stroke:")
_CLOCK: Final = re.compile(r"(?:([0-9]{1,6}):([0-5][0-9])|([0-9]{1,6})):([0-5][0-9](?:\.[0-9]+)?)")


def read_segments(
    page: Page, values: Mapping[str, Any], *, start_utc: datetime
) -> tuple[NamedSegment, ...]:
    """Return the parts in the order of the file; they may overlap. Raises: NotesError."""
    entries = values.get("segment", [])
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise page.complain(
            ("segment",),
            f"segment = {show(entries)} is no list of parts",
            remedy="write [[segment]] on a line of its own and its keys below",
        )
    segments = [
        _read_segment(page, ("segment", number), entry, start_utc=start_utc)
        for number, entry in enumerate(entries)
    ]
    names = [segment.name for segment in segments]
    for number, name in enumerate(names):
        if name in names[:number]:
            raise page.complain(
                ("segment", number, "name"),
                f"segment name {show(name)} stands twice",
                remedy="give each part a name of its own",
            )
    return tuple(segments)


def _read_segment(
    page: Page, path: KeyPath, entry: Mapping[str, Any], *, start_utc: datetime
) -> NamedSegment:
    page.check_keys(path, entry, _SEGMENT_KEYS)
    for key in ("name", "from", "to"):
        if key not in entry:
            raise page.complain(
                path,
                f"a segment without {key!r}",
                remedy='a part needs name, from and to, as from = "00:00" and to = "22:10"',
            )
    name = page.take_text(path, entry, "name") or ""
    if name in _TAKEN_SEGMENTS or name.startswith(_TAKEN_BEGINNINGS):
        raise page.complain(
            (*path, "name"),
            f"segment name {show(name)} has a meaning of its own",
            remedy="give the part another name",
        )
    begin_s, begin_utc = read_moment(page, (*path, "from"), entry["from"])
    end_s, end_utc = read_moment(page, (*path, "to"), entry["to"])
    if _since(start_utc, end_s, end_utc) <= _since(start_utc, begin_s, begin_utc):
        raise page.complain(
            (*path, "to"),
            f"segment {show(name)} ends ({show(entry['to'])}) before it begins "
            f"({show(entry['from'])})",
            remedy="write 'to' later than 'from'; an hour is written h:mm:ss",
        )
    return NamedSegment(
        name=name,
        from_s=begin_s,
        to_s=end_s,
        from_utc=begin_utc,
        to_utc=end_utc,
        distance_m=page.take_number(path, entry, "distance_m", above=0.0),
    )


def read_moment(page: Page, path: KeyPath, value: object) -> tuple[float | None, datetime | None]:
    """Return seconds after the start, or an instant; exactly one of them."""
    if isinstance(value, datetime):
        return None, page.check_instant(path, value).astimezone(UTC)
    if isinstance(value, str):
        seconds = read_clock(value)
        if seconds is not None:
            return seconds, None
        if re.match(r"[0-9]{4}-", value.strip()):
            return None, page.check_instant(path, value).astimezone(UTC)
    raise page.complain(
        path,
        f"{spell(path[:-1], path[-1])} = {show(value)} is no time",
        remedy=f'write mm:ss or h:mm:ss after the start in quotes, {path[-1]} = "22:10", '
        "or a UTC time",
    )


def read_clock(text: str) -> float | None:
    """Return the seconds of mm:ss or h:mm:ss, None for any other text and for over 30 days."""
    match = _CLOCK.fullmatch(text.strip())
    if match is None:
        return None
    hours, minutes, only_minutes, seconds = match.groups()
    whole = int(hours or 0) * 3600 + int(minutes or only_minutes) * 60
    return whole + float(seconds) if whole <= _LONGEST_S else None


def _since(start_utc: datetime, seconds: float | None, instant: datetime | None) -> float:
    if instant is not None:
        return (instant - start_utc).total_seconds()
    return seconds or 0.0
