"""Damaged files of every format do no harm (short seeded run of the fuzzer)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pyfitparsernative
import pytest

from tasks.core.discovery import load_readers
from tasks.core.errors import DamagedError
from tasks.core.reading import read_export
from tasks.core.recording import ExportFile, Recording
from tasks.core.registers import READERS, ReadOptions, reader
from tests.benchmarks import fuzz_readers
from tests.benchmarks.damaged_files import MEMORY_MB, make_seeds

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

N_FILES = 630
#: Bytes that make pyfitparsernative 0.2.3, written in Rust, panic: it divides by a size of zero.
PANIC = bytes.fromhex(
    "0e204308ce0000002e464954844240000100000500010001028402028403048c040486000400ff0007bb40e6"
    "4d3b9aca00400001006516fd04860204860304860502840701000c0100003b9aca19373b9aca1e000061a800"
    "090201420001001206fd04860204860501000601000704862c0284023b9aca373b9aca00051102028403048c"
    "040486000400ff0007bb40e64d3b9aca00410001001404fd0486030102490486050486013b9aca6478000026"
    "9400000000013b9aca657800002694000003e8420001001205fd0486020486050100060100070486023b9aca"
    "fc80"
)


def test_no_damaged_file_harms() -> None:
    report = fuzz_readers.fuzz(N_FILES, seed=20)
    assert report.harm == {}
    assert report.n_files == N_FILES
    assert report.peak_mb < MEMORY_MB
    ends = {kind: tally.ends for kind, tally in report.tallies.items()}
    load_readers()
    assert set(ends) == {*READERS, "gzip", "notes", "zip"}
    for kind in READERS:
        # Damage that no file survives, or that all survive, would try nothing.
        assert ends[kind]["refused"], kind
        assert ends[kind]["read"] + ends[kind]["partial"], kind


def test_a_hang_and_a_dead_process_are_seen() -> None:
    report = fuzz_readers.Report()
    seeds = make_seeds()[:1]
    fuzz_readers._read_chunk(seeds, 0, 1, 1, report, 0.0)
    assert [end[:4] for end in report.harm.values()] == ["HARM"]


@pytest.fixture
def panicking() -> Iterator[str]:
    """Register a reader that hands its export to a real decoder that panics."""
    load_readers()

    @reader(
        "rust",
        suffixes=(".rust",),
        sniff=lambda head: head.startswith(b"\x00rust"),
        is_complete=lambda _: True,
        source="invented for this test",
    )
    def read_rust(export: ExportFile, options: ReadOptions) -> tuple[Recording, ...]:  # noqa: ARG001
        pyfitparsernative.parse_fit_bytes(PANIC)
        raise AssertionError("it did not panic; find other bytes")

    yield "rust"
    del READERS["rust"]


def test_a_panic_of_a_real_decoder_is_one_refusal(panicking: str, tmp_path: Path) -> None:
    path = tmp_path / f"run.{panicking}"
    path.write_bytes(b"\x00rust and more than a handful of bytes")
    with pytest.raises(
        DamagedError, match=r"run\.rust: its rust content .*PanicException"
    ) as caught:
        read_export(ExportFile(path, path.name), ReadOptions())
    # No Exception: whoever catches only those would end with it.
    assert not isinstance(caught.value.__cause__, Exception)
