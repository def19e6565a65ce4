"""Tracks and courses as GPX.

Source: GPX 1.1 schema, http://www.topografix.com/GPX/1/1/gpx.xsd.
"""

from __future__ import annotations

import re
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Indices = NDArray[np.intp]

_NAMESPACE: Final = "http://www.topografix.com/GPX/1/1"
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_HALF_TURN_DEG: Final = 180.0
# XML 1.0, section 2.2 "Characters": these must not occur, not even escaped.
_FORBIDDEN: Final = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


@dataclass(frozen=True)
class Line:
    """A line of positions `(n,)` [deg], with times [microseconds since 1970 UTC] and heights [m].

    `stretches` are the parts of it that are drawn, as indices; each becomes a segment.
    """

    name: str
    description: str
    latitude_deg: Floats
    longitude_deg: Floats
    stretches: Sequence[Indices]
    kind: str | None = None
    time_us: Integers | None = None
    altitude_m: Floats | None = None


def write_gpx(path: Path, line: Line, *, creator: str) -> None:
    """Write a line as a track of its own."""
    from lxml import etree  # noqa: PLC0415 - only what is exported needs it

    with path.open("xb") as file, ExitStack() as stack:
        document: Any = stack.enter_context(etree.xmlfile(file, encoding="UTF-8"))
        document.write_declaration()
        root = document.element(
            f"{{{_NAMESPACE}}}gpx", version="1.1", creator=creator, nsmap={None: _NAMESPACE}
        )
        with root, document.element(f"{{{_NAMESPACE}}}trk"):
            _write_text(document, "name", line.name)
            _write_text(document, "desc", line.description)
            if line.kind is not None:
                _write_text(document, "type", line.kind)
            for stretch in line.stretches:
                document.write("\n")
                with document.element(f"{{{_NAMESPACE}}}trkseg"):
                    for index in stretch:
                        _write_point(document, line, int(index))


def _write_point(document: Any, line: Line, index: int) -> None:  # noqa: ANN401 - lxml has no types
    place = {
        "lat": spell_degrees(line.latitude_deg[index]),
        "lon": spell_degrees(line.longitude_deg[index], turning=True),
    }
    document.write("\n")
    with document.element(f"{{{_NAMESPACE}}}trkpt", **place):
        if line.altitude_m is not None and np.isfinite(line.altitude_m[index]):
            _write_text(document, "ele", f"{line.altitude_m[index]:.3f}".rstrip("0").rstrip("."))
        if line.time_us is not None:
            instant = _EPOCH + timedelta(microseconds=int(line.time_us[index]))
            _write_text(document, "time", instant.isoformat().replace("+00:00", "Z"))


def spell_degrees(value: float, *, turning: bool = False) -> str:
    """Return an angle as a decimal of a tenth of a millimetre, never with an exponent.

    Where it is `turning`, 180 is -180: longitudes of GPX stay below it.
    """
    rounded = round(float(value), 9) + 0.0
    if turning and rounded >= _HALF_TURN_DEG:
        rounded -= 2 * _HALF_TURN_DEG
    return f"{rounded:.9f}".rstrip("0").rstrip(".")


def _write_text(document: Any, name: str, text: str) -> None:  # noqa: ANN401 - lxml has no types
    with document.element(f"{{{_NAMESPACE}}}{name}"):
        document.write(_FORBIDDEN.sub("\N{REPLACEMENT CHARACTER}", text))
