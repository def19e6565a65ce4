"""Quality of the fixes themselves: first fix, interval, gaps, jumps, stuck positions."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.registers import Example, Finding, Value, finding, metric, unknown
from tasks.metrics.track.compared import EAST_WAY, POSITION, place_points
from tasks.metrics.track.gaps import find_long_gaps, list_intervals
from tasks.metrics.track.stuck import find_stuck, take_fixes
from tasks.workout.tracks import (
    explain_no_positions,
    get_fixes,
    get_jumps,
    get_speed_limit_mps,
    mark_case,
)

if TYPE_CHECKING:
    from tasks.workout.case import Case

_SOURCE: Final = "common practice, no source"
_PERCENT: Final = 100.0
_STILL: Final = Example({"test": {"heart_rate_bpm": [100.0]}}, None, "no positions")


def _make_gappy(missing: range) -> dict[str, Any]:
    places = place_points(EAST_WAY, [0.0] * 101)
    return {
        "test": {
            channel: [None if second in missing else value for second, value in enumerate(values)]
            for channel, values in places.items()
        }
    }


_LATE: Final = _make_gappy(range(7))
_GAPPY: Final = _make_gappy(range(40, 60))
#: A hundred metres north and back again, within five seconds.
_JUMPY: Final[dict[str, Any]] = {
    "test": place_points(EAST_WAY, [0.0] * 50 + [100.0] * 5 + [0.0] * 46)
}


@metric(
    "track",
    title="Time to first fix",
    unit="s",
    definition="Time from the start of the recording to its first position; 0 for a device that "
    "does not start before it has a fix",
    formula="time of the first position - start of the recording",
    better="lower",
    source=_SOURCE,
    examples=(Example(_LATE, 7.0, "by hand: seven seconds without"), _STILL),
    needs=POSITION,
    whole_only=True,
    level="compared",
)
def track_first_fix_s(case: Case) -> Value:
    """Return the time to the first fix [s]."""
    found = take_fixes(case)
    if isinstance(found, Value):
        return found
    started = case.test.recording.start_utc.timestamp() + case.test.alignment.offset_s
    return Value(max(0.0, float(found.seconds[0]) - started), n=found.n)


@metric(
    "track",
    title="Fix interval, median",
    unit="s",
    definition="Median time between consecutive fixes; sparse fixes cut corners and shorten the "
    "summed distance whatever the receiver's quality",
    formula="median of the times between consecutive fixes of a piece",
    better="none",
    source=_SOURCE,
    examples=(Example(_LATE, 1.0, "by hand: every second"), _STILL),
    needs=POSITION,
)
def track_interval_median_s(case: Case) -> Value:
    """Return the median interval [s]."""
    return _summarise_intervals(case, 0.5)


@metric(
    "track",
    title="Fix interval, 95th percentile",
    unit="s",
    definition="95 % of the intervals between fixes are shorter; counts intervals, not time",
    formula="95th percentile of the times between consecutive fixes of a piece",
    better="lower",
    source=_SOURCE,
    examples=(Example(_LATE, 1.0, "by hand: every second"), _STILL),
    needs=POSITION,
)
def track_interval_p95_s(case: Case) -> Value:
    """Return the 95th percentile of the interval [s]."""
    return _summarise_intervals(case, 0.95)


@metric(
    "track",
    title="Longest gap between fixes",
    unit="s",
    definition="Longest time from one fix to the next, or from the last fix to the end of the "
    "recording, without pauses; the wait for the first fix does not count",
    formula="max of the times between consecutive fixes of a piece",
    better="lower",
    source=_SOURCE,
    examples=(Example(_GAPPY, 21.0, "by hand: from second 39 to second 60"), _STILL),
    needs=POSITION,
    whole_only=True,
)
def track_gap_max_s(case: Case) -> Value:
    """Return the longest gap [s]."""
    found = take_fixes(case)
    if isinstance(found, Value):
        return found
    starts, ends = list_intervals(case, found)
    if not starts.size:
        return unknown("fewer than two fixes", n=found.n)
    return Value(float((ends - starts).max()), n=starts.size)


@metric(
    "track",
    title="Seconds with a position",
    unit="%",
    definition="Share of the recorded seconds, without pauses, that have a position or lie in a "
    "gap short enough to bridge; says nothing about accuracy",
    formula="100 * seconds with a position on the grid / seconds recorded and not paused",
    better="higher",
    source=_SOURCE,
    examples=(
        Example(_GAPPY, 100 * 81 / 101, "by hand: 20 of 101 s without", 1e-6),
        _STILL,
    ),
    needs=POSITION,
)
def track_coverage_pct(case: Case) -> Value:
    """Return the share of seconds with a position [%]."""
    reason = explain_no_positions(case)
    if reason is not None:
        return unknown(reason)
    recorded = case.segment.mask & case.test.covered & ~case.test.paused
    n = int(recorded.sum())
    if not n:
        return unknown("no second was recorded")
    held = recorded & np.isfinite(case.test.values("latitude_deg"))
    return Value(_PERCENT * float(held.sum()) / n, n=n)


@metric(
    "track",
    title="Jumps",
    unit="1",
    definition="Number of steps longer than anybody can move, a step and its return within two "
    "minutes counted once; slow drift does not show",
    formula="steps longer than the activity's speed limit * interval + 15 m",
    better="lower",
    source=_SOURCE,
    examples=(
        Example(_JUMPY, 1.0, "by hand: out and back is one jump"),
        Example(_LATE, 0.0, "by hand: none"),
        _STILL,
    ),
    needs=POSITION,
)
def track_jumps(case: Case) -> Value:
    """Return the number of jumps."""
    found = take_fixes(case)
    if isinstance(found, Value):
        return found
    inside = mark_case(case, found)
    count = sum(bool(inside[jump.after]) for jump in get_jumps(case.workout, case.test))
    return Value(float(count), n=int(inside.sum()))


@finding(
    "position_jump",
    domain="track",
    title="Position jump",
    unit="m",
    definition="A step longer than anybody moves in the activity plus 15 m, with its return "
    "within two minutes, unless it ends a stuck position; the size is the length of the step",
    version=2,
    source=_SOURCE,
    needs=POSITION,
)
def find_position_jumps(case: Case) -> list[Finding]:
    """Return the jumps of the test recording."""
    if explain_no_positions(case) is not None:
        return []
    fixes = get_fixes(case.workout, case.test)
    limit = get_speed_limit_mps(case.workout)
    found = []
    stuck = [(float(fixes.seconds[one.first]), one.end_s) for one in find_stuck(case) or ()]
    for jump in get_jumps(case.workout, case.test):
        begun = float(fixes.seconds[jump.before])
        if any(first <= begun <= end for first, end in stuck):
            continue
        took = float(fixes.seconds[jump.before + 1] - fixes.seconds[jump.before])
        back = "comes back" if jump.returned else "does not come back within two minutes"
        note = f"{jump.size_m:.0f} m in {took:.0f} s (limit {limit:g} m/s); {back}"
        at = jump.before + 1
        found.append(
            Finding(
                float(fixes.seconds[jump.before]),
                float(fixes.seconds[jump.after]),
                jump.size_m,
                note,
                float(fixes.latitude_deg[at]),
                float(fixes.longitude_deg[at]),
            )
        )
    return found


@finding(
    "position_gap",
    domain="track",
    title="Position gap",
    unit="s",
    definition="Time from one fix to the next, or to the end of the recording, that is longer "
    "than the bridged gap and three usual intervals of the device, without pauses; the size is "
    "its length",
    source=_SOURCE,
    needs=POSITION,
)
def find_position_gaps(case: Case) -> list[Finding]:
    """Return the gaps of the test recording."""
    if explain_no_positions(case) is not None:
        return []
    fixes = get_fixes(case.workout, case.test)
    if not fixes.n:
        return []
    found = []
    for begin, end in find_long_gaps(case, fixes):
        at = int(np.searchsorted(fixes.seconds, begin))
        found.append(
            Finding(
                begin,
                end,
                end - begin,
                "no position until the end" if at == fixes.n - 1 else "no position",
                float(fixes.latitude_deg[at]),
                float(fixes.longitude_deg[at]),
            )
        )
    return found


def _summarise_intervals(case: Case, share: float) -> Value:
    found = take_fixes(case)
    if isinstance(found, Value):
        return found
    inside = mark_case(case, found)
    both = inside[:-1] & inside[1:] & (np.diff(found.piece) == 0)
    steps = np.diff(found.seconds)[both]
    if not steps.size:
        return unknown("fewer than two fixes", n=int(inside.sum()))
    return Value(float(np.quantile(steps, share)), n=steps.size)
