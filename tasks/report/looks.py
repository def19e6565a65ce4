"""How things look: one colour, line style and point shape per device, and the two themes.

The colours were chosen here: hues far apart for the common kinds of colour blindness, lightness
staggered for grey print; style and width of the line carry the same message once more. Contrast
against the background is at least 3:1 (graphics) and 4.5:1 (text), as WCAG 2.2 asks (1.4.11,
1.4.3).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

Theme = Literal["light", "dark"]
THEMES: Final[tuple[Theme, ...]] = ("light", "dark")

#: Widths of lines [px]: what others are compared with lies wide beneath them, the device under test
#: is the strongest of those upon it.
_TEST_PX: Final = 1.8
_OTHER_PX: Final = 1.3
_REFERENCE_PX: Final = 4.5

#: By role: light theme, dark theme, dash pattern [px], point shape, width of the line [px]. The
#: colour belongs to the role, so that the device under test looks the same in every home; orange
#: against blue holds in red-green blindness.
_LOOKS: Final[Mapping[str, tuple[tuple[str, str, tuple[int, ...], str, float], ...]]] = {
    "test": (
        ("#ad3a09", "#ff9f6e", (), "circle", _TEST_PX),
        ("#a3123a", "#ff8fa6", (2, 4), "triangle-right", _TEST_PX),
    ),
    "predecessor": (
        ("#2b77a9", "#5fa8d8", (9, 3), "square", _OTHER_PX),
        ("#16316f", "#9db8ff", (14, 4), "cross", _OTHER_PX),
    ),
    "reference": (
        ("#8b9097", "#747a83", (), "triangle-up", _REFERENCE_PX),
        ("#a08630", "#a58b3c", (8, 4), "triangle-down", _REFERENCE_PX),
    ),
    "peer": (
        ("#8d2a86", "#ee9de6", (10, 3, 2, 3), "diamond", _OTHER_PX),
        ("#00726b", "#4fd0c0", (6, 6), "triangle-left", _OTHER_PX),
    ),
}
#: Instead of "reference" of a device that is one for the way, not for heart rate: both may be worn
#: at once, and heart rate has the first look.
OF_THE_WAY: Final = "reference of the way"
FONT: Final = "DejaVu Sans, Verdana, sans-serif"
INK: Final[Mapping[Theme, Mapping[str, str]]] = {
    "light": {"paper": "#fdfcf8", "ink": "#1d2326", "soft": "#525c61", "line": "#d9d8cf"},
    "dark": {"paper": "#14191c", "ink": "#eef1ee", "soft": "#aab4b4", "line": "#343d41"},
}
#: Width of a page's text, for which font size 12 is right [px].
_PAGE_WIDTH_PX: Final = 760.0


@dataclass(frozen=True)
class Look:
    """Colours by theme, dash pattern [px], point shape and width of line [px] of one device."""

    light: str
    dark: str
    dash: tuple[int, ...]
    shape: str
    width: float = _TEST_PX

    @property
    def is_wide(self) -> bool:
        """Whether it lies beneath the others, as a reference does."""
        return self.width == _REFERENCE_PX

    def colour(self, theme: Theme) -> str:
        """Return its colour on that theme's background."""
        return self.light if theme == "light" else self.dark


def deal_looks(roles: Sequence[str]) -> tuple[Look, ...]:
    """Return a look for each device, given their roles in the order of their first use.

    A role that has more devices than looks borrows those that no other one uses; after all are
    used they come again.
    """
    every = [look for looks in _LOOKS.values() for look in looks]
    free = list(every)
    dealt: list[Look] = []
    for role in roles:
        own = [one for one in _list_own(role) if one in free]
        # From the end: what is borrowed is the look that its own role needs last.
        chosen = own[0] if own else free[-1] if free else every[len(dealt) % len(every)]
        if chosen in free:
            free.remove(chosen)
        dealt.append(Look(*chosen))
    return tuple(dealt)


def _list_own(role: str) -> Sequence[tuple[str, str, tuple[int, ...], str, float]]:
    if role == OF_THE_WAY:
        return _LOOKS["reference"][::-1]
    return _LOOKS.get(role, _LOOKS["peer"])


def make_config(theme: Theme, *, scale: float = 1.0) -> dict[str, Any]:
    """Return the Vega-Lite config of a theme; `scale` enlarges type and lines."""
    ink = INK[theme]
    size = 12 * scale
    return {
        "background": ink["paper"],
        "font": FONT,
        "view": {"stroke": ink["line"]},
        "padding": 6 * scale,
        "axis": {
            "labelColor": ink["soft"],
            "titleColor": ink["ink"],
            "gridColor": ink["line"],
            "domainColor": ink["soft"],
            "tickColor": ink["soft"],
            "labelFontSize": size,
            "titleFontSize": size,
            "titleFontWeight": "normal",
            "titlePadding": 6 * scale,
            "labelFlush": False,
            "labelPadding": 4 * scale,
        },
        # The plots of all charts begin and end at the same place, so that instants line up.
        "axisY": {"minExtent": 46 * scale, "maxExtent": 46 * scale},
        "legend": {
            "labelColor": ink["ink"],
            "titleColor": ink["ink"],
            "labelFontSize": size,
            "titleFontSize": size,
            "orient": "top",
            "direction": "horizontal",
            "symbolSize": 260 * scale,
            "title": None,
            "symbolBaseFillColor": ink["soft"],
            "symbolBaseStrokeColor": ink["soft"],
            "labelLimit": 260 * scale,
        },
        "header": {"labelColor": ink["ink"], "labelFontSize": size, "titleColor": ink["ink"]},
        "title": {
            "color": ink["ink"],
            "subtitleColor": ink["soft"],
            "fontSize": 17 * scale,
            "subtitleFontSize": size,
            "anchor": "start",
            "offset": 10 * scale,
            "subtitlePadding": 5 * scale,
        },
        # A pointed corner would reach beyond the value.
        "line": {"strokeJoin": "round"},
        "rule": {"color": ink["soft"], "strokeWidth": scale},
        "text": {"color": ink["ink"], "fontSize": size},
        "style": {
            "quiet": {"color": ink["soft"], "fill": ink["soft"]},
        },
    }


def colour_in(config: Mapping[str, Any], looks: Sequence[Look], *, theme: Theme) -> dict[str, Any]:
    """Return `config` with the colours of a drawing's devices, in the order of its scale."""
    return {**config, "range": {"category": [look.colour(theme) for look in looks]}}


def find_scale(width_px: float) -> float:
    """Return how much larger than on a page type is in a figure of that width."""
    return max(1.0, width_px / _PAGE_WIDTH_PX)
