"""The process of `fuzz_guided` in which the fuzzer itself runs; it is not started by hand.

Arguments: the format, the file for what it writes down of itself, then those of libFuzzer.
"""

from __future__ import annotations

import contextlib
import json
import random
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Final

import atheris

INSTRUMENTED: Final = ["tasks.readers", "tasks.normalise", "tasks.core", "fitparse", "fitdecode"]
#: How often the facts are written down while nothing new is in them [inputs].
FACTS_EVERY: Final = 50

with atheris.instrument_imports(include=INSTRUMENTED):
    from tasks.core.discovery import load_readers
    from tests.benchmarks import damaged_files

    load_readers()


class Target:
    """Takes inputs the whole way and writes down how they ended."""

    def __init__(self, kind: str, facts: Path, folder: Path) -> None:
        self.seeds = [seed for seed in damaged_files.make_seeds() if seed.format == kind]
        self.name = "damaged.notes.toml" if kind == "notes" else f"damaged.{kind}"
        self.kind = kind
        self.facts = facts
        self.path = folder / "damaged"
        self.scratch = folder / "expanded"
        self.scratch.mkdir()
        self.ends: Counter[str] = Counter()
        self.slowest_s = 0.0

    def read(self, data: bytes) -> None:
        """Be called with each input; whatever is raised here is harm."""
        self.path.write_bytes(data)
        begun = time.monotonic()
        try:
            end = damaged_files.read_whole_way(self.path, self.name, self.scratch)
        except BaseException:
            self._count("harmful", begun)
            self.write_facts()
            raise
        self._count(end, begun)

    def change(self, data: bytes, longest: int, seed: int) -> bytes:
        """Return a changed input: one of libFuzzer's own changes, or a damage to it."""
        chance = random.Random(seed)  # noqa: S311 - damage, not secrets
        if data and chance.random() < 0.2:
            base = damaged_files.Seed(self.kind, self.name, data)
            changed = bytearray(damaged_files.damage(base, chance.choice(self.seeds), chance))
        else:
            changed = bytearray(atheris.Mutate(data, longest))
        # Without a checksum that fits, no change to a FIT file comes past the first gate.
        if self.kind == "fit" and chance.random() < 0.8:
            with contextlib.suppress(ValueError, OverflowError):
                damaged_files.mend_frame(changed)
        return bytes(changed[:longest])

    def write_facts(self) -> None:
        """Write down what was found so far."""
        facts = {
            "ends": self.ends,
            "slowest_s": self.slowest_s,
            "peak_mb": damaged_files.measure_peak_mb(),
        }
        self.facts.write_text(json.dumps(facts), encoding="utf-8")

    def _count(self, end: str, begun: float) -> None:
        took_s = time.monotonic() - begun
        self.ends[end] += 1
        if took_s > self.slowest_s or sum(self.ends.values()) % FACTS_EVERY == 1:
            self.slowest_s = max(self.slowest_s, took_s)
            self.write_facts()


def main() -> None:
    """Fuzz until libFuzzer ends the process."""
    name, kind, facts, *rest = sys.argv
    with tempfile.TemporaryDirectory() as folder:
        target = Target(kind, Path(facts), Path(folder))
        atheris.Setup([name, *rest], target.read, custom_mutator=target.change)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
