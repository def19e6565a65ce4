"""Times as they are published of a workout part of which is hidden.

How long a track was hidden, times its speed, is the length of the way to a private place. So what
is hidden leaves no trace in the times: of a workout that was inside one, only the seconds in which
every track shows are published, each stretch a fixed time after what stands before it. Where at
least `START_S` are hidden at the start, heart rate of so many seconds is published, too: how many
that are does not depend on the way.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Span = tuple[float, float]

#: Heart rate at the start of a workout that began inside is published for so long [s].
START_S: Final = 120.0
#: What stands between two stretches, and before the first one where the start is hidden [s].
GAP_S: Final = 900.0
#: Over a whole workout: less that of what shows, each of them tells how much does not.
EXTENTS: Final = frozenset(
    {
        "ascent_error_m",
        "ascent_m",
        "ascent_own_error_m",
        "ascent_own_m",
        "battery_from_pct",
        "battery_to_pct",
        "descent_m",
        "descent_own_m",
        "distance_chord_loss_m",
        "distance_counter_m",
        "distance_error_m",
        "distance_own_m",
        "distance_summed_error_m",
        "distance_summed_m",
        "hr_effective_n",
        "hr_mean_bpm",
    }
)
#: Seconds from the start to something that can be seen in the series, too.
INSTANTS: Final = frozenset(
    {"hr_block_s", "hr_first_value_s", "hr_lock_s", "start_hr_gap_s", "track_first_fix_s"}
)
WITHHELD: Final = "withheld: with the track that shows it would tell the way to a private place"
#: Clocks of one workout's devices agree at least so well, where they were aligned [s].
CLOCKS_S: Final = 5.0


@dataclass(frozen=True)
class Stretch:
    """Seconds of a workout that are published, from `begin_s` to `end_s`, moved by `shift_s`."""

    begin_s: float
    end_s: float
    shift_s: float = 0.0
    has_motion: bool = True


@dataclass(frozen=True)
class PublishedClock:
    """Which seconds of a workout are published, and when: all of them where nothing is hidden."""

    stretches: tuple[Stretch, ...] | None = None
    #: Seconds that are hidden at the start; 0 where the start shows.
    lead_s: float = 0.0

    @property
    def is_moved(self) -> bool:
        """Whether anything of the workout is hidden."""
        return self.stretches is not None

    def move(self, seconds: Floats, *, motion: bool = False) -> Floats:
        """Return instants `(n,)` on the published clock, missing where they are not published.

        With `motion` those at the start, of which heart rate alone is published, are missing, too.
        """
        if self.stretches is None:
            return seconds
        moved = np.full(seconds.shape, np.nan)
        for one in self.stretches:
            if motion and not one.has_motion:
                continue
            within = (seconds >= one.begin_s) & (seconds <= one.end_s)
            moved[within] = seconds[within] + one.shift_s
        return moved

    def number(self, seconds: Floats) -> NDArray[np.int64]:
        """Return the stretch in which each instant lies, counted from 0; -1 in none."""
        found = np.full(seconds.shape, -1, dtype=np.int64)
        for at, one in enumerate(self.stretches or ()):
            found[(seconds >= one.begin_s) & (seconds <= one.end_s)] = at
        return found

    def number_published(self, seconds: Floats) -> NDArray[np.int64]:
        """Return the same for instants of the published clock."""
        begins = np.array([one.begin_s + one.shift_s for one in self.stretches or ()])
        return np.asarray(np.searchsorted(begins, seconds + 1e-6, side="right") - 1)

    def move_span(self, begin_s: float, end_s: float) -> Span | None:
        """Return where a span lies on the published clock; None if it is not in one stretch.

        A span that reaches beyond what shows would tell where in the workout the stretch lies.
        """
        if self.stretches is None:
            return begin_s, end_s
        for one in self.stretches:
            if one.begin_s <= begin_s and end_s <= one.end_s:
                return begin_s + one.shift_s, end_s + one.shift_s
        return None

    def cover(self, begin_s: float, end_s: float) -> Span | None:
        """Return the first and last published instant of what was recorded in a span, if any."""
        if self.stretches is None:
            return begin_s, end_s
        shown = [
            (max(begin_s, one.begin_s) + one.shift_s, min(end_s, one.end_s) + one.shift_s)
            for one in self.stretches
            if one.begin_s <= end_s and begin_s <= one.end_s
        ]
        return (shown[0][0], shown[-1][1]) if shown else None

    def withholds(self, metric: str, value: float | None) -> bool:
        """Say whether a result of the workout is withheld.

        An instant that lies where the track shows would tell how long the start was hidden.
        """
        if self.stretches is None:
            return False
        is_late = value is not None and self.lead_s > 0 and value >= self.lead_s - CLOCKS_S
        return metric in EXTENTS or (metric in INSTANTS and is_late)


def draw_clock(begin_s: float, end_s: float, spans: Sequence[Span]) -> PublishedClock:
    """Return the clock of a workout from `begin_s` to `end_s`, parts of which are hidden.

    `spans` are when any of its tracks was hidden, as from `private_places.find_spans`.
    """
    if not spans:
        return PublishedClock()
    shown: list[Span] = []
    at = begin_s
    for first, last in sorted(spans):
        if first - CLOCKS_S > at:
            shown.append((at, first - CLOCKS_S))
        at = max(at, last + CLOCKS_S)
    if at < end_s:
        shown.append((at, end_s))
    lead_s = (shown[0][0] if shown else end_s) - begin_s
    stretches: list[Stretch] = []
    following = begin_s if lead_s <= 0 else begin_s + GAP_S
    if lead_s >= START_S:
        stretches.append(Stretch(begin_s, begin_s + START_S, has_motion=False))
    for first, last in shown:
        # Whole seconds stay whole seconds.
        shift_s = float(round(following - first))
        stretches.append(Stretch(first, last, shift_s))
        following = last + shift_s + GAP_S
    return PublishedClock(tuple(stretches), max(lead_s, 0.0))


def count_shown_m(distance_m: Floats, stretch: NDArray[np.int64]) -> Floats:
    """Return a distance counter `(n,)` that counts only what is published, by stretch."""
    counted = distance_m.copy()
    at = np.flatnonzero(np.isfinite(counted))
    if at.size:
        steps = np.where(np.diff(stretch[at]) == 0, np.diff(counted[at]), 0.0)
        counted[at] = np.concatenate([[0.0], np.cumsum(steps)])
    return counted
