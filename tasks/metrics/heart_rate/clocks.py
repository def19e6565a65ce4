"""Whether the clocks are known well enough to speak of delay."""

from __future__ import annotations

from math import hypot, isfinite
from typing import TYPE_CHECKING

from tasks.metrics.heart_rate.reference import HEART_RATE

if TYPE_CHECKING:
    from tasks.workout.case import Case, Subject


def explain_no_delay(case: Case) -> str | None:
    """Say why delays of the test behind the reference mean nothing; None where they do.

    Clocks set by the heart rates themselves hide the very delay that is asked for; clocks that
    nothing confirmed may be off by any number of seconds.
    """
    reference = case.reference
    if reference is None:
        return None
    sides = (case.test, *_find_reference_subjects(case))
    methods = {side.alignment.method for side in sides}
    if "heart_rate" in methods:
        return (
            "the clocks could be set by heart rate only, which hides the delay of one heart rate "
            "behind the other"
        )
    # The recording whose clock is the workout's has method "none" too, but is sure of itself.
    if not all(side.alignment.is_compared for side in sides):
        return "nothing confirms the clocks, so that a delay may be an error of a clock"
    return None


def get_clock_error_s(case: Case) -> float:
    """Return the standard error of the test's clock against the reference's [s]; 0 if unknown.

    That a clock is not known at all is said by `explain_no_delay`.
    """
    errors = [side.alignment.standard_error_s for side in case.sides]
    return hypot(*(error for error in errors if isfinite(error)))


def _find_reference_subjects(case: Case) -> tuple[Subject, ...]:
    if case.reference is not None and case.reference.subject is not None:
        return (case.reference.subject,)
    return tuple(other for other in case.others if other.has(HEART_RATE))
