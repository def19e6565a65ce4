"""Paired dots: a row for each workout, the device under test beside the one it is compared with.

Filled dot: the device; ring: the other; a line between them; a grey bar: the margin about the
other, inside which a difference does not matter; a grey tick: a further device. A device that
failed has no mark. Rows stand in order of time, grouped by place where both kinds have enough
workouts; the group's medians are dotted. Sizes of errors, always from zero.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from html import escape
from typing import TYPE_CHECKING, Final

from tasks.answers.facts import find_pair_levels, list_by_surroundings
from tasks.core.wording import write_day

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from tasks.answers.facts import DeviceFacts, Facts, Metric, Pair
    from tasks.answers.phrases import Phrase
    from tasks.answers.sentence import Pen
    from tasks.report.looks import Theme

WIDTH_PX: Final = 368
_LEFT_PX: Final = 150
_RIGHT_PX: Final = 318
_ROW_PX: Final = 18
_HEAD_PX: Final = 26
_FOOT_PX: Final = 24
_FEWEST_IN_GROUP: Final = 3
#: More rows are no picture any more; the newest are drawn.
MOST_ROWS: Final = 24
_STEPS: Final = (1.0, 2.0, 2.5, 5.0, 10.0)
_MOST_TICKS: Final = 5

_SOURCE: Final = "Source: coworn; exports of devices worn together."
#: The colours of the style sheet, for figures that stand alone.
_COLOURS: Final[Mapping[Theme, Mapping[str, str]]] = {
    "light": {
        "paper": "#fdfcf8",
        "ink": "#1d2326",
        "soft": "#525c61",
        "line": "#d9d8cf",
        "within": "#e6e3da",
        "other": "#7c8188",
        "test": "#ad3a09",
        "before": "#2b77a9",
    },
    "dark": {
        "paper": "#14191c",
        "ink": "#eef1ee",
        "soft": "#aab4b4",
        "line": "#343d41",
        "within": "#2a3036",
        "other": "#8b9199",
        "test": "#ff9f6e",
        "before": "#5fa8d8",
    },
}


@dataclass(frozen=True)
class PairedChart:
    """A chart and what it shows; `svg` needs the page's style sheet."""

    name: str
    title: str
    subtitle: str
    svg: str
    alternative: str
    height: int
    more: int = 0


@dataclass
class _Scale:
    """Where a value lies."""

    high: float
    ticks: tuple[float, ...] = field(default=())

    def place(self, value: float) -> float:
        share = min(1.0, max(0.0, value / self.high)) if self.high else 0.0
        return _LEFT_PX + share * (_RIGHT_PX - _LEFT_PX)


def draw_pairs(
    facts: Facts,
    device: DeviceFacts,
    other: DeviceFacts,
    phrase: Phrase,
    *,
    pen: Pen,
    third: DeviceFacts | None = None,
) -> PairedChart | None:
    """Return the chart of one metric, None where fewer than two workouts compare the two."""
    metric = facts.metrics.get(phrase.metric)
    every = facts.find_pairs(device.device_id, other.device_id, phrase.metric, phrase.segment)
    if metric is None or len(every) < 2:  # noqa: PLR2004 - one pair is a sentence, not a chart
        return None
    pairs = every[-MOST_ROWS:]
    margin = facts.margins.get(phrase.metric, 0.0)
    ticks = {} if third is None else _find_ticks(facts, device, third, phrase)
    values = [one for pair in pairs for one in (pair.own, pair.other) if math.isfinite(one)]
    scale = _make_scale(max(*values, *ticks.values(), margin, 1e-9, 0.0), metric, pen)
    body = "".join(_draw_groups(pairs, scale, metric, pen=pen, margin=margin, ticks=ticks))
    height = _HEAD_PX + _measure(pairs) + _FOOT_PX
    words = _describe(pairs, device, other, metric, pen)
    title = _name(phrase, metric)
    svg = (
        f'<svg class="paired" viewBox="0 0 {WIDTH_PX} {height}" role="img" '
        f'aria-label="{escape(words, quote=True)}">{_draw_axis(scale, metric, pen, height)}{body}'
        "</svg>"
    )
    unit = pen.unit(metric).strip() or metric.unit
    return PairedChart(phrase.metric, title, unit, svg, words, height, len(every) - len(pairs))


def frame_pairs(
    chart: PairedChart,
    names: tuple[str, str, str | None],
    *,
    size_px: tuple[int, int],
    theme: Theme,
) -> str:
    """Return a chart as a figure of its own, of that size [px]: title, legend, source, colours.

    `names` are those of the device, of the other one and of a further device.
    """
    room, foot = 74, 30
    wide, high = WIDTH_PX + 40, chart.height + room + foot
    zoom = max(wide / size_px[0], high / size_px[1])
    left = (wide - size_px[0] * zoom) / 2
    top = (high - size_px[1] * zoom) / 2
    box = f"{left:.2f} {top:.2f} {size_px[0] * zoom:.2f} {size_px[1] * zoom:.2f}"
    own, other, third = (None if one is None else escape(one) for one in names)
    legend = (
        f'<circle class="dot" cx="24" cy="56" r="4.2"/><text x="33" y="60">{own}</text>'
        f'<circle class="ring" cx="154" cy="56" r="4"/><text x="163" y="60">{other}</text>'
    )
    if third is not None:
        legend += (
            '<line class="tick" x1="284" x2="284" y1="51" y2="61"/>'
            f'<text x="291" y="60">{third}</text>'
        )
    inner = chart.svg[chart.svg.index(">") + 1 :].removesuffix("</svg>")
    style = "".join(f".{name}{{{rule}}}" for name, rule in _rule(theme).items())
    paper = _COLOURS[theme]["paper"]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{size_px[0]}" height="{size_px[1]}" '
        f'viewBox="{box}" role="img">'
        f"<style>text{{font:12px Helvetica,Arial,'DejaVu Sans',sans-serif;"
        f"fill:{_COLOURS[theme]['ink']}}}{style}</style>"
        f'<rect x="{left:.2f}" y="{top:.2f}" width="{size_px[0] * zoom:.2f}" '
        f'height="{size_px[1] * zoom:.2f}" fill="{paper}"/>'
        f'<text class="heading" x="20" y="26">{escape(chart.title)}</text>'
        f'<text class="axis" x="20" y="42">{escape(chart.subtitle)}</text>{legend}'
        f'<g transform="translate(20 {room})">{inner}</g>'
        f'<text class="axis" x="20" y="{room + chart.height + 18}">{_SOURCE}</text></svg>'
    )


def _rule(theme: Theme) -> dict[str, str]:
    """Return the look of each part, as the pages' style sheet has it."""
    one = _COLOURS[theme]
    return {
        "heading": "font-size:17px;font-weight:bold",
        "day,.axis": f"font-size:11px;fill:{one['soft']}",
        "group,.value": "font-weight:bold",
        "grid": f"stroke:{one['line']}",
        "margin": f"fill:{one['within']}",
        "link": f"stroke:{one['other']};stroke-width:1.5",
        "tick": f"stroke:{one['other']};stroke-width:2",
        "dot": f"fill:{one['test']}",
        "ring": f"fill:{one['paper']};stroke:{one['before']};stroke-width:2",
        "median": "stroke-width:1.2;stroke-dasharray:1.5 3",
        "median.test": f"stroke:{one['test']}",
        "median.before": f"stroke:{one['before']}",
        "value.test": f"fill:{one['test']}",
        "value.before": f"fill:{one['before']}",
    }


def _name(phrase: Phrase, metric: Metric) -> str:
    return f"{metric.title}, once locked" if phrase.segment == "after_lock" else metric.title


def _find_ticks(
    facts: Facts, device: DeviceFacts, third: DeviceFacts, phrase: Phrase
) -> dict[str, float]:
    pairs = facts.find_pairs(device.device_id, third.device_id, phrase.metric, phrase.segment)
    return {one.workout.workout_id: one.other for one in pairs if not one.failed_other}


def _make_scale(high: float, metric: Metric, pen: Pen) -> _Scale:
    """Return a scale from zero whose ticks are round in the unit that is shown."""
    factor = pen.factor(metric)
    shown = high * factor
    rough = shown / _MOST_TICKS
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(one * power for one in _STEPS if one * power >= rough)
    n = math.ceil(shown / step - 1e-9)
    return _Scale(n * step / factor, tuple(number * step / factor for number in range(n + 1)))


def _group(pairs: Sequence[Pair]) -> list[tuple[str, list[Pair]]]:
    groups = list(list_by_surroundings(pairs))
    is_whole = sum(len(there) for _, there in groups) == len(pairs)
    if len(groups) > 1 and is_whole and min(len(there) for _, there in groups) >= _FEWEST_IN_GROUP:
        return groups
    return [("", list(pairs))]


def _measure(pairs: Sequence[Pair]) -> int:
    groups = _group(pairs)
    return sum(len(there) * _ROW_PX + (_HEAD_PX if name else 0) for name, there in groups)


def _draw_groups(
    pairs: Sequence[Pair],
    scale: _Scale,
    metric: Metric,
    *,
    pen: Pen,
    margin: float,
    ticks: Mapping[str, float],
) -> Iterator[str]:
    top = _HEAD_PX
    for name, there in _group(pairs):
        if name:
            yield f'<text class="group" x="0" y="{top + 16}">{name.capitalize()}</text>'
            yield from _draw_medians(there, scale, metric, pen, top)
            top += _HEAD_PX
        elif len(there) >= _FEWEST_IN_GROUP:
            yield from _draw_medians(there, scale, metric, pen, top - _HEAD_PX)
        for one in there:
            yield _draw_row(
                one, scale, metric, pen=pen, top=top, margin=margin,
                tick=ticks.get(one.workout.workout_id),
            )  # fmt: skip
            top += _ROW_PX


def _draw_medians(
    pairs: Sequence[Pair], scale: _Scale, metric: Metric, pen: Pen, top: int
) -> Iterator[str]:
    """Draw dotted lines at the medians of a group, their values above, kept apart."""
    own, other = find_pair_levels(pairs, metric)
    bottom = top + _HEAD_PX + len(pairs) * _ROW_PX
    places = {
        role: scale.place(value)
        for role, value in (("test", own), ("before", other))
        if value is not None
    }
    both = len(places) > 1
    close = both and abs(places["test"] - places["before"]) < 30  # noqa: PLR2004 - width of a number
    for role, value in (("test", own), ("before", other)):
        if value is None:
            continue
        x = places[role]
        anchor = "middle"
        if close:
            anchor = "end" if x == min(places.values()) and own != other else "start"
            if own == other:
                anchor = "end" if role == "test" else "start"
        shift = {"end": -2, "start": 2, "middle": 0}[anchor]
        yield (
            f'<line class="median {role}" x1="{x:.1f}" x2="{x:.1f}" y1="{top + 20}" y2="{bottom}"/>'
            f'<text class="value {role}" text-anchor="{anchor}" x="{x + shift:.1f}" '
            f'y="{top + 16}">{pen.number(value, metric)}</text>'
        )


def _draw_row(
    one: Pair,
    scale: _Scale,
    metric: Metric,
    *,
    pen: Pen,
    top: int,
    margin: float,
    tick: float | None,
) -> str:
    y = top + _ROW_PX / 2
    activity = one.workout.activity.replace("-", " ")
    parts = [
        f'<text class="day" x="0" y="{y + 4:.1f}">{write_day(one.workout.local_s)}</text>',
        f'<text class="activity" x="44" y="{y + 4:.1f}">{escape(activity)}</text>',
    ]
    if margin and not one.failed_other:
        low, high = scale.place(max(0.0, one.other - margin)), scale.place(one.other + margin)
        parts.append(
            f'<rect class="margin" x="{low:.1f}" y="{y - 6:.1f}" width="{high - low:.1f}" '
            'height="12"/>'
        )
    if tick is not None:
        x = scale.place(tick)
        parts.append(
            f'<line class="tick" x1="{x:.1f}" x2="{x:.1f}" y1="{y - 5:.1f}" y2="{y + 5:.1f}"/>'
        )
    if not one.failed_own and not one.failed_other:
        parts.append(
            f'<line class="link" x1="{scale.place(one.other):.1f}" '
            f'x2="{scale.place(one.own):.1f}" y1="{y:.1f}" y2="{y:.1f}"/>'
        )
    if not one.failed_other:
        parts.append(f'<circle class="ring" cx="{scale.place(one.other):.1f}" cy="{y:.1f}" r="4"/>')
    if not one.failed_own:
        parts.append(f'<circle class="dot" cx="{scale.place(one.own):.1f}" cy="{y:.1f}" r="4.2"/>')
    parts.append(
        f'<text class="difference" x="{WIDTH_PX}" y="{y + 4:.1f}" text-anchor="end">'
        f"{_write_difference(one, metric, pen)}</text>"
    )
    return f"<g>{''.join(parts)}</g>"


def _write_difference(one: Pair, metric: Metric, pen: Pen) -> str:
    """Return the difference of a workout; where a device failed its mark is missing."""
    if one.failed_own or one.failed_other:
        return "failed"
    return pen.number(one.own - one.other, metric, signed=True)


def _write_value(value: float, metric: Metric, pen: Pen) -> str:
    return pen.number(value, metric) if math.isfinite(value) else "failed"


def _draw_axis(scale: _Scale, metric: Metric, pen: Pen, height: int) -> str:
    bottom = height - _FOOT_PX + 4
    lines = []
    for value in scale.ticks:
        x = scale.place(value)
        shown = value * pen.factor(metric)
        lines.append(
            f'<line class="grid" x1="{x:.1f}" x2="{x:.1f}" y1="{_HEAD_PX - 4}" y2="{bottom}"/>'
            f'<text class="axis" x="{x:.1f}" y="{bottom + 14}" text-anchor="middle">{shown:g}'
            "</text>"
        )
    return (
        "".join(lines)
        + f'<text class="axis" x="{WIDTH_PX}" y="12" text-anchor="end">difference</text>'
    )


def _describe(
    pairs: Sequence[Pair], device: DeviceFacts, other: DeviceFacts, metric: Metric, pen: Pen
) -> str:
    rows = "; ".join(
        f"{one.workout.title}: {_write_value(one.own, metric, pen)} against "
        f"{_write_value(one.other, metric, pen)}"
        for one in pairs
    )
    return (
        f"{metric.title} of {device.name} against {other.name}, by workout"
        f"{pen.unit(metric) and ', in' + pen.unit(metric)}: {rows}."
    )
