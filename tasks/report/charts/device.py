"""Results of one device across its workouts: over time by activity, and by setup."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from tasks.core.registers import chart
from tasks.core.wording import convert, name_kind, name_unit, write_date, write_number
from tasks.report.drawing import Drawing
from tasks.report.pages import pick_whole

if TYPE_CHECKING:
    from tasks.report.facts import DeviceData, Result

_OVER_TIME: Final = ("hr_mae_bpm", "distance_error_pct", "track_cross_median_m", "ascent_error_pct")
_BY_SETUP: Final = "hr_mae_bpm"
#: Setup keys that conditions are compared by; others stand in the notes only.
_KEYS: Final = ("firmware", "wrist", "band", "display", "gnss")
_SHAPES: Final = (
    "circle",
    "square",
    "triangle-up",
    "diamond",
    "cross",
    "triangle-down",
    "triangle-right",
    "triangle-left",
    "M-1,-1L1,1M1,-1L-1,1",
    "M0,-1L0,1M-1,0L1,0",
    "M-1,-1L1,-1L-1,1L1,1Z",
)
_LABELS_PX: Final = 176


@chart("device", section="over_time")
def draw_over_time(data: DeviceData) -> tuple[Drawing, ...]:
    """Draw every workout as a point with its interval, by date; the shape is the activity."""
    drawings = []
    for metric in _OVER_TIME:
        values = [one for one in pick_whole(data.results, metric).values() if _is_shown(one, data)]
        if values:
            drawings.append(_draw_over_time(data, metric, values))
    return tuple(drawings)


def _is_shown(result: Result, data: DeviceData) -> bool:
    is_known = result.value is not None and result.workout_id in data.workouts
    return is_known and not result.is_excluded


def _draw_over_time(data: DeviceData, metric: str, values: list[Result]) -> Drawing:
    definition = data.definitions[metric]
    values = sorted(values, key=lambda one: data.workouts[one.workout_id].start_s)
    table = _tabulate(data, values)
    table["day"] = [1000 * _local(data, one) for one in values]
    table["activity"] = [name_kind(data.workouts[one.workout_id].activity) for one in values]
    activities = sorted(set(table["activity"]))
    unit = name_unit(definition.unit, units=data.settings.units)
    where = {
        "x": {
            "field": "day",
            "type": "temporal",
            "scale": {"type": "utc", "padding": 18},
            "axis": {
                "format": "%Y-%m-%d",
                "title": None,
                "labelOverlap": True,
                "labelFlush": 44,
                "tickCount": 6,
            },
        },
        "color": _colour(data),
    }
    vertical = {
        "type": "quantitative",
        "scale": {"zero": True},
        "axis": {"title": f"{definition.title} ({unit})", "tickCount": 5},
    }
    return Drawing(
        name=f"over_time--{metric}",
        title=f"{definition.title} by workout",
        alternative=_describe(data, metric, values),
        spec={
            "height": 0.3,
            "layer": [
                {
                    "data": {"name": "workouts"},
                    "mark": {"type": "rule", "opacity": 0.6},
                    "encoding": {
                        **where,
                        "y": {"field": "low", **vertical},
                        "y2": {"field": "high"},
                    },
                },
                {
                    "data": {"name": "workouts"},
                    "mark": {"type": "point", "filled": True, "size": 80, "opacity": 1},
                    "encoding": {
                        **where,
                        "y": {"field": "value", **vertical},
                        "shape": {
                            "field": "activity",
                            "type": "nominal",
                            "scale": {
                                "domain": activities,
                                "range": [_find_shape(data, one) for one in activities],
                            },
                        },
                    },
                },
            ],
        },
        tables={"workouts": table},
        devices=(data.device,),
        note="One point per workout, with its 95 % interval where it has one.",
    )


@chart("device", section="by_setup")
def draw_by_setup(data: DeviceData) -> tuple[Drawing, ...]:
    """Draw every workout as a point in the row of each condition that the notes state."""
    shown = [one for one in pick_whole(data.results, _BY_SETUP).values() if _is_shown(one, data)]
    rows: list[str] = []
    values: list[Result] = []
    for key in _KEYS:
        for one in shown:
            setting = data.setups.get(one.workout_id, {}).get(key)
            if setting is not None:
                rows.append(f"{name_kind(key)} {setting}")
                values.append(one)
    if not rows:
        return ()
    definition = data.definitions[_BY_SETUP]
    table = _tabulate(data, values)
    table["setup"] = rows
    order = sorted({one.workout_id for one in values})
    table["order"] = [order.index(one.workout_id) for one in values]
    names = list(dict.fromkeys(rows))
    where = {
        "y": {
            "field": "setup",
            "type": "nominal",
            "sort": names,
            "axis": {
                "title": None,
                "labelLimit": _LABELS_PX - 12,
                "minExtent": _LABELS_PX - 10,
                "maxExtent": _LABELS_PX - 10,
            },
        },
        "yOffset": {"field": "order", "type": "nominal", "scale": {"paddingOuter": 0.8}},
        "color": _colour(data),
    }
    across = {
        "type": "quantitative",
        "scale": {"zero": True},
        "axis": {"title": f"{definition.title} ({definition.unit})"},
    }
    return (
        Drawing(
            name="by_setup",
            title=f"{definition.title} by setup",
            alternative=f"{_describe(data, _BY_SETUP, shown)} Rows: {', '.join(names)}.",
            spec={
                "height": max(0.2, 0.05 * len(names)),
                "layer": [
                    {
                        "data": {"name": "setups"},
                        "mark": {"type": "rule", "opacity": 0.45},
                        "encoding": {
                            **where,
                            "x": {"field": "low", **across},
                            "x2": {"field": "high"},
                        },
                    },
                    {
                        "data": {"name": "setups"},
                        "mark": {"type": "point", "filled": True, "size": 70, "opacity": 0.9},
                        "encoding": {**where, "x": {"field": "value", **across}},
                    },
                ],
            },
            tables={"setups": table},
            devices=(data.device,),
            note="One point per workout and condition; a workout stands in several rows.",
            facts={"left": _LABELS_PX, "least": 34 * len(names)},
        ),
    )


def _find_shape(data: DeviceData, activity: str) -> str:
    """Return the shape of an activity, the same in all charts of the page."""
    known = sorted({name_kind(one.activity) for one in data.workouts.values()})
    return _SHAPES[known.index(activity) % len(_SHAPES)]


def _tabulate(data: DeviceData, values: list[Result]) -> dict[str, list[Any]]:
    units = data.settings.units

    def show(value: float | None, one: Result) -> float | None:
        chosen = one.value if value is None else value
        return None if chosen is None else convert(chosen, one.unit, units=units)[0]

    return {
        "value": [show(one.value, one) for one in values],
        "low": [show(one.ci_low, one) for one in values],
        "high": [show(one.ci_high, one) for one in values],
        "device": [data.device.label] * len(values),
    }


def _colour(data: DeviceData) -> dict[str, Any]:
    return {
        "field": "device",
        "type": "nominal",
        "scale": {"domain": [data.device.label], "range": "category"},
        "legend": None,
    }


def _local(data: DeviceData, result: Result) -> float:
    facts = data.workouts[result.workout_id]
    return facts.start_s + (facts.local_offset_s or 0)


def _describe(data: DeviceData, metric: str, values: list[Result]) -> str:
    definition = data.definitions[metric]
    units = data.settings.units
    ordered = sorted(values, key=lambda one: one.value or 0.0)
    low, high = (
        f"{write_number(one.value, one.unit, units=units)} {name_unit(one.unit, units=units)}"
        f" on {write_date(_local(data, one))}"
        for one in (ordered[0], ordered[-1])
    )
    return f"{definition.title} of {len(values)} workouts: lowest {low}, highest {high}."
