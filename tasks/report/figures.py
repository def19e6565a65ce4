"""Figures to publish: the page's drawings as SVG and PNG, 16:9 and square, light and dark.

Made without a browser and the same every time: the same drawing gives the same bytes.
"""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from tasks.report.drawing import VEGA_LITE, apply_theme
from tasks.report.figure_words import FigureWords, describe_png, describe_svg
from tasks.report.files import write_if_changed
from tasks.report.looks import THEMES
from tasks.report.map_svg import frame_map

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from config.report import ReportSettings
    from tasks.report.drawing import Drawing
    from tasks.report.looks import Theme

_WIDE: Final = 9 / 16


def list_forms(settings: ReportSettings) -> dict[str, tuple[int, int]]:
    """Return width and height of the forms [px]."""
    wide, square = settings.figure_wide_px, settings.figure_square_px
    return {"wide": (wide, round(wide * _WIDE)), "square": (square, square)}


def list_figures(drawing: Drawing, folder: Path, *, settings: ReportSettings) -> dict[str, Path]:
    """Return the paths of a drawing's figures by form, e.g. wide-light.svg."""
    forms = [f"{form}-{theme}" for form in list_forms(settings) for theme in THEMES]
    names = [f"{form}.{suffix}" for form in forms for suffix in ("svg", "png")]
    return {name: folder / f"{drawing.name}-{name}" for name in names}


def write_figures(
    drawing: Drawing,
    folder: Path,
    *,
    settings: ReportSettings,
    caption: Sequence[str],
    mark: str = "",
    title: str = "",
    licence: str = "",
) -> dict[str, Path]:
    """Write a drawing in every form; return the paths by form.

    Its `title` says what was found; the drawing's own one stands there without it.

    A `mark` stands at the end of each SVG, which is written after its PNG: where it stands, both
    are of the same numbers.
    """
    import vl_convert  # noqa: PLC0415 - starts a script engine

    paths = list_figures(drawing, folder, settings=settings)
    for form, (width, height) in list_forms(settings).items():
        for theme in THEMES:
            svg = make_svg(
                drawing,
                theme=theme,
                width=width,
                height=height,
                caption=caption,
                title=title,
                licence=licence,
            )
            png = describe_png(
                vl_convert.svg_to_png(svg, scale=1.0), word_figure(drawing, title, licence)
            )
            write_if_changed(paths[f"{form}-{theme}.png"], png)
            marked = f"{svg}\n<!-- {mark} -->\n" if mark else svg
            write_if_changed(paths[f"{form}-{theme}.svg"], marked)
    return paths


def make_svg(
    drawing: Drawing,
    *,
    theme: Theme,
    width: int,
    height: int,
    caption: Sequence[str],
    title: str = "",
    licence: str = "",
) -> str:
    """Return a drawing as an SVG of exactly that size [px], title and caption included."""
    svg = _draw(drawing, theme, (width, height), caption=caption, title=title or drawing.title)
    return describe_svg(svg, word_figure(drawing, title, licence))


def word_figure(drawing: Drawing, title: str, licence: str) -> FigureWords:
    """Return what a figure says of itself in its file."""
    return FigureWords(title or drawing.title, drawing.alternative, licence=licence)


def _draw(
    drawing: Drawing, theme: Theme, size_px: tuple[int, int], *, caption: Sequence[str], title: str
) -> str:
    if drawing.plan is not None:
        return frame_map(drawing.plan, title=title, caption=caption, size_px=size_px, theme=theme)
    import vl_convert  # noqa: PLC0415 - as above

    width, height = size_px
    named = replace(drawing, title=title)
    spec = apply_theme(named, theme=theme, width_px=width, height_px=height, subtitle=caption)
    return frame(vl_convert.vegalite_to_svg(spec, vl_version=VEGA_LITE), width=width, height=height)


_SIZE: Final = re.compile(r'(<svg[^>]*?) width="([\d.]+)" height="([\d.]+)" viewBox="[^"]*"')
_PAPER: Final = re.compile(r'<rect width="[\d.]+" height="[\d.]+" fill="([^"]+)"')


def frame(svg: str, *, width: int, height: int) -> str:
    """Return an SVG the wanted size: what was drawn stays whole, its background fills the rest."""
    found = _SIZE.search(svg)
    if found is None:
        return svg
    drawn_width, drawn_height = float(found[2]), float(found[3])
    zoom = max(drawn_width / width, drawn_height / height)
    whole_width, whole_height = width * zoom, height * zoom
    left, top = (drawn_width - whole_width) / 2, (drawn_height - whole_height) / 2
    box = f"{left:.2f} {top:.2f} {whole_width:.2f} {whole_height:.2f}"
    svg = _SIZE.sub(
        lambda match: f'{match[1]} width="{width}" height="{height}" viewBox="{box}"', svg, count=1
    )
    return _PAPER.sub(
        lambda match: (
            f'<rect x="{left:.2f}" y="{top:.2f}" width="{whole_width:.2f}" '
            f'height="{whole_height:.2f}" fill="{match[1]}"'
        ),
        svg,
        count=1,
    )
