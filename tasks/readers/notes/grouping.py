"""Reads which recordings a person put together, apart, in two, or under another device."""

from __future__ import annotations

import re
from datetime import UTC
from typing import TYPE_CHECKING, Any, Final, Literal

from tasks.core.notes import Split
from tasks.readers.notes.page import Page, show
from tasks.readers.notes.setup import check_device_word

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from config.lines import KeyPath

GROUPING_KEYS: Final = ("together", "apart", "split", "made_by")
_RECORDING_ID: Final = re.compile("[0-9a-f]{16}-[0-9]{1,12}")
_REMEDY: Final = "write ids of recordings, as coworn explain shows them"


def read_groups(
    page: Page, values: Mapping[str, Any]
) -> tuple[tuple[Literal["together", "apart"], tuple[str, ...]], ...]:
    """Return recordings of `[[together]]`, which are one workout, and of `[[apart]]`.

    Raises: NotesError.
    """
    groups: list[tuple[Literal["together", "apart"], tuple[str, ...]]] = []
    kinds: tuple[Literal["together", "apart"], ...] = ("together", "apart")
    for kind in kinds:
        for path, entry in _list_entries(page, values, kind):
            page.check_keys(path, entry, ("recordings",))
            found = entry.get("recordings")
            ids = found if isinstance(found, list) else [found]
            groups.append((kind, tuple(_check_id(page, path, one) for one in ids)))
    return tuple(groups)


def read_owners(page: Page, values: Mapping[str, Any]) -> Mapping[str, str]:
    """Return the device of each recording of `[[made_by]]`. Raises: NotesError."""
    owners = {}
    for path, entry in _list_entries(page, values, "made_by"):
        page.check_keys(path, entry, ("recording", "device"))
        device = page.take_text(path, entry, "device") or ""
        check_device_word(page, path, device)
        owners[_check_id(page, path, entry.get("recording"))] = device
    return owners


def read_splits(page: Page, values: Mapping[str, Any]) -> tuple[Split, ...]:
    """Return the recordings of `[[split]]` with the instant at which each is split.

    Raises: NotesError.
    """
    splits = []
    for path, entry in _list_entries(page, values, "split"):
        page.check_keys(path, entry, ("recording", "at"))
        recording_id = _check_id(page, path, entry.get("recording"))
        at = page.check_instant((*path, "at"), entry.get("at"))
        splits.append(Split(recording_id, at.astimezone(UTC)))
    return tuple(splits)


def _list_entries(
    page: Page, values: Mapping[str, Any], key: str
) -> Iterator[tuple[KeyPath, Mapping[str, Any]]]:
    entries = values.get(key, [])
    for number, entry in enumerate(entries if isinstance(entries, list) else [entries]):
        if not isinstance(entry, dict):
            raise page.complain(
                (key,), f"{key} = {show(entries)} is no list of tables", remedy=f"write [[{key}]]"
            )
        yield (key, number), entry


def _check_id(page: Page, path: KeyPath, value: object) -> str:
    if isinstance(value, str) and _RECORDING_ID.fullmatch(value):
        return value
    raise page.complain(path, f"{show(value)} is no id of a recording", remedy=_REMEDY)
