"""Times between fixes, and which of them are gaps."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.tables.arrow import read_floats, read_micros

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray
    from tasks.workout.case import Case
    from tasks.workout.tracks import Fixes

_MICROSECONDS: Final = 1e6
_USUAL_INTERVALS: Final = 3.0


def find_long_gaps(case: Case, fixes: Fixes) -> list[tuple[float, float]]:
    """Return begin and end of each gap: longer than what is bridged and three usual intervals.

    A device that always waits ten seconds has no gap each time.
    """
    starts, ends = list_intervals(case, fixes)
    lengths = ends - starts
    usual = float(np.median(lengths)) if lengths.size else 0.0
    longest = max(case.settings.align.max_gap_position_s, _USUAL_INTERVALS * usual)
    long = lengths > longest
    return list(zip(starts[long].tolist(), ends[long].tolist(), strict=True))


def list_intervals(case: Case, fixes: Fixes) -> tuple[FloatArray, FloatArray]:
    """Return starts and ends of the times between fixes of a piece, and of a lost end."""
    same = np.diff(fixes.piece) == 0
    starts, ends = fixes.seconds[:-1][same], fixes.seconds[1:][same]
    samples = case.test.recording.samples
    micros = read_micros(samples)
    if micros.size:
        last = float(micros[-1]) / _MICROSECONDS + case.test.alignment.offset_s
        last_piece = float(np.nan_to_num(read_floats(samples, "piece"))[-1])
        if last > fixes.seconds[-1] and last_piece == fixes.piece[-1]:
            starts, ends = np.append(starts, fixes.seconds[-1]), np.append(ends, last)
    return starts, ends
