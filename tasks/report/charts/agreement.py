"""Difference against mean, with the limits of agreement and their intervals."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.registers import chart
from tasks.core.wording import write_number
from tasks.report.charts.clouds import layer_cloud, tabulate_cloud
from tasks.report.drawing import Drawing
from tasks.report.summary import name_reference

if TYPE_CHECKING:
    from tasks.report.facts import PairSeries, Result, WorkoutData

_LINES: Final = (
    ("hr_loa_high_bpm", "upper limit"),
    ("hr_bias_bpm", "mean"),
    ("hr_loa_low_bpm", "lower limit"),
)
#: Height of a line of words as a share of the plot's, and their width as a share of the points'.
_LINE_HEIGHT: Final = 0.11
_WORDS: Final = 0.75
_TICKS_BPM: Final = (5.0, 10.0, 20.0, 50.0)
_MOST_TICKS: Final = 7


@chart("workout", section="agreement")
def draw_agreement(data: WorkoutData) -> tuple[Drawing, ...]:
    """Draw, for each device, the difference against the mean of both, second by second.

    Seconds of the same whole numbers are one point whose size says how many they are.
    """
    drawings = []
    for recording_id, pair in data.pairs.items():
        if not pair.is_scored.any():
            continue
        lines = [
            (result, words)
            for metric, words in _LINES
            if (result := data.find(recording_id, metric)) is not None and result.value is not None
        ]
        drawings.append(_draw(data, recording_id, pair, lines))
    return tuple(drawings)


def _draw(
    data: WorkoutData, recording_id: str, pair: PairSeries, lines: list[tuple[Result, str]]
) -> Drawing:
    device = data.recording(recording_id).device
    other = "reference" if data.has_reference else name_reference(data, pair.reference)
    known = pair.is_scored
    difference = np.round(pair.test_bpm[known] - pair.reference_bpm[known])
    mean = np.round((pair.test_bpm[known] + pair.reference_bpm[known]) / 2)
    limits = _tabulate_lines(lines)
    values = [*difference.tolist(), *limits["low"], *limits["high"]]
    # Zero, where both agree, is always in sight.
    span = (min(0.0, *values), max(0.0, *values)) if values else (0.0, 1.0)
    has_interval = any(line.ci_low is not None for line, _ in lines)
    intervals = " Grey: 95 % interval of the mean." if has_interval else ""
    limits["at"] = spread_words(limits["value"], apart=_LINE_HEIGHT * (span[1] - span[0]))
    left, right = float(np.min(mean)), float(np.max(mean))
    vertical = {
        "type": "quantitative",
        "scale": {"domain": list(span), "nice": True, "zero": False},
        "axis": {"title": f"test minus {other} (bpm)", "tickCount": 6},
    }
    return Drawing(
        name=f"agreement--{device.device_id}",
        title=f"{device.label}: difference against mean",
        alternative=_describe(device.label, other, lines),
        spec={
            "height": 0.62,
            "layer": [
                {
                    "data": {"name": "limits"},
                    "mark": {"type": "rect", "opacity": 0.2, "style": "quiet"},
                    "encoding": {"y": {"field": "low", **vertical}, "y2": {"field": "high"}},
                },
                layer_cloud(
                    device,
                    x={
                        "field": "mean",
                        "type": "quantitative",
                        # Room at the right for the words, where no point lies.
                        "scale": {
                            "zero": False,
                            "nice": False,
                            "domain": [left - 2, right + 2 + _WORDS * (right - left + 4)],
                        },
                        "axis": {
                            "title": "mean of both (bpm)",
                            # No ticks where only words stand.
                            "values": list_ticks(left, right),
                        },
                    },
                    y={"field": "difference", **vertical},
                ),
                {
                    "data": {"name": "limits"},
                    "mark": {"type": "rule", "strokeWidth": 1.5, "strokeDash": [6, 3]},
                    "encoding": {"y": {"field": "value", **vertical}},
                },
                {
                    "data": {"name": "limits"},
                    "mark": {"type": "text", "align": "right", "dy": -7, "dx": -4, "x": "width"},
                    "encoding": {
                        "y": {"field": "at", **vertical},
                        "text": {"field": "words", "type": "nominal"},
                    },
                },
            ],
        },
        tables={
            "points": tabulate_cloud(device, mean=mean, difference=difference),
            "limits": limits,
        },
        devices=(device,),
        note=f"Larger points: more seconds.{intervals}",
    )


def list_ticks(left: float, right: float) -> list[float]:
    """Return round heart rates from `left` to `right` [bpm], at most seven."""
    step = next((one for one in _TICKS_BPM if (right - left) / one <= _MOST_TICKS), _TICKS_BPM[-1])
    ticks: list[float] = np.arange(np.ceil(left / step) * step, right + 0.5, step).tolist()
    return ticks


def _tabulate_lines(lines: list[tuple[Result, str]]) -> dict[str, list[Any]]:
    """Return the lines with their intervals and their words, from top to bottom."""
    table: dict[str, list[Any]] = {"value": [], "low": [], "high": [], "words": []}
    for result, words in lines:
        value = result.value
        table["value"].append(value)
        table["low"].append(value if result.ci_low is None else result.ci_low)
        table["high"].append(value if result.ci_high is None else result.ci_high)
        table["words"].append(f"{words} {write_number(value, 'bpm', units='metric', signed=True)}")
    return table


def spread_words(values: list[float], *, apart: float) -> list[float]:
    """Return heights for the labels of lines from top to bottom, at least `apart` from each other.

    The middle one stays where it is.
    """
    places = list(values)
    middle = len(places) // 2
    for number in range(middle - 1, -1, -1):
        places[number] = max(places[number], places[number + 1] + apart)
    for number in range(middle + 1, len(places)):
        places[number] = min(places[number], places[number - 1] - apart)
    return places


def _describe(label: str, other: str, lines: list[tuple[Result, str]]) -> str:
    said = [
        f"{words} {write_number(result.value, 'bpm', units='metric', signed=True)} bpm"
        for result, words in lines
    ]
    whom = "its reference" if other == "reference" else other
    limits = ", ".join(said) or "no limits could be computed"
    return f"Difference of {label} from {whom} against the mean of both: {limits}."
