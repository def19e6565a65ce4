"""Pool lengths of one recording on the workout's clock."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.tables.arrow import read_floats, read_seconds

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tasks.workout.case import Subject

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Booleans = NDArray[np.bool_]

_IDLE: Final = "idle"


@dataclass(frozen=True)
class SwimLengths:
    """Lengths that were swum, in order of time, without the rests; arrays have `(n_lengths,)`.

    `start_s` and `end_s` are seconds since 1970-01-01T00:00:00Z; `strokes` is NaN where the device
    counted none; `pool_m` is what the device was set to.
    """

    start_s: Floats
    end_s: Floats
    stroke: tuple[str | None, ...]
    strokes: Floats
    pool_m: float | None

    @property
    def n(self) -> int:
        """How many lengths."""
        return len(self.start_s)

    @property
    def duration_s(self) -> Floats:
        """How long each took [s]."""
        return self.end_s - self.start_s

    @property
    def middle_s(self) -> Floats:
        """The instants in their middle."""
        return (self.start_s + self.end_s) / 2.0

    def select(self, mask: Booleans) -> SwimLengths:
        """Return the lengths that `mask` marks."""
        return SwimLengths(
            self.start_s[mask],
            self.end_s[mask],
            tuple(word for word, kept in zip(self.stroke, mask, strict=True) if kept),
            self.strokes[mask],
            self.pool_m,
        )

    def number_stretches(self, rest_s: float) -> Integers:
        """Return each length the number of its stretch without a rest of at least `rest_s`."""
        if not self.n:
            return np.zeros(0, dtype=np.int64)
        breaks = self.find_waits() >= rest_s
        return np.concatenate([[0], np.cumsum(breaks)]).astype(np.int64)

    def find_waits(self) -> Floats:
        """Return the time at the wall between each two lengths [s], shape (n_lengths - 1,)."""
        return np.maximum(self.start_s[1:] - self.end_s[:-1], 0.0)


def list_swim_lengths(subject: Subject) -> SwimLengths:
    """Return the lengths of a recording that have a start and an end; rests are left out."""
    table = subject.recording.lengths
    kind = table.column("length_kind").to_pylist()
    start_s = read_seconds(table, "start_utc") + subject.alignment.offset_s
    end_s = read_seconds(table, "end_utc") + subject.alignment.offset_s
    known = np.isfinite(start_s) & np.isfinite(end_s)
    known &= np.array([word != _IDLE for word in kind], dtype=np.bool_)
    order = np.flatnonzero(known)
    order = order[np.argsort(start_s[order], kind="stable")]
    stroke = table.column("swim_stroke").to_pylist()
    return SwimLengths(
        start_s[order],
        end_s[order],
        tuple(stroke[number] for number in order.tolist()),
        read_floats(table, "strokes")[order],
        subject.recording.header.pool_length_m,
    )


def has_lengths(subject: Subject) -> bool:
    """Say whether a recording holds a length that was swum."""
    return bool(subject.recording.lengths.num_rows) and list_swim_lengths(subject).n > 0
