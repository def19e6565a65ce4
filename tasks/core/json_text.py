"""What readers of JSON share: which text is a map, and what is said of one that is none."""

from __future__ import annotations

import re
from typing import Final

from tasks.core.errors import DamagedError

_MAP: Final = re.compile(
    rb'"type"\s*:\s*"(?:FeatureCollection|Feature|LineString|MultiLineString)"'
)


def is_map(head: bytes) -> bool:
    """Say whether the beginning of a JSON text is that of GeoJSON."""
    return _MAP.search(head) is not None


def make_malformed_error(name: str, error: Exception) -> DamagedError:
    """Return the error of a text that cannot be parsed."""
    return DamagedError(
        name,
        found=f"it is no well-formed JSON ({error})",
        remedy="export it again; a file that was cut off cannot be read",
    )
