"""Draws a map as SVG: once for the page, which moves and enlarges it, and for each figure.

Lines keep their width and marks their size however the map is enlarged. Coordinates of lines are
whole decimetres, each relative to the one before.
"""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.report.drawing import wrap_title
from tasks.report.looks import FONT, INK
from tasks.report.map_shapes import choose_bar

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from tasks.report.looks import Theme
    from tasks.report.map_shapes import MapLine, Pin, Plan

    Floats = NDArray[np.float64]

#: Size of the map on a page before its script fits it to the window [px].
PAGE_PX: Final = (1120, 560)
SMALL_PX: Final = (420, 300)
_PER_M: Final = 10
_EDGE_PX: Final = 28.0
_BAR_PX: Final = 140.0
#: Widths of lines; the page's style sheet has the same.
_WIDTHS_PX: Final = {"track": 1.7, "course": 6.0, "outline": 0.7}
_WORDS_PX: Final = 90.0
#: What a letter and a line of words take.
_LETTER_PX: Final = 7.5
_LINE_PX: Final = 14.0
_MARKS: Final = {
    "ring": '<circle r="8" fill="none" stroke="{colour}" stroke-width="2.2"/>',
    "cross": '<path d="M-5-5L5 5M-5 5L5-5" stroke="{colour}" stroke-width="2.2"/>',
    "start": '<circle class="end" r="6"/>',
    "finish": '<rect class="end" x="-5.5" y="-5.5" width="11" height="11"/>',
    "both": '<circle class="end" r="8"/><rect class="dot" x="-3.5" y="-3.5" width="7" height="7"/>',
    "fix": '<circle r="2.4" fill="{colour}"/>',
    "distance": '<circle class="dot" r="3"/>',
    "arrow": '<path class="head" transform="rotate({turn:.0f})" d="M0-7L5 5L0 2L-5 5Z"/>',
}
_LABELLED: Final = ("start", "finish", "both", "distance")


def draw_map(
    plan: Plan, *, width: float, height: float, theme: Theme = "light", is_figure: bool = False
) -> str:
    """Return the inner SVG of a map of that size [px]: world, marks, scale bar and north.

    In a figure lines have their width in the world's units: not every program that draws SVG knows
    lines that keep theirs.
    """
    scale = min((width - 2 * _EDGE_PX) / plan.wide_m, (height - 2 * _EDGE_PX) / plan.high_m)
    left, top = width / 2 - plan.east_m * scale, height / 2 + plan.north_m * scale
    lines = "".join(
        _draw_line(one, theme, _PER_M / scale if is_figure else None) for one in plan.lines
    )
    places = [(left + one.east_m * scale, top - one.north_m * scale) for one in plan.pins]
    worded = _find_free(plan.pins, places, width)
    pins = "".join(
        _draw_pin(one, place, theme, width, has_room=number in worded)
        for number, (one, place) in enumerate(zip(plan.pins, places, strict=True))
    )
    moved = f"translate({left:.2f} {top:.2f}) scale({scale / _PER_M:.6f})"
    world = f'<g class="world" transform="{moved}">'
    bar_m, words = choose_bar(_BAR_PX / scale, units=plan.units)
    return (
        f'{world}{lines}</g><g class="pins">{pins}</g>'
        f"{_draw_bar(bar_m * scale, words, height)}{_draw_north(width)}"
    )


def _draw_line(line: MapLine, theme: Theme, unit: float | None) -> str:
    path = write_path(line.east_m, line.north_m)
    px = _WIDTHS_PX[line.kind] if line.device is None else line.device.look.width
    wide = "" if unit is None else f' stroke-width="{px * unit:.3f}"'
    if line.device is None or line.kind != "track":
        return f'<path class="{line.kind}"{wide} d="{path}"/>'
    look = line.device.look
    dashes = " ".join(f"{one * (unit or 1.0):g}" for one in look.dash)
    dash = f'{wide} stroke-dasharray="{dashes}"' if look.dash else wide
    times = "" if line.seconds is None else f' data-t="{write_times(line.seconds, line.east_m)}"'
    label = escape(line.device.label)
    return (
        f'<path class="track{" wide" if look.is_wide else ""}" data-device="{label}"{times} '
        f'stroke="{look.colour(theme)}"{dash} d="{path}"/>'
    )


def _find_free(
    pins: Sequence[Pin], places: Sequence[tuple[float, float]], width: float
) -> set[int]:
    """Return the numbers of the pins whose words do not lie upon those of an earlier one."""
    taken: list[tuple[float, float, float]] = []
    free = set()
    for number, (pin, (x, y)) in enumerate(zip(pins, places, strict=True)):
        if pin.kind not in _LABELLED:
            continue
        long = _LETTER_PX * len(pin.words)
        begin = x - 10 - long if _is_last(x, width) else x + 10
        if all(
            begin >= end or begin + long <= start or abs(y - other) >= _LINE_PX
            for start, end, other in taken
        ):
            taken.append((begin, begin + long, y))
            free.add(number)
    return free


def _is_last(x: float, width: float) -> bool:
    """Say whether words stand before their mark, since it lies at the right edge."""
    return x > width - _WORDS_PX


def _draw_pin(
    pin: Pin, place: tuple[float, float], theme: Theme, width: float, *, has_room: bool
) -> str:
    x, y = place
    colour = "" if pin.device is None else pin.device.look.colour(theme)
    owner = "" if pin.device is None else f' data-device="{escape(pin.device.label)}"'
    mark = _MARKS[pin.kind].format(colour=colour, turn=pin.turn_deg)
    title = f"<title>{escape(pin.words)}</title>" if pin.words else ""
    label = ""
    if pin.kind in _LABELLED:
        before = ' text-anchor="end"' if _is_last(x, width) else ""
        at = -10 if before else 10
        # The page's script shows them when the map is enlarged and there is room.
        crowded = "" if has_room else ' class="crowded"'
        label = f'<text x="{at}" y="-8"{before}{crowded}>{escape(pin.words)}</text>'
    return (
        f'<g class="pin {pin.kind}"{owner} data-x="{pin.east_m:.1f}" data-y="{-pin.north_m:.1f}" '
        f'transform="translate({x:.1f} {y:.1f})">{title}{mark}{label}</g>'
    )


def _draw_bar(length: float, words: str, height: float) -> str:
    return (
        f'<g class="bar" transform="translate(16 {height - 16:.0f})">'
        f'<path d="M0-6V0H{length:.1f}V-6"/><text x="4" y="-6">{words}</text></g>'
    )


def _draw_north(width: float) -> str:
    return (
        f'<g class="north" transform="translate({width - 22:.0f} 34)">'
        '<path d="M0-18L5-6H1.5V8H-1.5V-6H-5Z"/><text y="22" text-anchor="middle">N</text></g>'
    )


def write_path(east_m: Floats, north_m: Floats) -> str:
    """Return the path of a line in decimetres, y downwards, broken where a point is missing."""
    x, y = np.round(east_m * _PER_M), np.round(-north_m * _PER_M)
    parts: list[str] = []
    before: tuple[int, int] | None = None
    for one, two in zip(x.tolist(), y.tolist(), strict=True):
        if one != one or two != two:  # noqa: PLR0124 - NaN alone differs from itself
            before = None
            continue
        point = int(one), int(two)
        if before is None:
            parts.append(f"M{point[0]} {point[1]}l0 0")
        else:
            across, down = point[0] - before[0], point[1] - before[1]
            parts.append(f" {across}{'' if down < 0 else ' '}{down}")
        before = point
    return "".join(parts)


def write_times(seconds: Floats, east_m: Floats) -> str:
    """Return the seconds of the points that are there, each as the step from the one before."""
    whole = np.round(seconds[np.isfinite(east_m)]).astype(np.int64)
    return " ".join(map(str, np.diff(whole, prepend=0).tolist()))


def frame_map(
    plan: Plan, *, title: str, caption: Sequence[str], size_px: tuple[int, int], theme: Theme
) -> str:
    """Return a whole figure of a map: title, devices, map and caption."""
    width, height = size_px
    scale = max(1.0, min(width, height * 16 / 9) / 760.0)
    ink = INK[theme]
    wide, high = width / scale, height / scale
    lines = wrap_title(title, width_px=width, scale=scale)
    keys_px = 24.0 + 20 * len(lines)
    head, foot = keys_px + 18, 16.0 * len(caption) + 12
    devices = [one.device for one in reversed(plan.lines) if one.kind == "track" and one.device]
    titles = "".join(
        f'<text class="title" x="16" y="{28 + 20 * number}">{escape(text)}</text>'
        for number, text in enumerate(lines)
    )
    keys, at = [], 16.0
    for device in devices:
        look = device.look
        dash = f' stroke-dasharray="{" ".join(map(str, look.dash))}"' if look.dash else ""
        keys.append(
            f'<path d="M{at:.0f} {keys_px:.0f}h28" stroke="{look.colour(theme)}" '
            f'stroke-width="{max(look.width, 2.4)}"{dash}/>'
            f'<text x="{at + 34:.0f}" y="{keys_px + 4:.0f}">{escape(device.label[:28])}</text>'
        )
        at += 52 + 7.4 * min(len(device.label), 28)
    notes = "".join(
        f'<text class="soft" x="16" y="{high - foot + 16 * (number + 1):.0f}">{escape(text)}</text>'
        for number, text in enumerate(caption)
    )
    inner = draw_map(plan, width=wide, height=high - head - foot, theme=theme, is_figure=True)
    style = (
        f"text{{font:12px {FONT};fill:{ink['ink']}}}"
        ".title{font-size:17px;font-weight:bold}"
        f".soft{{fill:{ink['soft']}}}"
        "path{fill:none}"
        f".outline{{stroke:{ink['soft']};opacity:.6}}"
        f".course{{stroke:{ink['soft']};opacity:.35}}"
        f".end{{fill:{ink['paper']};stroke:{ink['ink']};stroke-width:2}}.dot{{fill:{ink['ink']}}}"
        f".head,.north path{{fill:{ink['ink']}}}.bar path{{stroke:{ink['ink']};stroke-width:1.5}}"
        ".crowded{display:none}"
        f".pin text,.bar text{{paint-order:stroke;stroke:{ink['paper']};stroke-width:3}}"
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        f'viewBox="0 0 {wide:.1f} {high:.1f}"><style>{style}</style>'
        f'<rect width="{wide:.1f}" height="{high:.1f}" fill="{ink["paper"]}"/>'
        f'{titles}{"".join(keys)}<clipPath id="c"><rect width="{wide:.1f}" '
        f'height="{high - head - foot:.1f}"/></clipPath>'
        f'<g transform="translate(0 {head:.0f})" clip-path="url(#c)">{inner}</g>{notes}</svg>'
    )
