"""Two references of one recording that cannot both be right."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final, NamedTuple

from tasks.core.registers import Finding, Value, finding
from tasks.metrics.distance.lengths import compare_own
from tasks.workout.case import Segment
from tasks.workout.references import choose_references

if TYPE_CHECKING:
    from tasks.workout.case import Case, Reference

_PERCENT: Final = 100.0
_FEWEST: Final = 2


@finding(
    "references_disagree",
    domain="distance",
    title="References disagree",
    unit="%",
    definition="The distance of a recording has another error against a second reference than "
    "against the best one, by more than both may be off (a device, or truth without a tolerance, "
    "by distance_pct of the section consensus); the size is the second error minus the first, and "
    "says nothing of which reference is wrong",
    source="common practice, no source",
    against="distance",
)
def find_disagreeing_references(case: Case) -> list[Finding]:
    """Flag the recording against each reference that contradicts the best one."""
    best = _find_best(case)
    if best is None or case.reference is None or case.reference.name == best.name:
        return []
    if case.reference.kind == "comparison":
        return []
    first, second = _compare(case, best), _compare(case, case.reference)
    if first is None or second is None:
        return []
    apart, limit = second.error_pct - first.error_pct, first.unsure_pct + second.unsure_pct
    if abs(apart) <= limit:
        return []
    seconds = case.workout.grid.seconds[case.test.covered]
    note = (
        f"{first.error_pct:+.1f} % against {_name(best)} and {second.error_pct:+.1f} % against "
        f"{_name(case.reference)}, which together may be off by {limit:.1f} %: one is wrong"
    )
    return [Finding(float(seconds[0]), float(seconds[-1]), apart, note)]


class _Error(NamedTuple):
    """Error against a reference, and what that may be off itself [%]."""

    error_pct: float
    unsure_pct: float


def _find_best(case: Case) -> Reference | None:
    """Return the best reference that knows the distance of the whole recording."""
    references = case.once_per_workout(
        f"distance references of {case.test.recording_id}",
        lambda: choose_references(case.workout, case.test, "distance").references,
    )
    return next((one for one in references if _compare(case, one) is not None), None)


def _compare(case: Case, reference: Reference) -> _Error | None:
    covered = case.test.covered if reference.covered is None else reference.covered
    whole = replace(case, reference=reference, segment=Segment("all", covered), memo={})
    found = compare_own(whole)
    if isinstance(found, Value) or found.reference_m <= 0:
        return None
    unsure_pct = case.settings.consensus.distance_pct
    if reference.uncertainty is not None:
        unsure_pct = _PERCENT * reference.uncertainty / found.reference_m
    return _Error(_PERCENT * found.error_m / found.reference_m, unsure_pct)


def _name(reference: Reference) -> str:
    return {"truth": "the notes", "course": "the course"}.get(reference.kind, reference.name)
