"""What a device was found to be against another one: every number on one scale, that of its margin.

Numbers of different units share the scale because each is divided by the difference in it that
does not matter (`verdicts.margins`), and turned so that better is to the right.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from tasks.core.registers import chart
from tasks.core.wording import join_words, name_kind, name_unit, write_number
from tasks.report.drawing import Drawing

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from tasks.report.facts import DeviceData, DeviceFacts

_ALL: Final = "all"
_FAMILIES: Final = ("headline", "details")
#: The number that is also shown by activity.
_BY_ACTIVITY: Final = "hr_mae_bpm"
_DOMAINS: Final = ("heart_rate", "track", "distance", "elevation", "swimming", "battery")
_SETTLED: Final = ("better", "worse", "alike")
_ROLES: Final = ("predecessor", "test", "peer")
_MOST_OPPONENTS: Final = 4
#: The scale reaches at least and at most so many margins; what lies beyond is pointed to.
_LEAST_REACH: Final = 2.0
_MOST_REACH: Final = 6.0
#: Plain spaces would be drawn as one.
_SIDES: Final = "\N{LEFTWARDS ARROW} worse{}better \N{RIGHTWARDS ARROW}".format(
    4 * "\N{NO-BREAK SPACE}"
)
_LABELS_PX: Final = 168
_ROW_PX: Final = 46


@dataclass(frozen=True)
class Row:
    """One line of the figure: difference and interval in margins, better to the right."""

    label: str
    said: str
    value: float
    low: float | None
    high: float | None
    is_settled: bool


@chart("device", section="verdicts")
def draw_forest(data: DeviceData) -> tuple[Drawing, ...]:
    """Draw one figure against each other device, and one number by activity."""
    drawings = []
    for other in _list_opponents(data):
        rows = _pick_answers(data, other)
        usable = [one for one in rows if one["margin"] and one["estimate"] is not None]
        whole = list(_pick_whole(data, usable))
        if whole:
            drawings.append(_draw(data, other, whole))
        by_activity = [
            _make_row(data, one, label=name_kind(one["activity"]))
            for one in sorted(usable, key=lambda one: str(one["activity"]))
            if one["metric"] == _BY_ACTIVITY and one["activity"] != _ALL
        ]
        if len(by_activity) > 1:
            title = data.definitions[_BY_ACTIVITY].title
            drawings.append(
                _draw(data, other, by_activity, end="--by-activity", what=f": {title} by activity")
            )
    return tuple(drawings)


def _pick_answers(data: DeviceData, other: DeviceFacts) -> list[Mapping[str, Any]]:
    """Return what all places say; of a metric in the headline no other segment."""
    rows = [
        one
        for one in data.verdicts
        if one["against"] == other.device_id and one["family"] in _FAMILIES and one["place"] == _ALL
    ]
    judged = {one["metric"]: one["segment"] for one in rows if one["family"] == _FAMILIES[0]}
    return [one for one in rows if judged.get(one["metric"], one["segment"]) == one["segment"]]


def _list_opponents(data: DeviceData) -> list[DeviceFacts]:
    named = {one["against"] for one in data.verdicts} & data.devices.keys()
    found = [data.devices[name] for name in named]

    def rank(one: DeviceFacts) -> tuple[int, str]:
        role = _ROLES.index(one.role) if one.role in _ROLES else len(_ROLES)
        return role, one.device_id

    return sorted(found, key=rank)[:_MOST_OPPONENTS]


def _pick_whole(data: DeviceData, rows: Sequence[Mapping[str, Any]]) -> Iterator[Row]:
    """Return each number over all activities, or in the one activity that it has."""
    several = {one["metric"] for one in rows if one["activity"] == _ALL}

    def place(one: Mapping[str, Any]) -> tuple[int, str]:
        domain = data.definitions[one["metric"]].domain
        return _DOMAINS.index(domain) if domain in _DOMAINS else len(_DOMAINS), one["metric"]

    for one in sorted((row for row in rows if row["metric"] in data.definitions), key=place):
        if one["activity"] == _ALL:
            yield _make_row(data, one, label=data.definitions[one["metric"]].title)
        elif one["metric"] not in several:
            title = data.definitions[one["metric"]].title
            yield _make_row(data, one, label=f"{title} ({name_kind(one['activity'])})")


def _make_row(data: DeviceData, row: Mapping[str, Any], *, label: str) -> Row:
    metric, units = row["metric"], data.settings.units
    definition = data.definitions[metric]
    side = 1.0 if definition.better == "higher" else -1.0
    amount = write_number(row["estimate"], definition.unit, units=units, metric=metric, signed=True)
    unit = name_unit(definition.unit, units=units)
    ends: tuple[float | None, float | None] = (None, None)
    if row["ci_low"] is not None and row["ci_high"] is not None:
        low, high = sorted(side * row[end] / row["margin"] for end in ("ci_low", "ci_high"))
        ends = low, high
    return Row(
        label=label,
        said=f"{row['verdict']}, {amount} {unit}".strip(),
        value=side * row["estimate"] / row["margin"],
        low=ends[0],
        high=ends[1],
        is_settled=row["verdict"] in _SETTLED,
    )


def _find_reach(rows: Sequence[Row]) -> tuple[float, float]:
    ends = [end for row in rows for end in (row.value, row.low, row.high) if end is not None]
    return (
        max(-_MOST_REACH, min(-_LEAST_REACH, 1.1 * min(ends))),
        min(_MOST_REACH, max(_LEAST_REACH, 1.1 * max(ends))),
    )


def _draw(
    data: DeviceData, other: DeviceFacts, rows: Sequence[Row], *, end: str = "", what: str = ""
) -> Drawing:
    first, last = _find_reach(rows)
    labels = [row.label for row in rows]
    inside = [row for row in rows if first <= row.value <= last]
    beyond = [
        (row, edge)
        for row in rows
        for edge in (first, last)
        if (edge == last and max(row.value, row.high or row.value) > last)
        or (edge == first and min(row.value, row.low or row.value) < first)
    ]
    spans = [row for row in rows if row.low is not None]
    device = data.device.label
    return Drawing(
        name=f"forest--{other.device_id}{end}",
        title=f"{device} against {other.label}{what}",
        alternative=_describe(device, other.label, rows),
        spec={
            "height": 0.055 * len(rows),
            "layer": _make_layers(labels, first, last, device=device),
        },
        tables={
            "margin": {"from": [max(-1.0, first)], "to": [min(1.0, last)]},
            "zero": {"at": [0.0]},
            "spans": {
                "row": [row.label for row in spans],
                "low": [max(first, min(last, row.low or 0.0)) for row in spans],
                "high": [max(first, min(last, row.high or 0.0)) for row in spans],
                "device": [device] * len(spans),
            },
            "settled": _tabulate([row for row in inside if row.is_settled], device),
            "open": _tabulate([row for row in inside if not row.is_settled], device),
            "beyond": {
                "row": [row.label for row, _ in beyond],
                "at": [edge for _, edge in beyond],
                "side": ["right" if edge == last else "left" for _, edge in beyond],
                "device": [device] * len(beyond),
            },
            "words": {"row": labels, "said": [row.said for row in rows]},
        },
        devices=(data.device,),
        note="Right of the middle is better. Shaded: differences that do not matter, by the "
        "margins in the settings; each number is drawn in units of its own margin. Line: 95 % "
        "interval, with fewer than six workouts none. Dot: settled, upright mark: still open, also "
        "beside the middle, since words hold for all questions asked together; an arrow leads "
        "beyond the scale. Alike rests on two one-sided tests, whose interval is the narrower one "
        "of 90 %, so that its line may reach beyond the shade.",
        facts={"left": _LABELS_PX, "least": _ROW_PX * len(rows)},
    )


def _tabulate(rows: Sequence[Row], device: str) -> dict[str, list[Any]]:
    return {
        "row": [row.label for row in rows],
        "value": [row.value for row in rows],
        "device": [device] * len(rows),
    }


def _make_layers(labels: list[str], first: float, last: float, *, device: str) -> list[Any]:
    across = {
        "type": "quantitative",
        "scale": {"domain": [first, last], "nice": False, "zero": False},
        "axis": {
            "title": [_SIDES, "1: the most that does not matter"],
            "tickMinStep": 1,
            "tickCount": 7,
        },
    }
    down = {
        "field": "row",
        "type": "nominal",
        "sort": labels,
        "scale": {"domain": labels},
        "axis": {
            "title": None,
            "labelLimit": _LABELS_PX - 12,
            "minExtent": _LABELS_PX - 10,
            "maxExtent": _LABELS_PX - 10,
            "ticks": False,
            "grid": True,
            "tickBand": "extent",
        },
    }
    colour = {
        "field": "device",
        "type": "nominal",
        "scale": {"domain": [device], "range": "category"},
        "legend": None,
    }
    sides = {
        "field": "side",
        "type": "nominal",
        "scale": {"domain": ["left", "right"], "range": ["triangle-left", "triangle-right"]},
        "legend": None,
    }
    low = 7  # the words stand above, line and mark below the middle of a row [px]
    return [
        {
            "data": {"name": "margin"},
            "mark": {"type": "rect", "opacity": 0.18, "style": "quiet"},
            "encoding": {"x": {"field": "from", **across}, "x2": {"field": "to"}},
        },
        {
            "data": {"name": "zero"},
            "mark": {"type": "rule", "strokeWidth": 1.2},
            "encoding": {"x": {"field": "at", **across}},
        },
        {
            "data": {"name": "spans"},
            "mark": {"type": "rule", "strokeWidth": 3, "yOffset": low},
            "encoding": {
                "y": down,
                "x": {"field": "low", **across},
                "x2": {"field": "high"},
                "color": colour,
            },
        },
        {
            "data": {"name": "settled"},
            "mark": {"type": "point", "filled": True, "size": 110, "opacity": 1, "yOffset": low},
            "encoding": {"y": down, "x": {"field": "value", **across}, "color": colour},
        },
        {
            "data": {"name": "open"},
            "mark": {
                "type": "point",
                "shape": "stroke",
                "angle": 90,
                "size": 260,
                "strokeWidth": 3,
                "opacity": 1,
                "yOffset": low,
            },
            "encoding": {"y": down, "x": {"field": "value", **across}, "color": colour},
        },
        {
            "data": {"name": "beyond"},
            "mark": {"type": "point", "filled": True, "size": 90, "opacity": 1, "yOffset": low},
            "encoding": {
                "y": down,
                "x": {"field": "at", **across},
                "color": colour,
                "shape": sides,
            },
        },
        {
            "data": {"name": "words"},
            "mark": {"type": "text", "align": "left", "yOffset": -8},
            "encoding": {"y": down, "x": {"value": 6}, "text": {"field": "said"}},
        },
    ]


def _describe(device: str, other: str, rows: Sequence[Row]) -> str:
    said = join_words([f"{row.label}: {row.said}" for row in rows])
    return f"{device} minus {other}, with what was found. {said}."
