"""Workouts outdoors in which the track failed: no fix, a late one, or one that was lost often."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.activities import find_surroundings
from tasks.core.registers import Example, Value, metric, unknown
from tasks.metrics.track.compared import EAST_WAY, POSITION, place_points
from tasks.metrics.track.gaps import find_long_gaps
from tasks.workout.tracks import explain_no_positions, get_fixes

if TYPE_CHECKING:
    from tasks.workout.case import Case

_FAILED: Final = 100.0
_PERCENT: Final = 100.0
_PLACES: Final = place_points(EAST_WAY, [0.0] * 101)


def _lose(missing: range, *, place: str | None = "outdoors") -> dict[str, Any]:
    """Return a walk eastwards without positions in some seconds."""
    return {
        "place": place,
        "test": {
            channel: [None if second in missing else value for second, value in enumerate(values)]
            for channel, values in _PLACES.items()
        },
    }


@metric(
    "track",
    title="No usable track",
    unit="%",
    definition="Outdoors, 100 where the first fix comes later than failed_first_fix_s or the fix "
    "is lost for more than failed_lost_pct of the time after it, else 0, so that the mean over "
    "workouts is the share that failed; does not tell how near the fixes are. A recording without "
    "any position has no value, since its device may have no receiver; verdicts count it as failed "
    "where the device had fixes in another workout",
    formula="100 if track_first_fix_s > failed_first_fix_s or 100 * summed gaps / seconds from the "
    "first fix to the end, without pauses > failed_lost_pct, else 0; a gap as of position_gap",
    better="lower",
    source="common practice, no source",
    examples=(
        Example(_lose(range(40, 60)), _FAILED, "by hand: 21 of 100 s lost, the limit is 5 %"),
        Example(_lose(range(7)), 0.0, "by hand: seven seconds to the first fix"),
        Example(_lose(range(7), place="indoors"), None, "indoors nothing is asked of a track"),
        Example({"test": {"heart_rate_bpm": [100.0]}}, None, "no positions"),
    ),
    needs=POSITION,
    whole_only=True,
    level="primary",
)
def track_failed_pct(case: Case) -> Value:
    """Return 100 where the device had no usable track outdoors, else 0 [%]."""
    reason = explain_no_positions(case)
    if reason is not None:
        return unknown(reason)
    if find_surroundings(case.workout.place) != "outdoors":
        return unknown("only outdoors is a track asked for")
    fixes = get_fixes(case.workout, case.test)
    if not fixes.n:
        return unknown("this recording holds no positions")
    settings = case.settings.position
    subject = case.test
    started = subject.recording.start_utc.timestamp() + subject.alignment.offset_s
    first_s = float(fixes.seconds[0])
    if first_s - started > settings.failed_first_fix_s:
        return Value(_FAILED, n=fixes.n)
    seconds = case.workout.grid.start_s + np.arange(case.workout.grid.n_seconds)
    recorded = case.segment.mask & subject.covered & ~subject.paused & (seconds >= first_s)
    lost_s = sum(end - begin for begin, end in find_long_gaps(case, fixes))
    total_s = max(1.0, float(recorded.sum()))
    is_lost = _PERCENT * lost_s / total_s > settings.failed_lost_pct
    return Value(_FAILED if is_lost else 0.0, n=fixes.n)
