"""A stretch of a workout: the same facts, cut to a time and moved to begin at zero."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from tasks.report.facts import PairSeries, Series

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from tasks.report.facts import WorkoutData


def cut_stretch(data: WorkoutData, begin_s: float, end_s: float) -> WorkoutData:
    """Return `data` between two instants [s since 1970]; numbers stay those of the whole workout.

    Raises ValueError for a stretch outside the workout.
    """
    begin_s, end_s = max(begin_s, data.facts.start_s), min(end_s, data.facts.end_s)
    if begin_s >= end_s:
        raise ValueError("the stretch lies outside the workout, or ends before it begins")
    shift = begin_s - data.facts.start_s
    lasts = end_s - begin_s
    return replace(
        data,
        facts=replace(data.facts, start_s=begin_s, end_s=end_s),
        series={key: _cut_series(one, shift, lasts) for key, one in data.series.items()},
        battery={key: _cut_series(one, shift, lasts) for key, one in data.battery.items()},
        pairs={key: _cut_pairs(one, shift, lasts) for key, one in data.pairs.items()},
        findings=tuple(one for one in data.findings if one.end_s > begin_s and one.start_s < end_s),
        parts=tuple(one for one in data.parts if one.end_s > begin_s and one.start_s < end_s),
        lengths={
            key: tuple(one for one in lengths if begin_s <= one.start_s < end_s)
            for key, lengths in data.lengths.items()
        },
    )


def _find(seconds: NDArray[np.float64], shift: float, lasts: float) -> NDArray[np.bool_]:
    return (seconds >= shift) & (seconds <= shift + lasts)


def _cut_series(series: Series, shift: float, lasts: float) -> Series:
    kept = _find(series.seconds, shift, lasts)
    return Series(
        series.seconds[kept] - shift,
        {name: values[kept] for name, values in series.channels.items()},
    )


def _cut_pairs(pairs: PairSeries, shift: float, lasts: float) -> PairSeries:
    kept = _find(pairs.seconds, shift, lasts)
    return PairSeries(
        pairs.reference,
        pairs.seconds[kept] - shift,
        pairs.test_bpm[kept],
        pairs.reference_bpm[kept],
        pairs.because[kept],
    )
