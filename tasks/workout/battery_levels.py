"""Battery levels of one recording: the recorder's own readings, and what was read off its screen.

A strap or another sensor reports its battery in the same files; its readings are never taken.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.tables.arrow import read_floats, read_seconds

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tasks.workout.case import Subject, Workout

    Floats = NDArray[np.float64]

_RECORDER: Final = "recorder"
#: Readings so long before the first or after the last sample still belong to the recording [s].
_AROUND_S: Final = 60.0
_START_KEY, _END_KEY = "battery_start_pct", "battery_end_pct"


@dataclass(frozen=True)
class Levels:
    """What is known of a battery; `seconds` since 1970-01-01T00:00:00Z on the workout's clock.

    `level_pct` are the readings of one source of the recorder, in order of time, `(n,)` both.
    `noted_start_pct` and `noted_end_pct` come from the notes. `only_voltage` says that the
    recorder gave nothing but a voltage.
    """

    seconds: Floats
    level_pct: Floats
    noted_start_pct: float | None
    noted_end_pct: float | None
    only_voltage: bool

    @property
    def is_known(self) -> bool:
        """Say whether there is any level."""
        return bool(self.seconds.size) or self.are_noted

    @property
    def are_noted(self) -> bool:
        """Say whether the notes give a level at both ends."""
        return self.noted_start_pct is not None and self.noted_end_pct is not None


def list_levels(workout: Workout, subject: Subject) -> Levels:
    """Return the levels of a recording's battery.

    Of several sources in one file the one with the most readings is taken, since each rounds in
    its own way.
    """
    table = subject.recording.battery
    seconds = read_seconds(table) + subject.alignment.offset_s
    level = read_floats(table, "battery_pct")
    own = np.array([of == _RECORDER for of in table.column("battery_of").to_pylist()], dtype=bool)
    has_voltage = bool((own & np.isfinite(read_floats(table, "battery_v"))).any())
    covered = workout.grid.seconds[subject.covered]
    if covered.size:
        own &= (seconds >= covered[0] - _AROUND_S) & (seconds <= covered[-1] + _AROUND_S)
    known = own & np.isfinite(level) & np.isfinite(seconds)
    source = table.column("battery_source").to_pylist()
    counted = Counter(source[number] or "" for number in np.flatnonzero(known).tolist())
    if counted:
        chosen = max(sorted(counted), key=counted.__getitem__)
        known &= np.array([(word or "") == chosen for word in source], dtype=bool)
    order = np.flatnonzero(known)
    order = order[np.argsort(seconds[order], kind="stable")]
    notes = workout.notes
    setup = {} if notes is None else notes.setup.get(subject.device.id, {})
    return Levels(
        seconds=seconds[order],
        level_pct=level[order],
        noted_start_pct=_as_number(setup.get(_START_KEY)),
        noted_end_pct=_as_number(setup.get(_END_KEY)),
        only_voltage=has_voltage and not len(order),
    )


def _as_number(value: object) -> float | None:
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return float(value) if is_number else None  # type: ignore[arg-type] # just checked
