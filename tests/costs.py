"""What each test file costs, as a plugin: `python -m pytest -p tests.costs` ends with a table.

CPU time of the process that runs a test and of all its children, also of those that have ended; a
process that was left alone by its parent is not counted.
"""

from __future__ import annotations

import contextlib
from collections import defaultdict
from typing import TYPE_CHECKING, Final

import psutil
import pytest

if TYPE_CHECKING:
    from collections.abc import Generator

_NAME: Final = "cpu_s"
_MOST: Final = 40


def measure_cpu_s() -> float:
    """Return the CPU time of this process and of all that it started [s]."""
    total_s = 0.0
    here = psutil.Process()
    for process in (here, *here.children(recursive=True)):
        with contextlib.suppress(psutil.Error):
            times = process.cpu_times()
            total_s += times.user + times.system + times.children_user + times.children_system
    return total_s


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Lay what a test has cost beside its last report, which another process may read."""
    if call.when == "teardown":
        item.user_properties.append((_NAME, measure_cpu_s() - item.stash[_BEGUN]))
    return (yield)


_BEGUN: Final = pytest.StashKey[float]()


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    """Note where a test begins."""
    item.stash[_BEGUN] = measure_cpu_s()


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Print the dearest files and tests."""
    files: dict[str, float] = defaultdict(float)
    tests: dict[str, float] = {}
    for reports in terminalreporter.stats.values():
        for report in reports:
            if isinstance(report, pytest.TestReport) and report.when == "teardown":
                cost_s = float(str(dict(report.user_properties).get(_NAME, 0.0)))
                files[report.nodeid.partition("::")[0]] += cost_s
                tests[report.nodeid] = cost_s
    terminalreporter.section(f"CPU time: {sum(files.values()):.0f} s")
    for costs in (files, tests):
        for name in sorted(costs, key=costs.__getitem__, reverse=True)[:_MOST]:
            terminalreporter.write_line(f"{costs[name]:7.1f} s  {name}")
