"""Every check of the project; a person and CI run the same.

    python .ci/check.py            all
    python .ci/check.py lint types only these

Each check prints its name, then what it says; the exit code is 1 when any of them failed.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PYTHON = sys.executable
BIN = Path(PYTHON).parent

CHECKS = {
    "lint": [BIN / "ruff", "check", "."],
    "format": [BIN / "ruff", "format", "--check", "."],
    "types": [BIN / "mypy"],
    "imports": [BIN / "lint-imports", "--no-logo"],
    "reference": [PYTHON, ".ci/reference.py", "--check"],
    # CPU time against the same work by hand: no clock, and bounds that leave room.
    "speed": [PYTHON, "-m", "tests.benchmarks", "--short"],
    # Files go to the processes one after another as they stand in the folders, the slow ones first.
    # One process more than there are cores, since tests wait for something a quarter of their time.
    "tests": [
        *(PYTHON, "-m", "pytest", "-n", str(min(5, (os.cpu_count() or 1) + 1))),
        *("--dist", "loadfile", "--no-loadscope-reorder"),
    ],
}


def run_check(name: str, *, is_quiet: bool = False) -> int:
    """Run one check and return its exit code; a quiet one prints its output once it has ended."""
    command = [str(part) for part in CHECKS[name]]
    begun = time.monotonic()
    if not is_quiet:
        print(f"\n=== {name}", flush=True)
    done = subprocess.run(
        command,
        cwd=ROOT,
        check=False,
        text=True,
        stdout=subprocess.PIPE if is_quiet else None,
        stderr=subprocess.STDOUT if is_quiet else None,
    )
    said = f"\n=== {name}\n{done.stdout}" if is_quiet else ""
    outcome = "passed" if done.returncode == 0 else f"failed with exit code {done.returncode}"
    print(f"{said}--- {name} {outcome} after {time.monotonic() - begun:.0f} s", flush=True)
    return done.returncode


def list_failed(names: Sequence[str]) -> Iterator[str]:
    """Run the checks and yield the names of what failed.

    The others run one after another beside the tests, which wait for something a quarter of their
    time, or two at a time where there are no tests.
    """
    others = [name for name in names if name != "tests"]
    with ThreadPoolExecutor(1 if "tests" in names else 2) as pool:
        codes = pool.map(lambda name: run_check(name, is_quiet=True), others)
        code = run_check("tests") if "tests" in names else 0
        yield from (name for name, other in zip(others, codes, strict=True) if other)
    if code:
        yield "tests"


def main() -> int:
    """Run the named checks, or all of them; pytest has the last word."""
    names = sys.argv[1:] or list(CHECKS)
    unknown = [name for name in names if name not in CHECKS]
    if unknown:
        print(f"no such check: {', '.join(unknown)}; there are {', '.join(CHECKS)}")
        return 2
    failed = list(list_failed(names))
    print(f"\nfailed: {', '.join(failed)}" if failed else "\nevery check passed", flush=True)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
