"""Reads how each device was worn and set."""

from __future__ import annotations

import math
from datetime import date, datetime, time
from typing import TYPE_CHECKING, Any

from tasks.readers.notes.page import Page, show, spell, suggest

if TYPE_CHECKING:
    from collections.abc import Mapping

    from config.lines import KeyPath


def read_setup(
    page: Page, table: Mapping[str, Any], known_devices: frozenset[str] | None
) -> Mapping[str, Mapping[str, str | float | bool]]:
    """Return the setup keys of each device; all keys are free. Raises: NotesError."""
    setup: dict[str, Mapping[str, str | float | bool]] = {}
    for device in table:
        path: KeyPath = ("setup", device)
        entry = page.take_table(("setup",), table, device)
        if known_devices is not None and device not in known_devices:
            raise page.complain(
                path,
                f"setup of the unknown device {device!r}",
                remedy=suggest(device, sorted(known_devices), "devices are")
                if known_devices
                else "add the device to devices.toml",
            )
        check_device_word(page, path, device)
        setup[device] = {key: _read_setup_value(page, (*path, key), entry[key]) for key in entry}
        _check_levels(page, path, setup[device])
    return setup


def check_device_word(page: Page, path: KeyPath, word: str) -> None:
    """Raise NotesError for what can be neither the id nor the name of a device."""
    if not word.strip() or not word.isprintable():
        raise page.complain(
            path,
            f"{word!r} is no device",
            remedy="write the id or the name as in devices.toml; a name with blanks in quotes",
        )


def _check_levels(page: Page, path: KeyPath, setup: Mapping[str, str | float | bool]) -> None:
    start, end = setup.get("battery_start_pct"), setup.get("battery_end_pct")
    if isinstance(start, float) and isinstance(end, float) and end > start:
        raise page.complain(
            (*path, "battery_end_pct"),
            f"{spell(path, 'battery_end_pct')} = {end:g} is above battery_start_pct = {start:g}",
            remedy="correct one of them; leave both out where it was charged meanwhile",
        )


def _read_setup_value(page: Page, path: KeyPath, value: object) -> str | float | bool:
    """Return a value of a free key; levels of the battery are percent."""
    if path[-1] in {"battery_start_pct", "battery_end_pct"}:
        table = {str(path[-1]): value}
        return page.take_number(path[:-1], table, str(path[-1]), least=0.0, most=100.0) or 0.0
    if isinstance(value, bool | str):
        return value
    if isinstance(value, int | float) and math.isfinite(value):
        return float(value)
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    raise page.complain(
        path,
        f"{spell(path[:-1], path[-1])} = {show(value)} is no single value",
        remedy="write a text, a number, true or false",
    )
