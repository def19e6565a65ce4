"""From the levels of a battery to the rate at which it empties, for all that is measured of it."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.notes import Notes
from tasks.core.registers import Value
from tasks.maths.battery import (
    Drain,
    measure_from_changes,
    measure_from_ends,
    narrow,
    was_charged,
)
from tasks.workout.battery_levels import list_levels

if TYPE_CHECKING:
    from tasks.workout.battery_levels import Levels
    from tasks.workout.case import Case, Subject

PERCENT: Final = 100.0
COMMON: Final = "common practice, no source"
NO_BOUND: Final = "the level need not have fallen: nothing bounds it on one side"
#: What a reader must know of a rate.
HOW: Final = {
    "changes": "from the first to the last change of the level in the export",
    "ends": "from two levels in the export",
    "notes": "from the levels in the notes",
}
_START_US: Final = 1_750_000_000_000_000
#: Levels of a worked example, one each ten minutes.
FALLING: Final = (90, 90, 89, 89, 88, 88, 87)


def find_drain(case: Case, subject: Subject) -> Drain | str:
    """Return the rate of a recording over the segment of `case`, or why there is none.

    The first to the last change counts before two levels of the file, and those before the notes.
    Where the notes give levels too, their bounds narrow those of the file.
    """
    key = f"battery:{subject.recording_id}"

    def find() -> Drain | str:
        drains = list_drains(case, subject)
        return drains if isinstance(drains, str) else narrow(drains[0], *drains[1:])

    return case.once(key, find)


def list_drains(case: Case, subject: Subject) -> list[Drain] | str:
    """Return what the sources say, the best first, or why they say nothing."""
    levels = list_levels(case.workout, subject)
    is_whole = case.segment.name == "all"
    inside = _mark_inside(case, levels)
    seconds, level_pct = levels.seconds[inside], levels.level_pct[inside]
    if was_charged(level_pct):
        return "the level rises by more than one percent: it was charged meanwhile"
    drains: list[Drain] = []
    from_changes = measure_from_changes(seconds, level_pct)
    if from_changes is not None:
        drains.append(from_changes)
    elif len(seconds) > 1 and seconds[-1] > seconds[0]:
        first, lowest = float(level_pct[0]), float(level_pct.min())
        took_s = float(seconds[-1] - seconds[0])
        drains.append(
            measure_from_ends(
                first, lowest, duration_s=took_s, method="ends", n_readings=len(seconds)
            )
        )
    noted = _measure_noted(case, subject, levels) if is_whole else None
    if isinstance(noted, Drain):
        drains.append(noted)
    if drains:
        return drains
    if isinstance(noted, str):
        return noted
    return _explain(levels, n_inside=len(seconds), is_whole=is_whole)


def _measure_noted(case: Case, subject: Subject, levels: Levels) -> Drain | str | None:
    if levels.noted_start_pct is None or levels.noted_end_pct is None:
        return None
    start_s, end_s = find_span(case, subject)
    if end_s <= start_s:
        return "the recording has no duration"
    if levels.noted_end_pct > levels.noted_start_pct:
        return "the notes give a higher level at the end than at the start"
    return measure_from_ends(
        levels.noted_start_pct, levels.noted_end_pct, duration_s=end_s - start_s, method="notes"
    )


def _explain(levels: Levels, *, n_inside: int, is_whole: bool) -> str:
    if levels.only_voltage:
        return "the recorder gives only the voltage of its battery"
    if n_inside:
        return "one reading of the recorder's battery is no rate"
    if levels.seconds.size:
        return "no reading of the recorder's battery in this part"
    if (levels.noted_start_pct is None) != (levels.noted_end_pct is None):
        return "the notes give the battery's level at one end only"
    if not is_whole and levels.are_noted:
        return "the notes give the battery's level for the whole recording only"
    return "neither the export nor the notes give the level of the recorder's battery"


def _mark_inside(case: Case, levels: Levels) -> np.ndarray:
    """Mark the readings in the segment; the whole takes every reading."""
    if case.segment.name == "all":
        return np.ones(len(levels.seconds), dtype=np.bool_)
    index = np.round(levels.seconds - case.workout.grid.start_s).astype(np.int64)
    inside = (index >= 0) & (index < case.workout.grid.n_seconds)
    inside[inside] = case.segment.mask[index[inside]]
    return inside


def find_span(case: Case, subject: Subject) -> tuple[float, float]:
    """Return the first and the last second that a recording covers."""
    covered = case.workout.grid.seconds[subject.covered]
    if not covered.size:
        return float(case.workout.grid.start_s), float(case.workout.grid.start_s)
    return float(covered[0]), float(covered[-1])


def make_value(value: float, low: float, high: float, *, n: int, note: str | None = None) -> Value:
    """Return a value with its bounds; an infinite bound is none."""
    return Value(
        value,
        low if np.isfinite(low) else None,
        high if np.isfinite(high) else None,
        n=n,
        reason=note,
        ci_reason=None if np.isfinite(low + high) else NO_BOUND,
    )


# --- worked examples --------------------------------------------------------------------------
def read_every_ten_minutes(*levels: float, of: str = "recorder") -> dict[str, Any]:
    """Return the inputs of a worked example: a recording with one level each ten minutes."""
    n_levels = len(levels)
    return {
        "test": {"heart_rate_bpm": [100.0] * (600 * (n_levels - 1) + 1)},
        "tables": {
            "battery": {
                "time_utc": np.array([_START_US + 600_000_000 * n for n in range(n_levels)]),
                "battery_pct": list(levels),
                "battery_source": ["message 104"] * n_levels,
                "battery_of": [of] * n_levels,
            }
        },
    }


def note_levels(start_pct: float, end_pct: float, *, hours: int) -> dict[str, Any]:
    """Return the inputs of a worked example: levels that were read off the screen."""
    levels: dict[str, str | float | bool] = {
        "battery_start_pct": start_pct,
        "battery_end_pct": end_pct,
    }
    start_utc = datetime.fromtimestamp(_START_US / 1e6, tz=UTC)
    return {
        "test": {"heart_rate_bpm": [100.0] * (3600 * hours + 1)},
        "notes": Notes(start_utc=start_utc, setup={"test": levels}),
    }
