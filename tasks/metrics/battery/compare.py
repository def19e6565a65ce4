"""Battery use of two devices in the same workout, and whether it compares."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tasks.core.registers import Example, Value, metric, unknown
from tasks.maths.battery import Drain, measure_shared_range
from tasks.metrics.battery.drains import (
    COMMON,
    FALLING,
    PERCENT,
    find_drain,
    make_value,
    read_every_ten_minutes,
)

if TYPE_CHECKING:
    from tasks.workout.case import Case


@metric(
    "battery",
    title="Battery use against another device",
    unit="%/h",
    definition="Battery use minus that of another device in the same workout; two units of one "
    "model in two settings show what the setting costs; batteries of different sizes cannot be "
    "compared",
    formula="battery_rate_pct_per_h - that of the other device; bounds from both",
    better="lower",
    source=COMMON,
    examples=(Example(read_every_ten_minutes(*FALLING), None, "no other device"),),
    against="battery",
    has_interval=True,
)
def battery_rate_difference_pct_per_h(case: Case) -> Value:
    """Return the difference of the charge used per hour [%/h]."""
    both = _find_both(case)
    if isinstance(both, str):
        return unknown(both)
    own, other = both
    return make_value(
        own.rate - other.rate,
        own.low - other.high,
        own.high - other.low,
        n=own.n_readings,
        note=None if _are_comparable(case, both) else f"different ranges: {_word_ranges(both)}",
    )


@metric(
    "battery",
    title="Range of charge in common",
    unit="%",
    definition="Share of the narrower of the two ranges of level that both devices used; where it "
    "is small, their rates describe different parts of the discharge and cannot be compared",
    formula="100 * overlap of the ranges / narrower range",
    better="higher",
    source=COMMON,
    examples=(Example(read_every_ten_minutes(*FALLING), None, "no other device"),),
    against="battery",
)
def battery_shared_range_pct(case: Case) -> Value:
    """Return the range of charge that both used, in percent of the narrower one [%]."""
    both = _find_both(case)
    if isinstance(both, str):
        return unknown(both)
    return Value(PERCENT * measure_shared_range(*both), n=both[0].n_readings)


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


def _are_comparable(case: Case, both: tuple[Drain, Drain]) -> bool:
    shared = PERCENT * measure_shared_range(*both)
    return shared >= case.settings.battery.min_shared_range_pct


def _word_ranges(both: tuple[Drain, Drain]) -> str:
    return " against ".join(f"{drain.from_pct:g} to {drain.to_pct:g} %" for drain in both)
