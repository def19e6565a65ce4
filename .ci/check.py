"""Every check of the project, one after another; a person and CI run the same.

    python .ci/check.py            all
    python .ci/check.py lint types only these

Each check prints its name, then what it says; the exit code is 1 when any of them failed.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
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
    # Files go to the processes one after another as they stand in the folders, the slow ones first.
    "tests": [
        *(PYTHON, "-m", "pytest", "-n", str(min(4, max(2, os.cpu_count() or 2)))),
        *("--dist", "loadgroup", "--no-loadscope-reorder"),
    ],
}


def run_check(name: str) -> bool:
    """Run one check and say how it ended."""
    print(f"\n=== {name}", flush=True)
    begun = time.monotonic()
    code = subprocess.run([str(part) for part in CHECKS[name]], cwd=ROOT, check=False).returncode
    outcome = "passed" if code == 0 else f"failed with exit code {code}"
    print(f"--- {name} {outcome} after {time.monotonic() - begun:.0f} s", flush=True)
    return code == 0


def main() -> int:
    """Run the named checks, or all of them; pytest comes last and so has the last word."""
    names = sys.argv[1:] or list(CHECKS)
    unknown = [name for name in names if name not in CHECKS]
    if unknown:
        print(f"no such check: {', '.join(unknown)}; there are {', '.join(CHECKS)}")
        return 2
    failed = [name for name in names if not run_check(name)]
    print(f"\nfailed: {', '.join(failed)}" if failed else "\nevery check passed", flush=True)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
