"""Elevation: ascent and descent, and the profile of heights."""

from __future__ import annotations

import importlib
import pkgutil

# Every file here fills the registers; a new one needs no line anywhere.
for _module in pkgutil.iter_modules(__path__):
    importlib.import_module(f"{__name__}.{_module.name}")
