"""Whether the clocks of a comparison are in doubt, so that second by second means nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from tasks.core.registers import Against
    from tasks.workout.case import Case

#: What is compared second by second and is wrong where a clock is.
TIMED: Final[tuple[Against, ...]] = ("heart_rate",)


def explain_doubt(case: Case) -> str | None:
    """Return why the clocks of a case are in doubt; None where they are not."""
    for side in case.sides:
        doubt_s = side.alignment.doubt_s
        if doubt_s is not None:
            return (
                f"clock in doubt: much speaks for {doubt_s:+.0f} s on the clock of "
                f"{side.device.id}, not enough to apply it"
            )
    return None
