"""How fast a device's own battery empties, and how long it would last."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tasks.core.registers import Example, Finding, Value, finding, metric, unknown
from tasks.maths.battery import agree
from tasks.metrics.battery.drains import (
    COMMON,
    FALLING,
    HOW,
    PERCENT,
    find_drain,
    find_span,
    list_drains,
    make_value,
    note_levels,
    read_every_ten_minutes,
)

if TYPE_CHECKING:
    from tasks.workout.case import Case


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
    source=COMMON,
    examples=(
        Example(
            read_every_ten_minutes(*FALLING),
            3.0,
            "by hand: 89 to 87 % between the middles at 15 and 55 min",
        ),
        Example(note_levels(96.0, 81.0, hours=5), 3.0, "by hand: 15 % in 5 h"),
        Example(read_every_ten_minutes(*FALLING, of="strap 12"), None, "a sensor's battery"),
        Example(read_every_ten_minutes(50, 49, 60, 59), None, "charged on the way"),
    ),
    has_interval=True,
    level="primary",
)
def battery_rate_pct_per_h(case: Case) -> Value:
    """Return the charge used per hour [%/h]."""
    drain = find_drain(case, case.test)
    if isinstance(drain, str):
        return unknown(drain)
    return make_value(drain.rate, drain.low, drain.high, n=drain.n_readings, note=HOW[drain.method])


@metric(
    "battery",
    title="Projected time to empty",
    unit="h",
    definition="Time from full to empty at the rate of this workout; batteries do not discharge "
    "evenly, so the figure may be far off when only a small part of the charge was used",
    formula="100 / battery_rate_pct_per_h",
    better="higher",
    source=COMMON,
    examples=(
        Example(read_every_ten_minutes(*FALLING), 100.0 / 3.0, "by hand: 100 / 3"),
        Example(note_levels(50.0, 50.0, hours=2), None, "nothing was used"),
    ),
    has_interval=True,
)
def battery_projected_h(case: Case) -> Value:
    """Return the time that a full battery would last [h]."""
    drain = find_drain(case, case.test)
    if isinstance(drain, str):
        return unknown(drain)
    shortest, longest = drain.hours_bounds
    if not np.isfinite(drain.hours_from_full):
        return unknown(
            f"the level did not fall; a full battery lasts at least {shortest:.0f} h",
            n=drain.n_readings,
        )
    return make_value(drain.hours_from_full, shortest, longest, n=drain.n_readings)


@metric(
    "battery",
    title="Time to empty against the maker's claim",
    unit="%",
    definition="Projected time to empty compared with the hours with satellites that the maker "
    "claims; a claim holds for one setting, which may not be the one of this workout",
    formula="100 * (battery_projected_h / claimed hours - 1)",
    better="higher",
    source=COMMON,
    examples=(
        Example(read_every_ten_minutes(*FALLING), None, "nobody said what the maker claims"),
    ),
    has_interval=True,
)
def battery_vs_claim_pct(case: Case) -> Value:
    """Return the projected time against the claimed one [%]."""
    claimed_h = case.test.device.claimed_gnss_hours
    if not claimed_h:
        return unknown("devices.toml gives no claimed_gnss_hours for this device")
    if case.test.recording.header.position_kind != "gnss":
        return unknown("the claim is for recording with satellites; this one has no such positions")
    projected = battery_projected_h(case)
    if projected.value is None:
        return projected

    def compare(hours: float | None) -> float | None:
        return None if hours is None else PERCENT * (hours / claimed_h - 1.0)

    return Value(
        compare(projected.value),
        compare(projected.ci_low),
        compare(projected.ci_high),
        n=projected.n,
        ci_reason=projected.ci_reason,
    )


@metric(
    "battery",
    title="Level at the start of the rate",
    unit="%",
    definition="Level at which the measured rate begins; the upper end of the range of charge "
    "that the rate stands for",
    formula="level after the first change, else the first level",
    better="none",
    source=COMMON,
    examples=(Example(read_every_ten_minutes(*FALLING), 89.0, "by hand: after the first change"),),
)
def battery_from_pct(case: Case) -> Value:
    """Return the upper end of the range used [%]."""
    drain = find_drain(case, case.test)
    return unknown(drain) if isinstance(drain, str) else Value(drain.from_pct, n=drain.n_readings)


@metric(
    "battery",
    title="Level at the end of the rate",
    unit="%",
    definition="Level at which the measured rate ends; the lower end of the range of charge that "
    "the rate stands for",
    formula="level after the last change, else the last level",
    better="none",
    source=COMMON,
    examples=(Example(read_every_ten_minutes(*FALLING), 87.0, "by hand: after the last change"),),
)
def battery_to_pct(case: Case) -> Value:
    """Return the lower end of the range used [%]."""
    drain = find_drain(case, case.test)
    return unknown(drain) if isinstance(drain, str) else Value(drain.to_pct, n=drain.n_readings)


@finding(
    "battery_contradiction",
    domain="battery",
    title="Battery levels that contradict each other",
    unit="%/h",
    definition="No steady rate fits both the levels in the export and those in the notes; the size "
    "is the rate of the export minus that of the notes",
    source=COMMON,
)
def find_contradiction(case: Case) -> list[Finding]:
    """Return the contradiction between export and notes, if there is one."""
    drains = list_drains(case, case.test)
    if isinstance(drains, str) or drains[-1].method != "notes" or len(drains) == 1:
        return []
    best, noted = drains[0], drains[-1]
    if agree(best, noted):
        return []
    start_s, end_s = find_span(case, case.test)
    note = f"export {best.low:.2f} to {best.high:.2f}, notes {noted.low:.2f} to {noted.high:.2f}"
    return [Finding(start_s, end_s, best.rate - noted.rate, note)]
