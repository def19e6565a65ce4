"""A drawing: one chart specification without size and colours, and the tables that it shows.

The page, the SVG and the PNG are all made from it: the page's script and `apply_theme` do the
same three things, which are to fill in the tables, the size and the theme.
"""

from __future__ import annotations

import json
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import TYPE_CHECKING, Any, Final, Literal

from tasks.report.looks import colour_in, find_scale, make_config

if TYPE_CHECKING:
    from tasks.report.facts import DeviceFacts, WorkoutData
    from tasks.report.looks import Theme
    from tasks.report.map_shapes import Plan

#: What pointing at it means: an instant, a place, or nothing.
Kind = Literal["time", "plan", "still"]
SCHEMA: Final = "https://vega.github.io/schema/vega-lite/v6.json"
VEGA_LITE: Final = "6.4"
#: Columns shorter than this stay as they are.
_WORTH_PACKING: Final = 20
#: Width of a letter of a title [px at scale 1].
_LETTER_PX: Final = 10.2
#: Left and right of a plot: the axis with its title, and a margin [px at scale 1].
LEFT_PX: Final = 58
RIGHT_PX: Final = 28

#: Times between two ticks of a time axis [s].
_TICK_STEPS_S: Final = (60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 43200)
_MOST_TICKS: Final = 9
#: Lines in a legend: as strong as those of devices, whatever lies beneath them in the chart.
_STROKES: Final = {
    "symbolType": "stroke",
    "symbolSize": 900,
    "symbolOpacity": 1,
}
#: What grows with a figure: lengths once, areas twice.
_OF_MARKS: Final = {"size": 2, "strokeWidth": 1, "yOffset": 1}
_OF_AXES: Final = {"labelLimit": 1, "minExtent": 1, "maxExtent": 1}
_OF_LEGENDS: Final = {"symbolSize": 2}

Columns = Mapping[str, Sequence[Any]]


@dataclass(frozen=True)
class Drawing:
    """One chart.

    A map is its `plan` and has no `spec`.
    `spec` is Vega-Lite with data by name; each panel has a `height` in shares of the plot's
    width. `alternative` says in words what the chart shows. `devices` are those of the colour
    scale, in its order.
    """

    name: str
    title: str
    alternative: str
    devices: tuple[DeviceFacts, ...]
    spec: Mapping[str, Any] = field(default_factory=dict)
    tables: Mapping[str, Columns] = field(default_factory=dict)
    kind: Kind = "still"
    note: str = ""
    facts: Mapping[str, Any] = field(default_factory=dict)
    plan: Plan | None = None

    def as_page_data(self) -> dict[str, Any]:
        """Return what the page's script needs to draw it."""
        return {
            "kind": self.kind,
            "spec": self.spec,
            "tables": {
                name: {column: pack_words(values) for column, values in columns.items()}
                for name, columns in self.tables.items()
            },
            "devices": [device.label for device in self.devices],
            **self.facts,
        }


def pack_words(values: Sequence[Any]) -> Any:  # noqa: ANN401 - a column of a table
    """Return a long column of words as runs: each word once, and how often it comes."""
    if len(values) < _WORTH_PACKING or not all(isinstance(one, str) for one in values):
        return values
    return {"runs": [[word, len(list(same))] for word, same in groupby(values)]}


def list_panels(spec: Mapping[str, Any]) -> list[Any]:
    """Return the panels of a specification: those stacked in it, or itself."""
    return list(spec["vconcat"]) if "vconcat" in spec else [spec]


def apply_theme(
    drawing: Drawing,
    *,
    theme: Theme,
    width_px: int,
    height_px: int,
    subtitle: Sequence[str] = (),
) -> dict[str, Any]:
    """Return the whole Vega-Lite specification of a figure of that size with title and caption."""
    # Through text: parts that layers share would be enlarged once for each of them.
    spec = json.loads(json.dumps(drawing.spec))
    scale = find_scale(min(width_px, height_px * 16 / 9))
    panels = list_panels(spec)
    title = wrap_title(drawing.title, width_px=width_px, scale=scale)
    above = 112 + 20 * (len(title) - 1) + 16 * len(subtitle)
    room = height_px - (above + 22 * (len(panels) - 1)) * scale
    shares = [panel["height"] for panel in panels]
    width = width_px - (drawing.facts.get("left", LEFT_PX) + RIGHT_PX + 12) * scale
    for panel, share in zip(panels, shares, strict=True):
        panel["width"] = width
        panel["height"] = room * share / sum(shares)
        _enlarge(panel, scale)
    config = make_config(theme, scale=scale)
    # A figure is made smaller rather than a name cut off.
    config["legend"]["labelLimit"] = width_px
    looks = [device.look for device in drawing.devices]
    if len(panels) > 1:
        spec["spacing"] = 14 * scale
    return {
        "$schema": SCHEMA,
        **spec,
        "datasets": {name: list_rows(columns) for name, columns in drawing.tables.items()},
        "title": {"text": title, "subtitle": list(subtitle), "limit": 0.96 * width_px},
        "config": colour_in(config, looks, theme=theme),
        "autosize": {"type": "pad", "contains": "padding"},
    }


def wrap_title(title: str, *, width_px: float, scale: float) -> list[str]:
    """Return a figure's title as lines that fit into its width; no word of it is cut off."""
    return textwrap.wrap(title, max(12, int(0.93 * width_px / (_LETTER_PX * scale)))) or [""]


def _enlarge(panel: dict[str, Any], scale: float) -> None:
    """Lengthen dashes, enlarge points and thicken lines, as type is by the theme."""
    for layer in panel["layer"]:
        if isinstance(layer["mark"], dict):
            _multiply(layer["mark"], _OF_MARKS, scale)
        dashes = layer.get("encoding", {}).get("strokeDash", {}).get("scale")
        if dashes:
            dashes["range"] = [[length * scale for length in dash] for dash in dashes["range"]]
        widths = layer.get("encoding", {}).get("strokeWidth", {}).get("scale")
        if widths:
            widths["range"] = [width * scale for width in widths["range"]]
        for channel in layer.get("encoding", {}).values():
            _multiply(channel.get("axis") or {}, _OF_AXES, scale)
            _multiply(channel.get("legend") or {}, _OF_LEGENDS, scale)


def _multiply(part: dict[str, Any], powers: Mapping[str, int], scale: float) -> None:
    for name, power in powers.items():
        if name in part:
            part[name] *= scale**power


def list_rows(columns: Columns) -> list[dict[str, Any]]:
    """Return a table of columns as rows."""
    names = list(columns)
    return [
        dict(zip(names, values, strict=True))
        for values in zip(*(columns[name] for name in names), strict=True)
    ]


# --- what most charts share ---------------------------------------------------------------------
def encode_time(data: WorkoutData, *, titled: bool = True) -> dict[str, Any]:
    """Return the horizontal axis: seconds since the start, shown as time of day in the zone."""
    begin = data.local(data.facts.start_s)
    lasts = data.facts.end_s - data.facts.start_s
    step = next((one for one in _TICK_STEPS_S if lasts / one <= _MOST_TICKS), _TICK_STEPS_S[-1])
    first = -begin % step
    return {
        "field": "s",
        "type": "quantitative",
        "scale": {"domain": [0, lasts], "nice": False, "zero": False},
        "axis": {
            "values": [first + step * number for number in range(int((lasts - first) // step) + 1)],
            "labelExpr": f"utcFormat(1000 * ({begin:.0f} + datum.value), '%H:%M')",
            "title": f"time of day ({data.facts.zone})" if titled else None,
            "labels": titled,
            "labelOverlap": True,
        },
    }


def encode_device(
    devices: Sequence[DeviceFacts], *, line: bool = True, legend: bool = True
) -> dict[str, Any]:
    """Return colour and line style (or point shape) of the devices, by the field `device`."""
    domain = [device.label for device in devices]
    symbols: dict[str, Any] | None = dict(_STROKES) if line else {}
    shown = {"legend": symbols if legend else None}
    colour = {
        "field": "device",
        "type": "nominal",
        "scale": {"domain": domain, "range": "category"},
        **shown,
    }
    if line:
        dashes = [list(device.look.dash) or [1, 0] for device in devices]
        style = {
            "strokeDash": _encode_style(domain, dashes, shown),
            # The library takes widths for amounts, and wants an order, unless it is told otherwise.
            "strokeWidth": {
                **_encode_style(
                    domain, [one.look.width for one in devices], shown, scale_type="ordinal"
                ),
                "sort": domain,
            },
        }
    else:
        style = {"shape": _encode_style(domain, [one.look.shape for one in devices], shown)}
    return {"color": colour, **style}


def _encode_style(
    domain: list[str], values: list[Any], shown: dict[str, Any], *, scale_type: str | None = None
) -> dict[str, Any]:
    kind = {} if scale_type is None else {"type": scale_type}
    return {
        "field": "device",
        "type": "nominal",
        "scale": {"domain": domain, "range": values, **kind},
        **shown,
    }


def colour_marks(devices: Sequence[DeviceFacts]) -> dict[str, Any]:
    """Return the fill of marks that belong to a device; the lines have the legend."""
    # Legends of equal domains are merged, and one that is switched off would take all with it.
    domain = [*(device.label for device in devices), ""]
    return {
        "field": "owner",
        "type": "nominal",
        "scale": {"domain": domain, "range": "category"},
        "legend": None,
    }
