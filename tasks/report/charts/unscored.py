"""Seconds of heart rate that are not scored: hatched on the chart, counted in words."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.maths.runs import find_run_edges
from tasks.report.drawing import encode_time

if TYPE_CHECKING:
    from tasks.report.facts import WorkoutData

#: A line with a hole shows by itself that its device has no value.
_SHOWN_BY_THE_LINE: Final = frozenset({None, "the device has no value"})
#: Lines of the hatching over a whole workout; a short stretch has one at each end.
_LINES: Final = 240


def tabulate_unscored(data: WorkoutData) -> dict[str, dict[str, list[Any]]]:
    """Return the stretches in which a comparison does not count, and the lines that hatch them."""
    spans: dict[str, list[Any]] = {"s": [], "until": []}
    lines: dict[str, list[Any]] = {"s": []}
    step = max((data.facts.end_s - data.facts.start_s) / _LINES, 1.0)
    for start, end in _find_stretches(data):
        spans["s"].append(start)
        spans["until"].append(end)
        lines["s"] += [*np.round(np.arange(start, end, step), 1).tolist(), end]
    return {"unscored": spans, "hatching": lines}


def _find_stretches(data: WorkoutData) -> list[tuple[float, float]]:
    length = round(data.facts.end_s - data.facts.start_s) + 2
    left_out = np.zeros(length, dtype=np.bool_)
    for pair in data.pairs.values():
        hidden = np.array([one not in _SHOWN_BY_THE_LINE for one in pair.because], dtype=np.bool_)
        at = np.round(pair.seconds).astype(np.int64)
        hidden &= (at >= 0) & (at < length)
        left_out[at[hidden]] = True
    starts, ends = find_run_edges(left_out)
    return [(float(start), float(end)) for start, end in zip(starts, ends, strict=True)]


def draw_unscored(data: WorkoutData, *, titled: bool = True) -> list[dict[str, Any]]:
    """Return the layers that hatch the seconds that are not scored."""
    x = encode_time(data, titled=titled)
    return [
        {
            "data": {"name": "unscored"},
            "mark": {"type": "rect", "opacity": 0.1, "style": "quiet"},
            "encoding": {"x": x, "x2": {"field": "until"}},
        },
        {
            "data": {"name": "hatching"},
            "mark": {"type": "rule", "opacity": 0.45, "strokeWidth": 1, "strokeDash": [3, 3]},
            "encoding": {"x": x},
        },
    ]


def describe_unscored(data: WorkoutData) -> str:
    """Return how many seconds are not scored, by device and reason; empty where all count."""
    said = []
    for recording_id, pair in data.pairs.items():
        counted = Counter(one for one in pair.because if one is not None)
        if counted:
            label = data.recording(recording_id).device.label
            reasons = ", ".join(f"{why} {n} s" for why, n in counted.most_common())
            said.append(f"{label}: {reasons}")
    return "not scored; " + "; ".join(said) if said else ""
