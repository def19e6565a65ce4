"""Reads what is set aside: `[exclude]`, `[exclude.<device>]`, or lists of either."""

from __future__ import annotations

import re
from datetime import UTC, datetime, time, timedelta
from typing import TYPE_CHECKING, Any, Final, get_args

from tasks.core.notes import Exclusion
from tasks.core.registers import Domain
from tasks.readers.notes.page import Page, show, spell, suggest
from tasks.readers.notes.segments import read_moment
from tasks.readers.notes.setup import check_device_word

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from config.lines import KeyPath

_KEYS: Final = ("because", "domain", "from", "until", "device")
_DOMAINS: Final = get_args(Domain)
_FILE_ID: Final = re.compile("[0-9a-f]{64}")
_REMEDY: Final = 'write why, because = "strap was dry"'


def read_exclusions(
    page: Page, values: Mapping[str, Any], *, start: datetime
) -> tuple[Exclusion, ...]:
    """Return what the notes set aside, in the order of the file.

    `from` and `until` are mm:ss or h:mm:ss after `start`, a time of day beside it in its zone
    (07:45:00 without quotes), or an instant. Raises: NotesError.
    """
    if "exclude" not in values:
        return ()
    return tuple(
        _read_exclusion(page, path, entry, device, start=start)
        for path, device, entry in _list_entries(page, values["exclude"])
    )


def read_removals(page: Page, values: Mapping[str, Any]) -> Mapping[str, str]:
    """Return the ids of exports that the notes take out of everything, with the reasons.

    `[[remove]]` has `file`, the SHA-256 of the export as `coworn explain` shows it, and `because`.
    Raises: NotesError.
    """
    if "remove" not in values:
        return {}
    entries = values["remove"]
    entries = entries if isinstance(entries, list) else [entries]
    removed = {}
    for path, _, entry in _list_of(page, ("remove",), None, entries):
        page.check_keys(path, entry, ("file", "because"))
        file_id = page.take_text(path, entry, "file")
        if file_id is None or not _FILE_ID.fullmatch(file_id):
            raise page.complain(
                (*path, "file"),
                f"file = {show(file_id)} is no id of an export",
                remedy="write its 64 digits, as coworn explain shows them",
            )
        removed[file_id] = page.take_text(path, entry, "because") or "an export dropped by mistake"
    return removed


def _list_entries(
    page: Page, found: object
) -> Iterator[tuple[KeyPath, str | None, Mapping[str, Any]]]:
    """Return each entry with its place and the device that its table is named for."""
    if isinstance(found, list):
        yield from _list_of(page, ("exclude",), None, found)
        return
    if not isinstance(found, dict):
        raise page.complain(
            ("exclude",),
            f"exclude = {show(found)} is no table",
            remedy="write [exclude] or [exclude.<device>] on a line of its own, its keys below",
        )
    own = {key: value for key, value in found.items() if not isinstance(value, dict | list)}
    if own or not found:
        yield ("exclude",), None, own
    for device, entry in found.items():
        if device in own:
            continue
        path: KeyPath = ("exclude", device)
        check_device_word(page, path, device)
        if isinstance(entry, dict):
            yield path, device, entry
        else:
            yield from _list_of(page, path, device, entry)


def _list_of(
    page: Page, path: KeyPath, device: str | None, entries: list[Any]
) -> Iterator[tuple[KeyPath, str | None, Mapping[str, Any]]]:
    for number, entry in enumerate(entries):
        if not isinstance(entry, dict):
            raise page.complain(
                path,
                f"{spell(path[:-1], path[-1])} = {show(entries)} is no list of tables",
                remedy=f"write [[{spell(path[:-1], path[-1])}]] on a line of its own",
            )
        yield (*path, number), device, entry


def _read_exclusion(
    page: Page, path: KeyPath, entry: Mapping[str, Any], device: str | None, *, start: datetime
) -> Exclusion:
    page.check_keys(path, entry, _KEYS)
    named = page.take_text(path, entry, "device")
    because = page.take_text(path, entry, "because")
    if because is None:
        raise page.complain(path, "set aside without a reason", remedy=_REMEDY)
    domain = page.take_text(path, entry, "domain")
    if domain is not None:
        domain = domain.lower().replace(" ", "_").replace("-", "_")
        if domain not in _DOMAINS:
            raise page.complain(
                (*path, "domain"),
                f"domain = {show(domain)} is unknown",
                remedy=suggest(domain, _DOMAINS, "words are"),
            )
    begin, end = (_read_end(page, path, entry, key, start=start) for key in ("from", "until"))
    if begin is not None and end is not None and end <= begin:
        raise page.complain(
            (*path, "until"),
            f"it ends ({show(entry['until'])}) before it begins ({show(entry['from'])})",
            remedy="write 'until' later than 'from'; an hour is written h:mm:ss",
        )
    return Exclusion(because, device or named, domain, begin, end)


def _read_end(
    page: Page, path: KeyPath, entry: Mapping[str, Any], key: str, *, start: datetime
) -> datetime | None:
    if key not in entry:
        return None
    value = entry[key]
    if isinstance(value, time):
        at = datetime.combine(start.date(), value, start.tzinfo)
        # What began before midnight goes on the next day.
        return (at if at >= start else at + timedelta(days=1)).astimezone(UTC)
    after_s, instant = read_moment(page, (*path, key), value)
    if instant is not None:
        return instant
    return start.astimezone(UTC) + timedelta(seconds=after_s or 0.0)
