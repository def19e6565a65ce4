"""The open-data package: every table as tidy CSV, the tracks as GPX, and their description."""

from __future__ import annotations

from tasks.package.place import require_place
from tasks.package.write import Written, write_package

__all__ = ["Written", "require_place", "write_package"]
