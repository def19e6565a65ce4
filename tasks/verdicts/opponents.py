"""Which device is compared with which, by what, and which opponent was named beforehand."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

from tasks.core.registers import METRICS
from tasks.verdicts.numbers import LOCK_FAILED, TRACK_FAILED, list_compared, list_measures

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from config.plan import DatedPlan
    from config.verdicts import VerdictSettings
    from tasks.verdicts.asked import Measure
    from tasks.verdicts.numbers import Numbers

#: Primary metrics of heart rate, which a watch that never locks fails, too.
_NEED_A_LOCK = ("hr_lock_s", "hr_mae_bpm")


@dataclass(frozen=True)
class Opposed:
    """A device and its opponent; `plan` is the plan that asks about them, if one does."""

    device_id: str
    other_id: str
    is_named: bool
    plan: DatedPlan | None


def list_opponents(numbers: Numbers, plan: DatedPlan | None) -> list[Opposed]:
    """Return all pairs that are asked about, the named opponent of each device first.

    A device under test has one for every predecessor and peer, and for others under test. The
    named one is that of the plan, else the predecessor that it shares most workouts with, else
    whichever other device it shares most with.
    """
    found: dict[tuple[str, str], Opposed] = {}
    planned = plan.plan if plan is not None else None
    if plan is not None and planned is not None:
        for other_id in planned.against:
            if {planned.device, other_id} <= numbers.roles.keys():
                is_named = other_id == planned.opponent
                pair = planned.device, other_id
                found[pair] = Opposed(*pair, is_named, plan)
    by_device: dict[str, list[str]] = {}
    for device_id, other_id in _list_by_role(numbers.roles):
        by_device.setdefault(device_id, []).append(other_id)
    for device_id, others in by_device.items():
        is_planned = planned is not None and planned.device == device_id
        named = None if is_planned else _choose_named(numbers, device_id, others)
        for other_id in others:
            if not {(device_id, other_id), (other_id, device_id)} & found.keys():
                pair = device_id, other_id
                found[pair] = Opposed(*pair, other_id == named, None)
    return sorted(found.values(), key=lambda one: (one.device_id, not one.is_named, one.other_id))


def _list_by_role(roles: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    tested = sorted(device for device, role in roles.items() if role == "test")
    yield from combinations(tested, 2)
    for device_id in tested:
        for other_id, role in sorted(roles.items()):
            if role in {"predecessor", "peer"}:
                yield device_id, other_id


def _choose_named(numbers: Numbers, device_id: str, others: list[str]) -> str | None:
    worn = numbers.worn.get(device_id, set())

    def rank(other_id: str) -> tuple[bool, int, str]:
        shared = len(worn & numbers.worn.get(other_id, set()))
        return numbers.roles[other_id] != "predecessor", -shared, other_id

    return min(others, key=rank, default=None)


def list_primaries(settings: VerdictSettings, plan: DatedPlan | None) -> dict[Measure, float]:
    """Return what the headline is about, with margins: from the plan, else the register."""
    margins = dict(list_compared(settings))
    named = {one: margin for one, margin in margins.items() if METRICS[one].level == "primary"}
    if plan is not None and plan.plan.margins:
        named = {
            metric: margin
            for metric, margin in plan.plan.margins.items()
            if metric in METRICS and METRICS[metric].better != "none"
        }
        if LOCK_FAILED in margins and named.keys() & set(_NEED_A_LOCK):
            named.setdefault(LOCK_FAILED, margins[LOCK_FAILED])
        if TRACK_FAILED in margins and any(METRICS[one].domain == "track" for one in named):
            named.setdefault(TRACK_FAILED, margins[TRACK_FAILED])
    return {list_measures(metric)[0]: margin for metric, margin in sorted(named.items())}


def list_details(
    settings: VerdictSettings, primaries: Mapping[Measure, float]
) -> dict[Measure, float]:
    """Return every other measure that devices are compared by, with its margin."""
    return {
        measure: margin
        for metric, margin in list_compared(settings)
        for measure in list_measures(metric)
        if measure not in primaries
    }
