"""Distance counters that count time and no distance."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tasks.maths.scatter import MAD_TO_SD

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray

#: Shortest time [s] and fewest samples that show a proportion, and the slowest rise [m/s].
_LEAST_S = 300.0
_FEWEST = 60
_LEAST_MPS = 0.2
#: Seconds of a minute, and fewest minutes that tell a pace.
_MINUTE_S = 60
_FEWEST_MINUTES = 5
#: What is left over where counter and times are written exactly [m].
_LEAST_ROOM_M = 0.02


def is_proportional(seconds: FloatArray, counter_m: FloatArray) -> bool:
    """Say whether a counter is a straight line of time, to the last written digit.

    Nobody moves so evenly over ground: there such a counter was made of the time and a set or
    mean speed, and measures nothing. A belt does run so.

    Parameters
    ----------
    seconds, counter_m
        Shape ``(n,)``; NaN is left out.

    Returns
    -------
    bool
        True where every value lies within one unit of its last written digit (at least 0.02 m) of
        the line through the first and the last one, over at least five minutes. Common practice,
        no source.
    """
    known = np.isfinite(seconds) & np.isfinite(counter_m)
    at, counter = seconds[known], counter_m[known]
    if at.size < _FEWEST or at[-1] - at[0] < _LEAST_S:
        return False
    speed = (counter[-1] - counter[0]) / (at[-1] - at[0])
    if speed < _LEAST_MPS:
        return False
    away = counter - (counter[0] + speed * (at - at[0]))
    digits = next((n for n in range(4) if np.allclose(counter, np.round(counter, n), atol=1e-9)), 4)
    # Half a digit for each value, and as much again for the two ends of the line.
    room = max(_LEAST_ROOM_M, 1.01 * 10.0**-digits)
    return bool(np.abs(away).max() <= room)


def measure_unevenness(way_m: FloatArray) -> float:
    """Return how much the way of a minute varies, in its median, from minute to minute.

    Parameters
    ----------
    way_m
        Running way, one value per second, shape ``(n,)``; NaN where it is missing.

    Returns
    -------
    float
        1.4826 times the median absolute deviation of the ways of whole minutes, over their
        median; 0 with fewer than five minutes, or where most of them hold no way. Common practice,
        no source.
    """
    ends = way_m[::_MINUTE_S]
    ways = np.diff(ends)
    ways = ways[np.isfinite(ways)]
    if ways.size < _FEWEST_MINUTES or float(np.median(ways)) <= _LEAST_MPS * _MINUTE_S:
        return 0.0
    middle = float(np.median(ways))
    return MAD_TO_SD * float(np.median(np.abs(ways - middle))) / middle
