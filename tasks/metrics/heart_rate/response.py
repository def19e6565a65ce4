"""How heart rate follows efforts: what it lacks at the end of rises, missed rises."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.registers import Example, Value, metric
from tasks.maths.change_points import estimate_slow_spread
from tasks.maths.rises import Following, find_rises, follow_rise
from tasks.maths.runs import find_first_lasting
from tasks.maths.smoothing import compute_running_mean
from tasks.metrics.heart_rate.compared import compare_heart_rates, get_series, name_comparison
from tasks.metrics.heart_rate.examples import FLAT, LATE_RAMPS, RAMPS
from tasks.metrics.heart_rate.lock import find_lock
from tasks.metrics.heart_rate.reference import HEART_RATE

if TYPE_CHECKING:
    from collections.abc import Iterable

    from tasks.workout.case import Case

#: How long after a rise the device may still pass its levels.
PATIENCE_S: Final = 60
#: What is not caught up by then is a bias and no missed rise any more.
LONGEST_MISS_S: Final = 300
_SMOOTH_S: Final = 5
_CAUGHT_UP_S: Final = 5
#: So many SD of the error of a few seconds are no miss.
SPREADS: Final = 3.0
_PERCENT: Final = 100.0
NO_RISE: Final = "the reference makes no such rise in these seconds"
NOT_SEEN: Final = "the device cannot be seen to follow any of them"
_SOURCE: Final = "step response of a measuring system (common practice)"

#: The test makes only 10 of the 40 bpm.
_MISSED: Final[dict[str, Any]] = {
    "test": {HEART_RATE: [100.0 + (value - 100.0) / 4 for value in RAMPS]},
    "reference": {HEART_RATE: RAMPS},
}


@dataclass(frozen=True)
class Responses:
    """How the test followed the rises and the falls of the reference, over the whole comparison.

    What begins before the lock is left out: the lock says it already.
    """

    rises: tuple[Following, ...]
    falls: tuple[Following, ...]


@metric(
    "heart_rate",
    title="Efforts",
    unit="1",
    definition="Number of rises of the reference by at least rise_bpm within rise_window_s that "
    "begin after the device has locked: those that it could follow",
    formula="rises found in the reference smoothed over 7 s",
    better="none",
    source="common practice, no source",
    examples=(
        Example(LATE_RAMPS, 1.0, "by hand: one ramp of 40 bpm in 40 s"),
        Example(FLAT, 0.0, "by hand: none"),
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
)
def hr_rises(case: Case) -> Value:
    """Return the number of efforts that begin in the case's seconds."""
    return compare_heart_rates(case).make_value(
        float(len(list_inside(case, get_responses(case).rises)))
    )


@metric(
    "heart_rate",
    title="Shortfall of rises",
    unit="bpm",
    definition="Median of what the device lacks at the end of each rise, after a constant bias "
    "before it is removed; negative where it overshoots; it has no interval, since rises in a row "
    "often lack alike",
    formula="median over rises of mean(reference - test) in the 5 s from the end of the rise",
    better="zero",
    source=_SOURCE,
    examples=(
        Example(_MISSED, 28.5, "by hand: three quarters of 95 to 100 % of 40 bpm", 1.6),
        Example(FLAT, None, "no effort"),
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
    version=2,
)
def hr_rise_shortfall_bpm(case: Case) -> Value:
    """Return the median shortfall at the end of the rises [bpm]."""
    compared = compare_heart_rates(case)
    followings = list_inside(case, get_responses(case).rises)
    if not followings:
        return compared.decline(NO_RISE)
    lacking = np.array([each.shortfall for each in followings])
    lacking = lacking[np.isfinite(lacking)]
    if not lacking.size:
        return compared.decline(NOT_SEEN)
    n = int(lacking.size)
    return Value(float(np.median(lacking)), n=n, coverage=compared.coverage)


@metric(
    "heart_rate",
    title="Missed rises",
    unit="%",
    definition="Share of the reference's rises at whose end the device lacks more than missed_share"
    " of the rise; a long delay looks the same as a miss; it has no interval, since rises in a row "
    "are often missed together",
    formula="100 rises with shortfall > missed_share * rise, and > "
    f"{SPREADS:g} SD of the error over {_SMOOTH_S} s / rises that can be seen",
    better="lower",
    source="common practice, no source",
    examples=(
        Example(_MISSED, 100.0, "by hand: three quarters are lacking"),
        Example(LATE_RAMPS, 0.0, "by hand: 8 of 40 bpm are lacking"),
        Example(FLAT, None, "no effort"),
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
    version=3,
    level="compared",
)
def hr_missed_rises_pct(case: Case) -> Value:
    """Return the share of missed rises [%]."""
    compared = compare_heart_rates(case)
    followings = list_inside(case, get_responses(case).rises)
    if not followings:
        return compared.decline(NO_RISE)
    seen = [each for each in followings if np.isfinite(each.shortfall)]
    if not seen:
        return compared.decline(NOT_SEEN)
    missed = sum(_is_missed(case, each) for each in seen)
    return Value(_PERCENT * missed / len(seen), n=len(seen), coverage=compared.coverage)


def get_responses(case: Case) -> Responses:
    """Return how the test followed, over the whole comparison, found once."""
    key = f"heart_rate:responses:{name_comparison(case)}"
    return case.once_per_workout(key, lambda: _follow_all(case))


def find_missed(case: Case) -> tuple[Following, ...]:
    """Return the missed rises of the whole comparison."""
    return tuple(each for each in get_responses(case).rises if _is_missed(case, each))


def find_miss_span(case: Case, missed: Following) -> tuple[int, int]:
    """Return first and last (exclusive) grid index of a missed rise."""
    error = compute_running_mean(get_series(case).error, width=_SMOOTH_S) - missed.offset
    begin, top = missed.rise.start, missed.rise.end
    after = error[top : top + LONGEST_MISS_S]
    reference = get_series(case).reference
    low = float(np.nanmean(reference[begin : begin + _CAUGHT_UP_S]))
    with np.errstate(invalid="ignore"):
        is_over = after > -missed.rise.size / 2
        # Nor does a rise last when the reference has come down again.
        is_over |= reference[top : top + after.size] < low + missed.rise.size / 2
        caught = find_first_lasting(is_over, lasting=_CAUGHT_UP_S)
    return begin, min(top + (after.size if caught is None else caught), error.size)


def _follow_all(case: Case) -> Responses:
    limits = case.settings.heart_rate
    series = get_series(case)
    within = round(limits.rise_window_s)
    known = series.error[np.isfinite(series.error)]
    usual = float(np.median(known)) if known.size else 0.0
    _, locked = find_lock(case)
    both = []
    for sign in (1.0, -1.0):
        reference, test = sign * series.reference, sign * series.test
        rises = [
            rise
            for rise in find_rises(reference, size=limits.rise_bpm, within=within)
            if locked is None or rise.start >= locked
        ]
        both.append(
            tuple(
                follow_rise(reference, test, rise, patience=PATIENCE_S, usual_offset=sign * usual)
                for rise in rises
            )
        )
    return Responses(rises=both[0], falls=both[1])


def list_inside(case: Case, followings: Iterable[Following]) -> list[Following]:
    """Return those that begin in the seconds of the case."""
    return [each for each in followings if case.segment.mask[each.rise.start]]


def _is_missed(case: Case, each: Following) -> bool:
    least = case.settings.heart_rate.missed_share * each.rise.size
    scatter = estimate_slow_spread(get_series(case).error, window=_SMOOTH_S)
    return bool(each.shortfall > np.fmax(least, SPREADS * scatter))
