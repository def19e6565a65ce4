"""The full statistics: every seed, every kill, fuzzing and the soak, with a table of figures.

Run as `python -m tests.statistics`; `python -m tests.statistics kills soak` runs only these parts
and `--share 0.1` a tenth of their sizes. Every part is a program of its own whose output goes to a
log; what it says of its result stands in the table, with the time it took. The exit code is 1 when
any part failed. On two cores with nothing else running all parts take some three hours.
"""

from __future__ import annotations

import argparse
import os
import re
import resource
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parents[1]
SEEDS_RIGHT: Final = re.compile(r"\| (\d+)/(\d+) \|")


@dataclass(frozen=True)
class Part:
    """One program: its words for a share of the full size, and what to take out of its output."""

    name: str
    make_words: Callable[[float], Sequence[str]]
    find_figure: Callable[[str], str]
    needs: str | None = None


@dataclass(frozen=True)
class Outcome:
    """What one part came to."""

    name: str
    state: str
    figure: str
    wall_s: float
    cpu_s: float


def scale(size: int, share: float) -> str:
    """Return a share of a number of repetitions, at least one."""
    return str(max(1, round(size * share)))


def find_line(*words: str) -> Callable[[str], str]:
    """Return a function that joins the last lines of an output in which each of `words` stands."""

    def find(said: str) -> str:
        found = [
            next((line for line in reversed(said.splitlines()) if word in line), f"no {word!r}")
            for word in words
        ]
        return "; ".join(line.strip(" =") for line in found)

    return find


def count_seeds_right(said: str) -> str:
    """Add up the cells of the recovery table that say how many seeds are right."""
    cells = [(int(right), int(of)) for right, of in SEEDS_RIGHT.findall(said)]
    right, of = sum(one for one, _ in cells), sum(one for _, one in cells)
    return f"{right} of {of} values within their tolerance, {len(cells)} quantities"


def guide_fuzzing(reader: str) -> Part:
    """Return the part in which new code of one reader is looked for."""

    def make_words(share: float) -> Sequence[str]:
        program = "tests.benchmarks.fuzz_guided"
        return (program, "--reader", reader, "--minutes", f"{10 * share:g}")

    return Part(f"fuzz-{reader}", make_words, find_line(" inputs in ", "harmful"), needs="atheris")


PARTS: Final = (
    Part(
        "tests",
        lambda _: (
            *("pytest", "--full", "-q", "-n", "2"),
            *("--dist", "loadgroup", "--no-loadscope-reorder"),
        ),
        find_line(" in "),
    ),
    Part(
        "recovery",
        lambda share: ("tests.recovery", scale(40, share)),
        count_seeds_right,
    ),
    Part(
        "coverage",
        lambda share: ("tests.benchmarks.coverage", "--runs", scale(400, share)),
        find_line("cells of"),
    ),
    Part(
        "coverage-delays",
        lambda share: ("tests.benchmarks.coverage_delays", "--runs", scale(200, share)),
        find_line("cells of"),
    ),
    Part(
        "kills",
        lambda share: ("tests.faults.kills", "--kills", scale(200, share)),
        find_line(" kills in ", "lost"),
    ),
    Part(
        "command-kills",
        lambda share: ("tests.faults.command_kills", "--kills", scale(40, share)),
        find_line(" kills in ", "lost"),
    ),
    Part(
        "correction-kills",
        lambda share: ("tests.faults.correction_kills", "--kills", scale(42, share)),
        find_line(" kills in ", "lost"),
    ),
    Part(
        "fuzz",
        lambda share: ("tests.benchmarks.fuzz_readers", "--files", scale(14_000, share)),
        find_line(" files in "),
    ),
    *(guide_fuzzing(reader) for reader in ("fit", "gpx", "tcx", "csv")),
    Part(
        "soak",
        lambda share: ("tests.benchmarks.soak", "--minutes", f"{30 * share:g}"),
        find_line(" drops in ", "last tenth"),
    ),
)


def run_part(part: Part, share: float, logs: Path) -> Outcome:
    """Run one part to its end."""
    if part.needs is not None and find_spec(part.needs) is None:
        return Outcome(part.name, "NOT RUN", f"{part.needs} is not installed", 0.0, 0.0)
    log = logs / f"{part.name}.log"
    begun, cpu_before = time.monotonic(), _count_cpu_s()
    with log.open("w") as file:
        ended = subprocess.run(
            [sys.executable, "-m", *part.make_words(share)],
            cwd=ROOT,
            stdout=file,
            stderr=subprocess.STDOUT,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
            check=False,
        )
    state = "passed" if ended.returncode == 0 else f"FAILED ({ended.returncode})"
    figure = part.find_figure(log.read_text())
    return Outcome(part.name, state, figure, time.monotonic() - begun, _count_cpu_s() - cpu_before)


def _count_cpu_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def write_table(outcomes: Sequence[Outcome]) -> str:
    """Return a Markdown table, one line for each part."""
    lines = ["| part | result | figure | wall [min] | CPU [min] |", "|---|---|---|---|---|"]
    for one in outcomes:
        minutes = f"{one.wall_s / 60:.1f} | {one.cpu_s / 60:.1f}"
        lines.append(f"| {one.name} | {one.state} | {one.figure} | {minutes} |")
    return "\n".join(lines) + "\n"


def main(words: Sequence[str] | None = None) -> int:
    """Run the named parts, or all of them, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    names = [part.name for part in PARTS]
    parser.add_argument("parts", nargs="*", metavar="PART", help=", ".join(names))
    parser.add_argument("--share", type=float, default=1.0, help="share of the full sizes")
    parser.add_argument("--logs", type=Path, default=Path("statistics-logs"))
    asked = parser.parse_args(words)
    if unknown := set(asked.parts) - set(names):
        parser.error(f"no such part: {', '.join(sorted(unknown))}; there are {', '.join(names)}")
    asked.logs.mkdir(parents=True, exist_ok=True)
    outcomes = []
    for part in PARTS:
        if part.name in (asked.parts or names):
            sys.stderr.write(f"{part.name} ...\n")
            outcomes.append(run_part(part, asked.share, asked.logs))
    sys.stdout.write(write_table(outcomes))
    return 1 if any(one.state.startswith("FAILED") for one in outcomes) else 0


if __name__ == "__main__":
    sys.exit(main())
