"""How fast a device's own battery empties, how long it would last, and how two devices compare."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.notes import Notes
from tasks.core.registers import Example, Finding, Value, finding, metric, unknown
from tasks.levels import list_levels
from tasks.maths.battery import (
    Drain,
    agree,
    measure_from_changes,
    measure_from_ends,
    measure_shared_range,
    narrow,
    was_charged,
)

if TYPE_CHECKING:
    from tasks.case import Case, Subject
    from tasks.levels import Levels

_PERCENT: Final = 100.0
_COMMON: Final = "common practice, no source"
_START_US: Final = 1_750_000_000_000_000


def _read_every_ten_minutes(*levels: float, of: str = "recorder") -> dict[str, Any]:
    """Give the inputs of a worked example: a recording with one level each ten minutes."""
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


def _note_levels(start_pct: float, end_pct: float, *, hours: int) -> dict[str, Any]:
    """Give the inputs of a worked example: levels that were read off the screen."""
    from datetime import UTC, datetime  # noqa: PLC0415 - for the examples only

    levels: dict[str, str | float | bool] = {
        "battery_start_pct": start_pct,
        "battery_end_pct": end_pct,
    }
    start_utc = datetime.fromtimestamp(_START_US / 1e6, tz=UTC)
    return {
        "test": {"heart_rate_bpm": [100.0] * (3600 * hours + 1)},
        "notes": Notes(start_utc=start_utc, setup={"test": levels}),
    }


_FALLING: Final = (90, 90, 89, 89, 88, 88, 87)


@metric(
    "battery",
    title="Battery use",
    unit="%/h",
    definition="Charge that the recorder used per hour: between the first and the last change of "
    "its whole-percent level, else between two levels of the file or of the notes; the interval is "
    "a worst case for a steady discharge and holds for the range of levels that was used",
    formula="(level after first change - level after last change) / time between the changes; "
    "between two levels (drop +- 1) / time",
    better="lower",
    source=_COMMON,
    examples=(
        Example(
            _read_every_ten_minutes(*_FALLING),
            3.0,
            "by hand: 89 to 87 % between the middles at 15 and 55 min",
        ),
        Example(_note_levels(96.0, 81.0, hours=5), 3.0, "by hand: 15 % in 5 h"),
        Example(_read_every_ten_minutes(*_FALLING, of="strap 12"), None, "a sensor's battery"),
        Example(_read_every_ten_minutes(50, 49, 60, 59), None, "charged on the way"),
    ),
)
def battery_rate_pct_per_h(case: Case) -> Value:
    """Give the charge used per hour [%/h]."""
    drain = find_drain(case, case.test)
    if isinstance(drain, str):
        return unknown(drain)
    return _give(drain.rate, drain.low, drain.high, n=drain.n_readings)


@metric(
    "battery",
    title="Projected time to empty",
    unit="h",
    definition="Time from full to empty at the rate of this workout; batteries do not fall evenly, "
    "so that it may differ much when only a small part of the charge was used",
    formula="100 / battery_rate_pct_per_h",
    better="higher",
    source=_COMMON,
    examples=(
        Example(_read_every_ten_minutes(*_FALLING), 100.0 / 3.0, "by hand: 100 / 3"),
        Example(_note_levels(50.0, 50.0, hours=2), None, "nothing was used"),
    ),
)
def battery_projected_h(case: Case) -> Value:
    """Give the time that a full battery would last [h]."""
    drain = find_drain(case, case.test)
    if isinstance(drain, str):
        return unknown(drain)
    shortest, longest = drain.hours_bounds
    if not np.isfinite(drain.hours_from_full):
        return unknown(
            f"the level did not fall; a full battery lasts at least {shortest:.0f} h",
            n=drain.n_readings,
        )
    return _give(drain.hours_from_full, shortest, longest, n=drain.n_readings)


@metric(
    "battery",
    title="Time to empty against the maker's claim",
    unit="%",
    definition="Projected time to empty against the hours with satellites that the maker claims; a "
    "claim is for one setting, which need not be that of this workout",
    formula="100 * (battery_projected_h / claimed hours - 1)",
    better="higher",
    source=_COMMON,
    examples=(
        Example(_read_every_ten_minutes(*_FALLING), None, "nobody said what the maker claims"),
    ),
)
def battery_vs_claim_pct(case: Case) -> Value:
    """Give the projected time against the claimed one [%]."""
    claimed_h = case.test.device.claimed_gnss_hours
    if not claimed_h:
        return unknown("devices.toml gives no claimed_gnss_hours for this device")
    if case.test.recording.header.position_kind != "gnss":
        return unknown("the claim is for recording with satellites; this one has no such positions")
    projected = battery_projected_h(case)
    if projected.value is None:
        return projected

    def compare(hours: float | None) -> float | None:
        return None if hours is None else _PERCENT * (hours / claimed_h - 1.0)

    return Value(
        compare(projected.value),
        compare(projected.ci_low),
        compare(projected.ci_high),
        n=projected.n,
    )


@metric(
    "battery",
    title="Level at the start of the rate",
    unit="%",
    definition="Level from which on the rate was taken; the upper end of the range of charge that "
    "the rate stands for",
    formula="level after the first change, else the first level",
    better="none",
    source=_COMMON,
    examples=(
        Example(_read_every_ten_minutes(*_FALLING), 89.0, "by hand: after the first change"),
    ),
)
def battery_from_pct(case: Case) -> Value:
    """Give the upper end of the range used [%]."""
    drain = find_drain(case, case.test)
    return unknown(drain) if isinstance(drain, str) else Value(drain.from_pct, n=drain.n_readings)


@metric(
    "battery",
    title="Level at the end of the rate",
    unit="%",
    definition="Level down to which the rate was taken; the lower end of the range of charge that "
    "the rate stands for",
    formula="level after the last change, else the last level",
    better="none",
    source=_COMMON,
    examples=(Example(_read_every_ten_minutes(*_FALLING), 87.0, "by hand: after the last change"),),
)
def battery_to_pct(case: Case) -> Value:
    """Give the lower end of the range used [%]."""
    drain = find_drain(case, case.test)
    return unknown(drain) if isinstance(drain, str) else Value(drain.to_pct, n=drain.n_readings)


@metric(
    "battery",
    title="Battery use against another device",
    unit="%/h",
    definition="Battery use minus that of another device in the same workout; two units of one "
    "model in two settings show what the setting costs; batteries of other sizes do not compare",
    formula="battery_rate_pct_per_h - that of the other device; bounds from both",
    better="lower",
    source=_COMMON,
    examples=(Example(_read_every_ten_minutes(*_FALLING), None, "no other device"),),
    against="battery",
)
def battery_rate_difference_pct_per_h(case: Case) -> Value:
    """Give the difference of the charge used per hour [%/h]."""
    both = _find_both(case)
    if isinstance(both, str):
        return unknown(both)
    own, other = both
    return _give(
        own.rate - other.rate, own.low - other.high, own.high - other.low, n=own.n_readings
    )


@metric(
    "battery",
    title="Range of charge in common",
    unit="%",
    definition="Share of the narrower of the two ranges of level that both devices used; where it "
    "is small their rates stand for different parts of the discharge and do not compare",
    formula="100 * overlap of the ranges / narrower range",
    better="higher",
    source=_COMMON,
    examples=(Example(_read_every_ten_minutes(*_FALLING), None, "no other device"),),
    against="battery",
)
def battery_shared_range_pct(case: Case) -> Value:
    """Give the range of charge that both used, in percent of the narrower one [%]."""
    both = _find_both(case)
    if isinstance(both, str):
        return unknown(both)
    return Value(_PERCENT * measure_shared_range(*both), n=both[0].n_readings)


@finding(
    "battery_range",
    domain="battery",
    title="Battery compared over different ranges",
    unit="%",
    definition="Two devices of a workout used different parts of their charge, so that their rates "
    "do not compare; the size is the share of the narrower range that both used",
    source=_COMMON,
    against="battery",
)
def find_different_ranges(case: Case) -> list[Finding]:
    """Flag the comparison, if the ranges are different."""
    both = _find_both(case)
    if isinstance(both, str):
        return []
    shared = _PERCENT * measure_shared_range(*both)
    if shared >= case.settings.battery.min_shared_range_pct:
        return []
    ranges = " against ".join(f"{drain.from_pct:g} to {drain.to_pct:g} %" for drain in both)
    start_s, end_s = _find_span(case, case.test)
    return [Finding(start_s, end_s, shared, ranges)]


@finding(
    "battery_contradiction",
    domain="battery",
    title="Battery levels that contradict each other",
    unit="%/h",
    definition="No steady rate fits both the levels in the export and those in the notes; the size "
    "is the rate of the export minus that of the notes",
    source=_COMMON,
)
def find_contradiction(case: Case) -> list[Finding]:
    """Give the contradiction between export and notes, if there is one."""
    drains = _list_drains(case, case.test)
    if isinstance(drains, str) or drains[-1].method != "notes" or len(drains) == 1:
        return []
    best, noted = drains[0], drains[-1]
    if agree(best, noted):
        return []
    start_s, end_s = _find_span(case, case.test)
    note = f"export {best.low:.2f} to {best.high:.2f}, notes {noted.low:.2f} to {noted.high:.2f}"
    return [Finding(start_s, end_s, best.rate - noted.rate, note)]


# --- from levels to a rate --------------------------------------------------------------------
def find_drain(case: Case, subject: Subject) -> Drain | str:
    """Give the rate of a recording over the segment of `case`, or why there is none.

    The first to the last change counts before two levels of the file, and those before the notes.
    Where the notes give levels too, their bounds narrow those of the file.
    """
    key = f"battery:{subject.recording_id}"

    def find() -> Drain | str:
        drains = _list_drains(case, subject)
        return drains if isinstance(drains, str) else narrow(drains[0], *drains[1:])

    return case.once(key, find)


def _list_drains(case: Case, subject: Subject) -> list[Drain] | str:
    """Give what the sources say, the best first, or why they say nothing."""
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
    start_s, end_s = _find_span(case, subject)
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


def _find_both(case: Case) -> tuple[Drain, Drain] | str:
    other = None if case.reference is None else case.reference.subject
    if other is None:
        return "no other device of this workout knows the level of its battery"
    own_drain, other_drain = find_drain(case, case.test), find_drain(case, other)
    if isinstance(own_drain, str):
        return own_drain
    if isinstance(other_drain, str):
        return f"{other.device.id}: {other_drain}"
    return own_drain, other_drain


def _mark_inside(case: Case, levels: Levels) -> np.ndarray:
    """Mark the readings in the segment; the whole takes every reading."""
    if case.segment.name == "all":
        return np.ones(len(levels.seconds), dtype=np.bool_)
    index = np.round(levels.seconds - case.workout.grid.start_s).astype(np.int64)
    inside = (index >= 0) & (index < case.workout.grid.n_seconds)
    inside[inside] = case.segment.mask[index[inside]]
    return inside


def _find_span(case: Case, subject: Subject) -> tuple[float, float]:
    """Give the first and the last second that a recording covers."""
    covered = case.workout.grid.seconds[subject.covered]
    if not covered.size:
        return float(case.workout.grid.start_s), float(case.workout.grid.start_s)
    return float(covered[0]), float(covered[-1])


def _give(value: float, low: float, high: float, *, n: int) -> Value:
    """Give a value with its bounds; an infinite bound is none."""
    return Value(
        value,
        low if np.isfinite(low) else None,
        high if np.isfinite(high) else None,
        n=n,
    )
