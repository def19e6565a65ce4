"""Channels that another device's sensor made."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tasks.core.registers import Finding, finding
from tasks.workout.shared_signals import KINDS, find_shared

if TYPE_CHECKING:
    from tasks.workout.case import Case

_PERCENT = 100.0


@finding(
    "shared_signal",
    domain="distance",
    title="Signal of another device",
    unit="%",
    definition="Position, speed, distance or altitude of two devices is one signal: a copy that "
    "was sent or exported again; neither is compared with the other, they count once in a "
    "consensus, and where one is known to be the copy (the other is the reference, or earlier) its "
    "numbers of that channel count in no verdict; the size is the share of equal seconds",
    source="own choice of limits, checked by simulation",
)
def find_shared_signals(case: Case) -> list[Finding]:
    """Return the channels that the test shares with another device; the copy tells it."""
    seconds = case.workout.grid.seconds[case.test.covered]
    found = []
    for kind in KINDS:
        every = find_shared(case.workout, case.test, kind)
        # Where nothing tells which one has the sensor, the first of them says it.
        named = [one for one in every if one.is_copy] or [
            one
            for one in every
            if one.is_copy is None and case.test.recording_id < one.other.recording_id
        ]
        if named and seconds.size:
            note = named[0].describe(kind)
            size = _PERCENT * named[0].share
            found.append(Finding(float(seconds[0]), float(seconds[-1]), size, note))
    return found
