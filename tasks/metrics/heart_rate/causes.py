"""Why heart rate is off: every biased second is put down to one cause, as far as data allow."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import Example, Value, metric
from tasks.maths.runs import find_runs, mark_runs
from tasks.maths.smoothing import compute_running_mean
from tasks.metrics.heart_rate.cadence import find_locked_runs, mark_near_cadence
from tasks.metrics.heart_rate.compared import compare_heart_rates, get_series, name_comparison
from tasks.metrics.heart_rate.conditions import find_start_temperature
from tasks.metrics.heart_rate.lock import find_lock, mark_before_lock
from tasks.metrics.heart_rate.reference import HEART_RATE, get_reference_rate
from tasks.metrics.heart_rate.response import find_miss_span, find_missed, get_responses

if TYPE_CHECKING:
    from collections.abc import Callable

    from tasks.maths.arrays import BoolArray, IntArray
    from tasks.workout.case import Case

#: In the order in which they are tried; the first that fits is the cause.
CAUSES: Final = (
    (
        "cadence_lock",
        "cadence lock",
        "while it followed cadence, its half or its double, for longer than chance explains",
    ),
    ("before_lock", "before lock", "before the device locked"),
    ("doubtful_reference", "reference doubtful", "while a second reference disagreed"),
    ("after_pause", "after a pause", "within after_pause_s after a pause or a stop"),
    ("changing_effort", "changing effort", "during a rise or recovery and half a minute after it"),
    ("cold_start", "cold start", "in the first cold_start_s at less than cold_degc"),
    (
        "low_coverage",
        "low coverage",
        "where half of the values of the surrounding two minutes are missing",
    ),
    (
        "near_cadence",
        "near cadence",
        "while it was near cadence, its half or its double, perhaps by chance",
    ),
    ("unexplained", "unexplained", "for which the data show no cause"),
)
_PERCENT: Final = 100.0
_FOLLOW_S: Final = 30
_COVER_WINDOW_S: Final = 120
_COVER_SHARE: Final = 0.5
_STILL_MPS: Final = 0.3
_STOP_S: Final = 10
_NOTHING: Final = "heart rate is never beyond the limit in these seconds"

_OFF: Final = {
    "test": {HEART_RATE: [70] * 20 + [120] * 60 + [140] * 20},
    "reference": {HEART_RATE: [120, 121] * 50},
}
#: By hand: 20 s before the lock and 20 s for which nothing speaks.
_EXPECTED: Final = {"before_lock": 50.0, "unexplained": 50.0}


def _register(cause: str, title: str, when: str, place: int) -> None:
    """Register the share of one cause; all of them are one metric in eight parts."""

    def give_share(case: Case) -> Value:
        compared = compare_heart_rates(case)
        causes = attribute_seconds(case)[case.segment.mask]
        biased = causes >= 0
        if not biased.any():
            return compared.decline(_NOTHING)
        share = float(np.mean(causes[biased] == place))
        return Value(_PERCENT * share, n=int(biased.sum()), coverage=compared.coverage)

    give_share.__name__ = f"hr_why_{cause}_pct"
    give_share.__doc__ = f"Return the share of biased seconds {when} [%]."
    metric(
        "heart_rate",
        title=f"Errors: {title}",
        unit="%",
        definition=f"Share of the seconds with an error beyond biased_bpm {when}; each second "
        "has one cause, the first that fits, and a cause is a coincidence in time and no proof",
        formula="100 seconds of this cause / seconds with |e| > biased_bpm",
        better="none",
        version=2,
        source="own choice, no source",
        examples=(
            Example(
                _OFF, _EXPECTED.get(cause, 0.0), "by hand: 20 s before lock, 20 s without a cause"
            ),
            Example(
                {"test": {HEART_RATE: [120]}, "reference": {HEART_RATE: [120]}}, None, "no error"
            ),
        ),
        against="heart_rate",
        needs=(HEART_RATE,),
    )(give_share)


for _place, (_cause, _title, _when) in enumerate(CAUSES):
    _register(_cause, _title, _when, _place)


def attribute_seconds(case: Case) -> IntArray:
    """Return for each grid second the number of its cause in CAUSES, -1 where it is not off."""
    key = f"heart_rate:causes:{name_comparison(case)}"
    return case.once_per_workout(key, lambda: _attribute(case))


def _attribute(case: Case) -> IntArray:
    series = get_series(case)
    with np.errstate(invalid="ignore"):
        biased = np.abs(series.error) > case.settings.heart_rate.biased_bpm
    marks: dict[str, Callable[[Case], BoolArray]] = {
        "cadence_lock": _mark_cadence_lock,
        "before_lock": mark_before_lock,
        "doubtful_reference": _mark_doubtful,
        "after_pause": _mark_after_pause,
        "changing_effort": _mark_changes,
        "cold_start": _mark_cold_start,
        "low_coverage": _mark_low_coverage,
        "near_cadence": mark_near_cadence,
        "unexplained": lambda case: np.ones(case.segment.mask.size, dtype=np.bool_),
    }
    causes = np.full(biased.size, -1, dtype=np.int64)
    for place, (cause, _, _) in enumerate(CAUSES):
        causes[biased & (causes < 0) & marks[cause](case)] = place
    return causes


def _mark_doubtful(case: Case) -> BoolArray:
    rate = get_reference_rate(case)
    size = case.segment.mask.size
    return np.zeros(size, dtype=np.bool_) if rate is None else rate.doubtful


def _mark_cadence_lock(case: Case) -> BoolArray:
    return mark_runs(find_locked_runs(case), case.segment.mask.size)


def _mark_after_pause(case: Case) -> BoolArray:
    """Mark the time after pauses of the timer and after stops, where speed is known."""
    after = round(case.settings.heart_rate.after_pause_s)
    still = case.test.paused.copy()
    sides = [case.test, *case.others]
    speeds = [side.values("speed_mps") for side in sides if side.has("speed_mps")]
    if speeds:
        with np.errstate(invalid="ignore"):
            standing = speeds[0] < _STILL_MPS
        # Who never moves (a gym, a pool's edge) does not stop either.
        if standing.mean() < _COVER_SHARE:
            for run in find_runs(standing, shortest=_STOP_S):
                still[run.start : run.end] = True
    marked = np.zeros(still.size, dtype=np.bool_)
    for run in find_runs(still):
        if run.start > 0:
            marked[run.end : run.end + after] = True
    return marked


def _mark_changes(case: Case) -> BoolArray:
    responses = get_responses(case)
    marked = np.zeros(case.segment.mask.size, dtype=np.bool_)
    for each in (*responses.rises, *responses.falls):
        marked[each.rise.start : each.rise.end + _FOLLOW_S] = True
    for missed in find_missed(case):
        begin, end = find_miss_span(case, missed)
        marked[begin:end] = True
    return marked


def _mark_cold_start(case: Case) -> BoolArray:
    limits = case.settings.heart_rate
    begin, _ = find_lock(case)
    marked = np.zeros(case.segment.mask.size, dtype=np.bool_)
    temperature = find_start_temperature(case)
    if begin is not None and temperature is not None and temperature < limits.cold_degc:
        marked[begin : begin + round(limits.cold_start_s)] = True
    return marked


def _mark_low_coverage(case: Case) -> BoolArray:
    present = np.isfinite(get_series(case).test).astype(np.float64)
    marked: BoolArray = compute_running_mean(present, width=_COVER_WINDOW_S) < _COVER_SHARE
    return marked
