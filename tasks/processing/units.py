"""Tells apart units that one rule of `devices.toml` catches, where they recorded at once."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from typing import TYPE_CHECKING

from config.devices import Device, Identified
from tasks.processing.automatic import AUTOMATIC_RULE, AutomaticNames

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from tasks.pair import Member, WorkoutMembers
    from tasks.processing.known import KnownRecording


def part_units(
    workout: WorkoutMembers, recordings: Sequence[KnownRecording], names: AutomaticNames
) -> tuple[tuple[KnownRecording, ...], tuple[str, ...]]:
    """Return the recordings with a name of its own for each unit, and complaints, one line each.

    Two recordings of one device that are neither exports nor pieces of one recording are of two
    units. A unit that a serial number names keeps its name; the others get automatic ones.
    """
    members = {member.recording_id: member for member in workout.members}
    by_id = {known.recording_id: known for known in recordings}
    first_of = {one: _find_first(one, members) for one in members}
    firsts: dict[str, set[str]] = defaultdict(set)
    for one, first in first_of.items():
        firsts[by_id[one].device.id].add(first)
    named: dict[str, Identified] = {}
    complaints: list[str] = []
    for device_id, units in sorted(firsts.items()):
        if len(units) > 1:
            ordered = [by_id[first] for first in sorted(units)]
            complaints.append(_complain(device_id, ordered))
            named |= dict(_name_units(ordered, names))
    return tuple(
        replace(known, identified=named.get(first_of[known.recording_id], known.identified))
        for known in recordings
    ), tuple(complaints)


def _find_first(recording_id: str, members: Mapping[str, Member]) -> str:
    """Return the first piece of the recording that is used for this one."""
    member = members[recording_id]
    if member.duplicate_of is not None:
        member = members[member.duplicate_of]
    while member.continues is not None:
        member = members[member.continues]
    return member.recording_id


def _name_units(
    units: Sequence[KnownRecording], names: AutomaticNames
) -> Iterator[tuple[str, Identified]]:
    by_serial = [one for one in units if one.identified.rule == "serial"]
    for one in units:
        if len(by_serial) == 1 and one is by_serial[0]:
            continue
        unit = Device(
            id=names.find(one.file.file_id, f"{one.device.id}-unit"),
            name=f"{one.device.name} ({one.file.name})",
            role="peer",
        )
        yield one.recording_id, Identified(unit, AUTOMATIC_RULE)


def _complain(device_id: str, units: Sequence[KnownRecording]) -> str:
    said = " and ".join(
        one.file.name
        + ("" if one.header.serial is None else f" (serial number {one.header.serial})")
        for one in units
    )
    return (
        f"device {device_id}: {said} were recorded at once by different units; give each an entry "
        "of its own in devices.toml, by serial number or folder; until then those without a serial "
        "number of their own count as unknown devices"
    )
