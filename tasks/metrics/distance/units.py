"""Channels that seem to hold another unit than the one they are read in."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tasks.core.registers import Finding, finding
from tasks.workout.unit_mismatch import find_mismatches

if TYPE_CHECKING:
    from tasks.workout.case import Case


@finding(
    "unit_mismatch",
    domain="distance",
    title="Values in another unit",
    unit="1",
    definition="Speed, distance or altitude is throughout as many times that of the device's own "
    "track, or else of a reference device, of two others, or of the device's own speed or "
    "distance, as one unit is of another, to 3 %; nothing is computed from it; the size is the "
    "factor; a sensor that is wrong by just that factor looks the same",
    source="factors: NIST SP 811, appendix B; limits: common practice, no source",
)
def find_unit_mismatches(case: Case) -> list[Finding]:
    """Return the channels of the test that seem to hold another unit."""
    seconds = case.workout.grid.seconds[case.test.covered]
    if not seconds.size:
        return []
    found = {**find_mismatches(case.workout, case.test), **case.test.withheld}
    return [
        Finding(float(seconds[0]), float(seconds[-1]), one.factor, one.why)
        for one in found.values()
        if one.factor is not None
    ]
