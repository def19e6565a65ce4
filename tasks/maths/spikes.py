"""Short excursions of a series from its own running median."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tasks.maths.hampel import find_hampel_outliers
from tasks.maths.runs import Run, find_runs

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray

HALF_WINDOW_S = 30
_BRIDGE_S = 1
_STEEP = 0.5  # share of the excursion that its edges must make within a few seconds
_EDGE_S = 3
_LOOK_S = 60


@dataclass(frozen=True, slots=True)
class Spike:
    """Where it is and how far it goes, signed."""

    run: Run
    size: float


def find_spikes(
    values: FloatArray, *, size: float, floor: float, shorter_than: float
) -> tuple[Spike, ...]:
    """Find excursions of `(n_seconds,)` of at least ``size`` that last less than a time.

    Outliers are the seconds beyond max(``floor``, 3 sigma) of the running median over 61 s; a spike
    is a run of them whose largest deviation reaches ``size`` and which both begins and ends
    steeply: at least half of it across 3 s on either side of its ends, so that the shoulder of a
    fast rise is none.

    Parameters
    ----------
    values
        Series on a 1 s grid, shape ``(n_seconds,)``, NaN where missing.
    size
        Least size of a spike, in the unit of the values.
    floor
        Least distance of an outlier from the running median, in that unit.
    shorter_than
        Longer excursions are none [s].

    Returns
    -------
    tuple of Spike
        In order of time, each with the median deviation of its upper half.

    References
    ----------
    Hampel 1974, JASA 69:383; limits of length and steepness: own choice.
    """
    found = find_hampel_outliers(values, half_window=HALF_WINDOW_S, floor=floor)
    deviations = values - found.medians
    spikes = []
    for run in find_runs(found.is_outlier, bridge=_BRIDGE_S):
        inside = deviations[run.start : run.end]
        peak = inside[int(np.nanargmax(np.abs(inside)))]
        if run.length >= shorter_than or abs(peak) < size:
            continue
        upper = inside[np.sign(peak) * inside >= abs(peak) / 2]
        if _is_steep(values, run, float(peak)):
            spikes.append(Spike(run, float(np.median(upper))))
    return tuple(spikes)


def _is_steep(values: FloatArray, run: Run, peak: float) -> bool:
    """Say whether the series jumps by half the peak across both ends of the run.

    Across a gap the next values count; only the border of the series speaks for neither.
    """
    sign = np.sign(peak)
    before = values[max(run.start - _LOOK_S, 0) : run.start]
    after = values[run.end : run.end + _LOOK_S]
    before = before[np.isfinite(before)][-_EDGE_S:]
    after = after[np.isfinite(after)][:_EDGE_S]
    inside = sign * values[run.start : run.end]
    first, last = np.nanmax(inside[:_EDGE_S]), np.nanmax(inside[-_EDGE_S:])
    jumps = [
        float(level - (sign * side).min())
        for level, side in ((first, before), (last, after))
        if side.size
    ]
    return all(jump >= _STEEP * abs(peak) for jump in jumps)
