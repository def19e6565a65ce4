"""Return the readers thousands of damaged files and looks whether any of them does harm.

Run as `python -m tests.benchmarks.fuzz_readers --files 10000 --seed 1`. Small good files of every
format are cut, flipped, spliced, filled with zeros, stretched and rewritten; FIT files also get a
checksum that fits their damage, so that it comes past the first gate. Every file goes the whole
way: completeness, reader, normalising, or the archive or notes reader. It must end in recordings
or in a refusal of one line that names the file; within 10 s; and a FIT file that kept its length
but not its checksum must not give numbers. It prints for each format how many were tried, read,
partial and refused, the slowest file, and the memory of the process that read them all. The exit
code is 1 when any file did harm; such files are kept in the folder that `--keep` names.
"""

from __future__ import annotations

import argparse
import multiprocessing
import random
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from tasks.core.discovery import load_readers
from tests.benchmarks.damaged_files import (
    HANG_S,
    MEMORY_MB,
    Seed,
    damage,
    make_seeds,
    measure_peak_mb,
    read_whole_way,
)

if TYPE_CHECKING:
    from collections.abc import Iterator
    from multiprocessing.connection import Connection

CHUNK: Final = 200


@dataclass
class Tally:
    """What became of the files of one format."""

    ends: Counter[str] = field(default_factory=Counter)
    slowest_s: float = 0.0


def read_all(seeds: list[Seed], first: int, last: int, seed: int, line: Connection) -> None:
    """Be the child: damage and read the files with these numbers; tell each one's end."""
    with tempfile.TemporaryDirectory() as folder:
        scratch = Path(folder) / "expanded"
        scratch.mkdir()
        for number in range(first, last):
            kind, data = make_file(seeds, number, seed)
            path = Path(folder) / "damaged"
            path.write_bytes(data)
            line.send(("begin", number, kind.format))
            begun = time.monotonic()
            try:
                end = read_whole_way(path, kind.name, scratch)
            except BaseException as error:  # noqa: BLE001 - whatever it is, it is the finding
                end = f"HARM {type(error).__name__}: {error}"
            line.send(("end", end, time.monotonic() - begun, measure_peak_mb()))
    line.send(("over",))


def make_file(seeds: list[Seed], number: int, seed: int) -> tuple[Seed, bytes]:
    """Return damaged file `number`: formats take turns, so that each gets the same share."""
    chance = random.Random(f"{seed}-{number}")  # noqa: S311 - damage, not secrets
    formats = sorted({one.format for one in seeds})
    chosen = [one for one in seeds if one.format == formats[number % len(formats)]]
    kind = chance.choice(chosen)
    return kind, damage(kind, chance.choice(seeds), chance)


@dataclass
class Report:
    """Tallies by format, harm by file number, and the most memory that a process took [MB]."""

    tallies: dict[str, Tally] = field(default_factory=dict)
    harm: dict[int, str] = field(default_factory=dict)
    peak_mb: float = 0.0

    @property
    def n_files(self) -> int:
        return sum(sum(tally.ends.values()) for tally in self.tallies.values())


def fuzz(n_files: int, *, seed: int, hang_s: float = HANG_S) -> Report:
    """Read `n_files` damaged files in child processes, a few hundred in each."""
    load_readers()
    seeds = make_seeds()
    report = Report()
    first = 0
    while first < n_files:
        first = _read_chunk(seeds, first, min(first + CHUNK, n_files), seed, report, hang_s)
    return report


def _read_chunk(
    seeds: list[Seed], first: int, last: int, seed: int, report: Report, hang_s: float
) -> int:
    """Let one child read the files from `first`; return the number of the next one to read."""
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe(duplex=False)
    child = context.Process(target=read_all, args=(seeds, first, last, seed, theirs))
    child.start()
    theirs.close()
    number, kind = first, ""
    try:
        for told in _listen(ours, hang_s):
            if told[0] == "begin":
                number, kind = told[1], told[2]
            elif told[0] == "end":
                _, end, took_s, peak_mb = told
                _count(report, kind, number, end, took_s)
                report.peak_mb = max(report.peak_mb, peak_mb)
            else:
                return last
    except TimeoutError:
        _count(report, kind, number, f"HARM more than {hang_s:g} s", hang_s)
    except EOFError:
        child.join()
        _count(report, kind, number, f"HARM the process died ({child.exitcode})", 0.0)
    finally:
        child.kill()
        child.join()
    return number + 1


def _listen(line: Connection, hang_s: float) -> Iterator[Any]:
    # The child's start takes its time, too.
    while line.poll(hang_s + 50.0):
        yield line.recv()
        if not line.poll(hang_s):
            break
    raise TimeoutError


def _count(report: Report, kind: str, number: int, end: str, took_s: float) -> None:
    tally = report.tallies.setdefault(kind, Tally())
    tally.ends[end.partition(" ")[0]] += 1
    tally.slowest_s = max(tally.slowest_s, took_s)
    if end.startswith("HARM"):
        report.harm[number] = end


def main() -> int:
    """Fuzz and print what came of it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, default=None, help="folder for files that did harm")
    asked = parser.parse_args()
    begun = time.monotonic()
    report = fuzz(asked.files, seed=asked.seed)
    took_s = time.monotonic() - begun
    out = sys.stdout
    out.write("format   tried   read  partial  refused  harm  slowest\n")
    for kind, tally in sorted(report.tallies.items()):
        ends = tally.ends
        out.write(
            f"{kind:7} {sum(ends.values()):6} {ends['read']:6} {ends['partial']:8} "
            f"{ends['refused']:8} {ends['HARM']:5}  {tally.slowest_s:6.2f} s\n"
        )
    out.write(
        f"{report.n_files} files in {took_s:.0f} s; most memory of a process {report.peak_mb:.0f} "
        f"MB\n"
    )
    seeds = make_seeds()
    for number, end in sorted(report.harm.items()):
        kind_of, data = make_file(seeds, number, asked.seed)
        out.write(f"file {number} ({kind_of.name}): {end}\n")
        if asked.keep is not None:
            asked.keep.mkdir(parents=True, exist_ok=True)
            (asked.keep / f"{number}-{kind_of.name}").write_bytes(data)
    return 1 if report.harm or report.peak_mb > MEMORY_MB else 0


if __name__ == "__main__":
    sys.exit(main())
