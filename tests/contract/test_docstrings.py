"""Public functions of the mathematics name each parameter and what they return, in sections."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
import re
from collections.abc import Callable
from typing import Any

import pytest

from tasks import maths

HEADING = re.compile(r"^(?P<name>[A-Z]\w+)\n-+\n", re.MULTILINE)


def list_functions() -> list[Callable[..., Any]]:
    found = []
    for found_module in pkgutil.iter_modules(maths.__path__):
        module = importlib.import_module(f"tasks.maths.{found_module.name}")
        found += [
            function
            for called, function in inspect.getmembers(module, inspect.isfunction)
            if function.__module__ == module.__name__ and not called.startswith("_")
        ]
    return found


def read_sections(function: Callable[..., Any]) -> dict[str, str]:
    """Return the text of each section of a docstring by its heading."""
    parts = HEADING.split(inspect.getdoc(function) or "")
    return dict(zip(parts[1::2], parts[2::2], strict=True))


@pytest.mark.parametrize("function", list_functions(), ids=lambda function: function.__qualname__)
def test_every_parameter_and_the_result_are_described(function: Callable[..., Any]) -> None:
    sections = read_sections(function)
    described = [
        name
        for line in sections["Parameters"].splitlines()
        if line and not line.startswith(" ")
        for name in line.split(", ")
    ]
    assert described == list(inspect.signature(function).parameters)
    assert sections["Returns"].strip()
