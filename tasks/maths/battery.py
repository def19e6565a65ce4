"""How fast a battery empties, from levels that are only written in whole percent.

Every interval here is a worst case, not a spread: with a steady discharge the true rate lies
inside. A real discharge is not steady, so that a rate holds for the range of levels it was taken
over.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray

Method = Literal["changes", "ends", "notes"]

_HOUR_S: Final = 3600.0
_FULL_PCT: Final = 100.0
#: Both ends of a drop are read in whole percent: together they may be off by so much.
_READING_PCT: Final = 1.0


@dataclass(frozen=True, slots=True)
class Drain:
    """A rate [%/h] with its bounds, and the levels [%] that it was taken between.

    `high` is infinite where the data set no upper bound. `n_readings` are the levels that it
    rests on.
    """

    rate: float
    low: float
    high: float
    from_pct: float
    to_pct: float
    n_readings: int
    method: Method

    @property
    def hours_from_full(self) -> float:
        """Time from full to empty at this rate [h]; infinite where nothing was used."""
        return _project(self.rate)

    @property
    def hours_bounds(self) -> tuple[float, float]:
        """Lower and upper bound of that time [h]."""
        return _project(self.high), _project(self.low)


@dataclass(frozen=True, slots=True)
class Change:
    """A new lowest level: reached after `after_s` and not later than `until_s` [s]."""

    after_s: float
    until_s: float
    level_pct: float

    @property
    def middle_s(self) -> float:
        """The instant that is at most half the reading interval off."""
        return (self.after_s + self.until_s) / 2.0


def find_changes(seconds: FloatArray, level_pct: FloatArray) -> tuple[Change, ...]:
    """Return every new lowest level of ``(n,)`` readings in order of time.

    A level that flickers up again by a percent is no change.

    Parameters
    ----------
    seconds
        Times of the readings, shape ``(n,)``, rising [s].
    level_pct
        Levels, shape ``(n,)`` [%].

    Returns
    -------
    tuple of Change
        In order of time.
    """
    changes: list[Change] = []
    lowest = np.inf
    before_s = np.nan
    for at_s, level in zip(seconds.tolist(), level_pct.tolist(), strict=True):
        if level < lowest:
            if np.isfinite(lowest):
                changes.append(Change(before_s, at_s, level))
            lowest = level
        before_s = at_s
    return tuple(changes)


def was_charged(level_pct: FloatArray) -> bool:
    """Say whether levels rise by more than the flicker of one percent above what they fell to.

    Parameters
    ----------
    level_pct
        Levels in order of time, shape ``(n,)`` [%].

    Returns
    -------
    bool
        False for a level that only falls or flickers by one percent.
    """
    if not level_pct.size:
        return False
    return bool((level_pct - np.minimum.accumulate(level_pct)).max() > _READING_PCT)


def measure_from_changes(seconds: FloatArray, level_pct: FloatArray) -> Drain | None:
    """Return the rate from the first to the last change of level; None with fewer than two.

    At a change the true level is known to a small part of a percent, at any other reading only to a
    whole one. rate = (level after first change - level after last change) / time between the
    changes, each at the middle between the two readings that enclose it; the bounds take the
    farthest and the nearest instants.

    Parameters
    ----------
    seconds
        Times of the readings, shape ``(n,)``, rising [s].
    level_pct
        Levels, shape ``(n,)`` [%].

    Returns
    -------
    Drain or None
        Rate with bounds [%/h]; None with fewer than two changes.

    References
    ----------
    First-to-last change instead of endpoints, common practice, no source.
    """
    changes = find_changes(seconds, level_pct)
    if len(changes) < 2:  # noqa: PLR2004 - a rate has two ends
        return None
    first, last = changes[0], changes[-1]
    drop = first.level_pct - last.level_pct
    shortest_s = last.after_s - first.until_s
    return Drain(
        rate=drop / (last.middle_s - first.middle_s) * _HOUR_S,
        low=drop / (last.until_s - first.after_s) * _HOUR_S,
        high=drop / shortest_s * _HOUR_S if shortest_s > 0.0 else np.inf,
        from_pct=first.level_pct,
        to_pct=last.level_pct,
        n_readings=len(seconds),
        method="changes",
    )


def measure_from_ends(
    start_pct: float, end_pct: float, *, duration_s: float, method: Method, n_readings: int = 2
) -> Drain:
    """Return the rate from two whole-percent levels, with the bounds (drop - 1) and (drop + 1).

    Parameters
    ----------
    start_pct, end_pct
        Levels at the ends, whole percents [%].
    duration_s
        Time between them [s].
    method
        How the levels were found; kept in the result.
    n_readings
        Number of readings behind them.

    Returns
    -------
    Drain
        Rate with bounds [%/h].

    Raises
    ------
    ValueError
        For a duration that is not positive or a level that rises.
    """
    if duration_s <= 0.0:
        raise ValueError(f"the duration must be positive, found {duration_s} s")
    drop = start_pct - end_pct
    if drop < 0.0:
        raise ValueError(f"the level rises from {start_pct} to {end_pct} %")
    hours = duration_s / _HOUR_S
    return Drain(
        rate=drop / hours,
        low=max(drop - _READING_PCT, 0.0) / hours,
        high=(drop + _READING_PCT) / hours,
        from_pct=start_pct,
        to_pct=end_pct,
        n_readings=n_readings,
        method=method,
    )


def agree(first: Drain, second: Drain) -> bool:
    """Say whether one steady rate can lie inside the bounds of both.

    Parameters
    ----------
    first, second
        Two rates with their bounds.

    Returns
    -------
    bool
        True where the bounds overlap.
    """
    return max(first.low, second.low) <= min(first.high, second.high)


def narrow(best: Drain, *others: Drain) -> Drain:
    """Return `best` with bounds narrowed by what the others allow; contradictions narrow nothing.

    The rate is kept inside the narrowed bounds.

    Parameters
    ----------
    best
        The rate that is kept.
    others
        Rates whose bounds may narrow those of ``best``.

    Returns
    -------
    Drain
        ``best`` with bounds that hold its rate.
    """
    narrowed = best
    for other in others:
        if agree(narrowed, other):
            narrowed = replace(
                narrowed, low=max(narrowed.low, other.low), high=min(narrowed.high, other.high)
            )
    return replace(narrowed, rate=min(max(narrowed.rate, narrowed.low), narrowed.high))


def measure_shared_range(first: Drain, second: Drain) -> float:
    """Return how much of the narrower of two ranges of levels both used, from 0 to 1.

    A battery does not fall evenly from full to empty: rates over different ranges do not compare.

    Parameters
    ----------
    first, second
        Two rates with the levels that they were found between.

    Returns
    -------
    float
        Share of the narrower range, 0 to 1.
    """
    widths = (first.from_pct - first.to_pct, second.from_pct - second.to_pct)
    shared = min(first.from_pct, second.from_pct) - max(first.to_pct, second.to_pct)
    narrower = min(widths)
    if narrower <= 0.0:
        inside = shared >= 0.0
        return 1.0 if inside else 0.0
    return max(shared, 0.0) / narrower


def _project(rate: float) -> float:
    return _FULL_PCT / rate if rate > 0.0 else np.inf
