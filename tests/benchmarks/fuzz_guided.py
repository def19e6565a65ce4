"""Looks for harm along the paths that the readers' code takes: coverage-guided fuzzing.

Run as `python -m tests.benchmarks.fuzz_guided --reader fit --minutes 10` (also csv, gpx, tcx, zip,
gzip, notes), with the extra `fuzz` installed. atheris and its libFuzzer change small good files
byte by byte and by the damages of `damaged_files`, and keep whatever reaches new code in the
readers, the normalising and the FIT decoders. Every input is held to the same as in
`fuzz_readers`: recordings or a refusal of one line, within 10 s and 512 MB, and no numbers from a
FIT file whose checksum does not fit. The fuzzer ends its process without asking Python, so it runs
as a child; after harm it begins anew with what it had learned. The exit code is 1 when anything
did harm; such inputs are kept in the folder that `--keep` names, and named.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from tests.benchmarks.damaged_files import HANG_S, MEMORY_MB, REPOSITORY, make_seeds

#: After so many harmful inputs the first of them want mending.
MOST_HARM: Final = 5
LONGEST_INPUT_BYTES: Final = 16_384
EDGES_TOLD: Final = re.compile(r"^#\d+\s+\w+\s+cov: (\d+)", re.MULTILINE)


@dataclass
class Guided:
    """What the fuzzer's children did, together."""

    executions: int = 0
    seeds: int = 0
    corpus: int = 0
    coverage: list[int] = field(default_factory=list)
    ends: dict[str, int] = field(default_factory=dict)
    slowest_s: float = 0.0
    peak_mb: float = 0.0
    harm: list[tuple[Path, str]] = field(default_factory=list)

    def add_facts(self, facts: dict[str, Any]) -> None:
        """Add what one child wrote down of itself."""
        self.executions += sum(facts["ends"].values())
        for end, count in facts["ends"].items():
            self.ends[end] = self.ends.get(end, 0) + count
        self.slowest_s = max(self.slowest_s, facts["slowest_s"])
        self.peak_mb = max(self.peak_mb, facts["peak_mb"])


def fuzz(reader: str, *, seconds: float, keep: Path) -> Guided:
    """Fuzz one reader for so long; harmful inputs are put into `keep`."""
    found = Guided()
    until = time.monotonic() + seconds
    with tempfile.TemporaryDirectory() as folder:
        corpus = Path(folder) / "corpus"
        corpus.mkdir()
        seeds = [seed for seed in make_seeds() if seed.format == reader]
        for number, seed in enumerate(seeds):
            (corpus / f"seed-{number}").write_bytes(seed.data)
        found.seeds = len(seeds)
        while (left_s := until - time.monotonic()) >= 1.0 and len(found.harm) < MOST_HARM:
            _run_child(reader, Path(folder), left_s, found, keep)
        found.corpus = len(list(corpus.iterdir()))
    return found


def _run_child(reader: str, folder: Path, left_s: float, found: Guided, keep: Path) -> None:
    artifacts = folder / "artifacts"
    artifacts.mkdir(exist_ok=True)
    facts = folder / "facts.json"
    facts.unlink(missing_ok=True)
    longest = max((path.stat().st_size for path in (folder / "corpus").iterdir()), default=0)
    log = folder / "log"
    with log.open("wb") as told:
        ended = subprocess.run(
            [
                sys.executable,
                "-m",
                "tests.benchmarks.fuzz_target",
                reader,
                str(facts),
                str(folder / "corpus"),
                f"-max_total_time={max(1, round(left_s))}",
                f"-timeout={HANG_S:.0f}",
                f"-rss_limit_mb={MEMORY_MB:.0f}",
                f"-max_len={max(longest, LONGEST_INPUT_BYTES)}",
                f"-artifact_prefix={artifacts}/",
            ],
            cwd=REPOSITORY,
            env=os.environ | {"PYTHONHASHSEED": "0"},
            stdout=told,
            stderr=subprocess.STDOUT,
            check=False,
        )
    text = log.read_text(encoding="utf-8", errors="replace")
    if not facts.exists():
        sys.exit(f"the fuzzer did not start:\n{text[-2000:]}")
    found.add_facts(json.loads(facts.read_text(encoding="utf-8")))
    found.coverage += [int(told) for told in EDGES_TOLD.findall(text)]
    left = sorted(artifacts.iterdir())
    for path in left:
        keep.mkdir(parents=True, exist_ok=True)
        kept = keep / f"{reader}-{path.name}"
        harmful = path.read_bytes()
        kept.write_bytes(harmful)
        path.unlink()
        for known in (folder / "corpus").iterdir():
            # The next child would begin with it, and end.
            if known.read_bytes() == harmful:
                known.unlink()
        found.harm.append((kept, _explain(text)))
    if ended.returncode and not left:
        found.harm.append((keep, f"the fuzzer ended with {ended.returncode}: {text[-300:]}"))


def _explain(text: str) -> str:
    """Return the line of the fuzzer's log that says what was wrong."""
    exception = re.search(r"Uncaught Python exception: ===\n(.*)", text)
    if exception:
        return exception.group(1)
    error = re.search(r"ERROR: libFuzzer: (.*)", text)
    return error.group(1) if error else text[-300:]


def main() -> int:
    """Fuzz and print what came of it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--reader", required=True, choices=sorted({s.format for s in make_seeds()}))
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument(
        "--keep",
        type=Path,
        default=Path(tempfile.gettempdir()) / "coworn-harm",
        help="folder for inputs that did harm",
    )
    asked = parser.parse_args()
    begun = time.monotonic()
    found = fuzz(asked.reader, seconds=asked.minutes * 60.0, keep=asked.keep)
    out = sys.stdout
    ends = ", ".join(f"{count} {end}" for end, count in sorted(found.ends.items()))
    cover = found.coverage or [0]
    out.write(
        f"{asked.reader}: {found.executions} inputs in {time.monotonic() - begun:.0f} s ({ends})\n"
        f"corpus from {found.seeds} to {found.corpus} inputs, edges of code reached from "
        f"{cover[0]} to {max(cover)}\n"
        f"slowest input {found.slowest_s:.2f} s, most memory {found.peak_mb:.0f} MB, "
        f"harmful inputs {len(found.harm)}\n"
    )
    for path, why in found.harm:
        out.write(f"{path}: {why}\n")
    return 1 if found.harm or found.peak_mb > MEMORY_MB or not found.executions else 0


if __name__ == "__main__":
    sys.exit(main())
