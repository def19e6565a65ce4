"""Brings the firmware that notes name into the spelling that files of the same device use."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from tasks.core.firmware import unify_firmware

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from tasks.core.notes import Notes

KEY: Final = "firmware"


def unify_notes(
    notes: Sequence[Notes], in_files: Iterable[tuple[str, str | None]]
) -> tuple[Notes, ...]:
    """Return the notes with one spelling for each firmware of a device.

    `in_files` are device and firmware of each recording that is known.
    """
    spellings = _collect(notes, in_files)
    unified = {device_id: unify_firmware(said) for device_id, said in spellings.items()}
    return tuple(_respell(one, unified) for one in notes)


def name_doubts(
    notes: Sequence[Notes], in_files: Iterable[tuple[str, str | None]], new: Iterable[str]
) -> Iterator[str]:
    """Say of which devices only notes spell a firmware in two ways, one of them in a file of `new`.

    They count as one version. Where a file writes one of the spellings, there is no doubt.
    """
    new_ids = set(new)
    known = _collect((), in_files)
    for device_id, spellings in _collect(notes, ()).items():
        unified = unify_firmware(spellings)
        for used in sorted(set(unified.values())):
            others = sorted(one for one in spellings if unified[one] == used and one != used)
            lines = [
                one
                for one in notes
                if one.file_id in new_ids and _read(one, device_id) in {used, *others}
            ]
            if others and lines and used not in known.get(device_id, set()):
                yield (
                    f"{lines[-1].locate(f'setup.{device_id}')}: firmware {others[0]} and {used} "
                    f"of {device_id} count as one version; mend the notes if they are two"
                )


def _collect(
    notes: Sequence[Notes], in_files: Iterable[tuple[str, str | None]]
) -> dict[str, set[str]]:
    found: dict[str, set[str]] = defaultdict(set)
    for one in notes:
        for device_id in one.setup:
            said = _read(one, device_id)
            if said is not None:
                found[device_id].add(said)
    for device_id, said in in_files:
        if said:
            found[device_id].add(said)
    return found


def _read(notes: Notes, device_id: str) -> str | None:
    """Return the firmware that notes name, a number as it stands in setups."""
    value = notes.setup.get(device_id, {}).get(KEY)
    if value is None or isinstance(value, bool):
        return None
    return f"{value:g}" if isinstance(value, float) else value


def _respell(notes: Notes, unified: Mapping[str, Mapping[str, str]]) -> Notes:
    setup = dict(notes.setup)
    for device_id in notes.setup:
        said = _read(notes, device_id)
        if said is not None and unified[device_id][said] != said:
            setup[device_id] = {**notes.setup[device_id], KEY: unified[device_id][said]}
    return notes if setup == dict(notes.setup) else replace(notes, setup=setup)
