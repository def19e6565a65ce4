"""The one shared copy of scripts and styles in a report's folder.

The drawing library is taken out of the installed package `vl-convert-python`, which carries Vega,
Vega-Lite and Vega-Embed (BSD-3-Clause); nothing is downloaded.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from functools import cache
from importlib import metadata, resources
from pathlib import Path
from typing import Final

from tasks.report.drawing import VEGA_LITE
from tasks.report.files import write_if_changed

_ASSETS: Final = (
    "report.css",
    "report.js",
    "folds.js",
    "stretch.js",
    "minutes.js",
    "map.js",
    "charts.js",
)
#: Exposes what the pages' scripts use.
_SNIPPET: Final = "window.vegaEmbed = vegaEmbed;"


def write_shared(folder: Path) -> None:
    """Write the shared files where they are missing or of another version."""
    for name in _ASSETS:
        write_if_changed(folder / "shared" / name, _read_asset(name))
    _write_library(folder / "shared" / "vega.js")


@cache
def hash_of_looks() -> str:
    """Return twelve hex digits that change when templates, scripts, styles or the code here do."""
    digest = hashlib.sha256()
    for part in (".", "charts", "assets", "templates"):
        entries = resources.files("tasks.report").joinpath(part).iterdir()
        for entry in sorted(entries, key=lambda one: one.name):
            if entry.is_file():
                digest.update(entry.name.encode() + entry.read_bytes())
    return digest.hexdigest()[:12]


def _read_asset(name: str) -> str:
    return resources.files("tasks.report").joinpath("assets", name).read_text(encoding="utf-8")


def _write_library(path: Path) -> None:
    first = _name_library()
    if _begins_with(path, first):
        return
    cached = find_cache() / path.name
    if not _begins_with(cached, first):
        import vl_convert  # noqa: PLC0415 - starts a script engine

        text = first + vl_convert.javascript_bundle(_SNIPPET, vl_version=VEGA_LITE)
        write_if_changed(path, text)
        # Bundling takes seconds; the next home of the same person need not wait for it.
        with contextlib.suppress(OSError):
            write_if_changed(cached, text)
        return
    write_if_changed(path, cached.read_text(encoding="utf-8"))


def find_cache() -> Path:
    """Return the folder for what can always be made again."""
    named = os.environ.get("XDG_CACHE_HOME") or os.environ.get("LOCALAPPDATA")
    return (Path(named) if named else Path.home() / ".cache") / "coworn"


def _name_library() -> str:
    """Return the first line of the library, which says what it was made from."""
    version = metadata.version("vl-convert-python")
    return f"/* Vega, Vega-Lite {VEGA_LITE}, Vega-Embed (BSD-3-Clause), vl-convert {version} */\n"


def _begins_with(path: Path, first: str) -> bool:
    try:
        with path.open(encoding="utf-8") as file:
            return file.readline() == first
    except OSError:
        return False
