"""What a device holds of a workout while effects are laid on it, one after the other."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from tests.simulate.manifest import Entry
from tests.simulate.script import PoolLength, Workout

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Trace:
    """Samples at true instants [s], second by second; missing values are NaN.

    `kept` says which samples are written; `totals` hold what the device itself adds up.
    """

    time_s: Floats
    channels: Mapping[str, Floats]
    beats_s: Floats
    kept: NDArray[np.bool_]
    lengths: tuple[PoolLength, ...] = ()
    pauses: tuple[tuple[float, float], ...] = ()
    battery: tuple[tuple[float, int, int], ...] = ()
    totals: Mapping[str, float] = field(default_factory=dict)

    def with_channel(self, name: str, values: Floats) -> "Trace":
        """Return the trace with one channel put in place of the old one."""
        return replace(self, channels={**self.channels, name: values})

    def with_total(self, name: str, value: float) -> "Trace":
        """Return the trace with one total of the device's own."""
        return replace(self, totals={**self.totals, name: value})

    def between(self, start_s: float, end_s: float) -> NDArray[np.bool_]:
        """Say which samples lie in [start, end)."""
        return np.asarray((self.time_s >= start_s) & (self.time_s < end_s))


Changed = tuple[Trace, tuple[Entry, ...]]


class Effect(Protocol):
    """One named thing that a device does to the truth; its parameters are its fields."""

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        """Return the changed trace and what was put in."""
        ...


def draw_starts(
    count: int, length_s: float, span: tuple[float, float], rng: np.random.Generator
) -> list[float]:
    """Return starts of `count` stretches of one length that do not touch each other, in order.

    Where the span has no room for all of them, fewer are given.
    """
    start, end = span
    apart = 2.0 * length_s + 20.0
    room = end - start - length_s
    count = min(count, int(room // apart) + 1) if room > 0 else 0
    if count == 0:
        return []
    slack = room - apart * (count - 1)
    offsets = np.sort(rng.uniform(0.0, max(slack, 0.0), count))
    return [float(round(start + apart * number + offset)) for number, offset in enumerate(offsets)]
