"""Imports every file of the packages that fill the registers, so that no list is kept by hand."""

from __future__ import annotations

import importlib
import pkgutil
from functools import cache


@cache
def load_readers() -> None:
    """Import every module of `tasks.readers`."""
    _import_all("tasks.readers")


@cache
def load_metrics() -> None:
    """Import every module of `tasks.metrics`."""
    _import_all("tasks.metrics")


@cache
def load_charts() -> None:
    """Import every module of `tasks.report.charts`."""
    _import_all("tasks.report.charts")


def _import_all(package_name: str) -> None:
    package = importlib.import_module(package_name)
    for module in pkgutil.iter_modules(package.__path__):
        importlib.import_module(f"{package_name}.{module.name}")
