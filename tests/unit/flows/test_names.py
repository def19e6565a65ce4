"""Prefect puts `flows/` first among the modules: no file there may hide another module."""

from __future__ import annotations

import sys
from importlib import metadata
from pathlib import Path

FLOWS = Path(__file__).resolve().parents[3] / "flows"


def test_no_flow_file_or_folder_hides_a_module() -> None:
    files = {path.stem for path in FLOWS.glob("*.py")} - {"__init__"}
    folders = {path.parent.name for path in FLOWS.glob("*/__init__.py")}
    names = files | folders
    ours = {"tasks", "config", "flows"}
    libraries = set(metadata.packages_distributions())
    assert not names & (set(sys.stdlib_module_names) | ours | libraries)
