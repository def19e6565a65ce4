"""Figures to publish of a device's page, written again only when what they show has changed."""

from __future__ import annotations

import hashlib
import json
import re
from typing import TYPE_CHECKING, Final

from tasks.report.figures import list_figures, write_figures
from tasks.report.shared import hash_of_looks

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from config.report import ReportSettings
    from tasks.report.drawing import Drawing
    from tasks.report.facts import DeviceFacts

_CAPTION: Final = (
    "One number per workout. In units of each number's margin (shaded); line: 95 % interval.",
    "Source: coworn; exports of devices worn together.",
)


#: What our own figures end in; a person may have put others beside them.
_OURS: Final = re.compile(r"-(wide|square)-(light|dark)\.(svg|png)$")


#: A figure as a page names it.
_NAMED: Final = re.compile(r'"(?:\.\./)?(figures/device-[^"]+)"')


def find_device_figures(device_id: str, folder: Path) -> Path:
    """Return the folder of a device's figures."""
    return folder / "figures" / f"device-{device_id}"


def has_dead_figures(device_id: str, folder: Path) -> bool:
    """Say whether the device's page names a figure that is not there any more."""
    page = folder / "devices" / f"{device_id}.html"
    named = _NAMED.findall(page.read_text(encoding="utf-8", errors="replace"))
    return not all((folder / name).is_file() for name in named)


def remove_device_figures(device_id: str, folder: Path) -> None:
    """Take away the figures of a device that is no more, and nothing else."""
    _clear(find_device_figures(device_id, folder), kept=set())


def _clear(place: Path, *, kept: set[Path]) -> None:
    for path in place.glob("*.*"):
        if path not in kept and _OURS.search(path.name):
            path.unlink(missing_ok=True)
    if place.is_dir() and not any(place.iterdir()):
        place.rmdir()


def write_device_figures(
    device: DeviceFacts,
    drawings: Iterable[Drawing],
    folder: Path,
    *,
    settings: ReportSettings,
    wanted: bool,
) -> dict[str, dict[str, str]]:
    """Return the paths inside `folder` of the figures that the settings name, by drawing and form.

    Figures of what the page no longer shows are taken away; they are made again when `wanted`.
    """
    place = find_device_figures(device.device_id, folder)
    found: dict[str, dict[str, str]] = {}
    kept: set[Path] = set()
    for drawing in drawings:
        if drawing.name.partition("--")[0] not in settings.figures:
            continue
        mark = _make_mark(drawing, settings)
        paths = list_figures(drawing, place, settings=settings)
        if not all(_is_made(path, mark) for path in paths.values()):
            if not wanted:
                continue
            write_figures(drawing, place, settings=settings, caption=_CAPTION, mark=mark)
        kept |= set(paths.values())
        found[drawing.name] = {
            form: path.relative_to(folder).as_posix() for form, path in paths.items()
        }
    _clear(place, kept=kept)
    return found


def _make_mark(drawing: Drawing, settings: ReportSettings) -> str:
    """Return twelve hex digits that change when anything in the figure would."""
    sizes = [settings.figure_wide_px, settings.figure_square_px]
    colours = [(device.look.light, device.look.dark) for device in drawing.devices]
    parts = [drawing.title, drawing.as_page_data(), sizes, colours, hash_of_looks()]
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()[:12]


def _is_made(path: Path, mark: str) -> bool:
    """Say whether a figure is there and, if it can tell, of today's numbers."""
    if path.suffix != ".svg":
        return path.is_file()
    try:
        return path.read_text(encoding="utf-8").rstrip().endswith(f"<!-- {mark} -->")
    except OSError:
        return False
