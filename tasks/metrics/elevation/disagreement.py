"""References of an ascent that cannot all be right: two devices, or a device and the notes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from tasks.core.registers import Finding, Value, finding
from tasks.metrics.elevation.climb import compare_climbs, sum_climb
from tasks.metrics.elevation.heights import ALTITUDE

if TYPE_CHECKING:
    from tasks.workout.case import Case, Subject

_PERCENT: Final = 100.0


@finding(
    "ascent_references_disagree",
    domain="elevation",
    title="References of the ascent disagree",
    unit="m",
    definition="A second reference device, or the true ascent in the notes, differs from the "
    "ascent of the best reference device by more than ascent_m and ascent_pct (both of the section "
    "consensus); the size is the second minus the best, and says nothing of which one is wrong: "
    "a true ascent was summed with a threshold that only the tester knows",
    source="common practice, no source",
    against="altitude",
    needs=(ALTITUDE,),
)
def find_disagreeing_ascents(case: Case) -> list[Finding]:
    """Flag what contradicts the ascent of the best reference device."""
    reference = case.reference
    if reference is None or reference.kind != "device" or reference.subject is None:
        return []
    return [
        *_compare_devices(case, reference.subject),
        *_compare_with_notes(case, reference.subject),
    ]


def _compare_devices(case: Case, best: Subject) -> list[Finding]:
    if not case.test.device.is_reference_for("altitude"):
        return []
    climbs = compare_climbs(case)
    if isinstance(climbs, Value):
        return []
    own, other = climbs
    return _report(case, own.ascent_m, other.ascent_m, case.test.device.id, best.device.id)


def _compare_with_notes(case: Case, best: Subject) -> list[Finding]:
    notes = case.workout.notes
    true_m = None if notes is None else notes.truth.ascent_m
    climb = sum_climb(case, best)
    if true_m is None or isinstance(climb, Value):
        return []
    return _report(case, true_m, climb.ascent_m, "the notes", best.device.id)


def _report(case: Case, second_m: float, best_m: float, second: str, best: str) -> list[Finding]:
    limits = case.settings.consensus
    apart_m = max(limits.ascent_m, limits.ascent_pct / _PERCENT * best_m)
    if abs(second_m - best_m) <= apart_m:
        return []
    seconds = case.workout.grid.seconds[case.test.covered]
    note = (
        f"{second_m:.0f} m by {second}, {best_m:.0f} m by {best}, which may differ by "
        f"{apart_m:.0f} m: one is wrong"
    )
    return [Finding(float(seconds[0]), float(seconds[-1]), second_m - best_m, note)]
