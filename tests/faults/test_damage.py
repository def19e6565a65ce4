"""Damaged files of every format do no harm (short seeded run of the fuzzer)."""

from __future__ import annotations

from tests.benchmarks import fuzz_readers

N_FILES = 420


def test_no_damaged_file_harms() -> None:
    report = fuzz_readers.fuzz(N_FILES, seed=20)
    assert report.harm == {}
    assert report.n_files == N_FILES
    assert report.peak_mb < fuzz_readers.MEMORY_MB
    ends = {kind: tally.ends for kind, tally in report.tallies.items()}
    assert set(ends) == {"csv", "fit", "gpx", "gzip", "notes", "tcx", "zip"}
    for kind in ("csv", "fit", "gpx", "tcx"):
        # Damage that no file survives, or that all survive, would try nothing.
        assert ends[kind]["refused"], kind
        assert ends[kind]["read"] + ends[kind]["partial"], kind


def test_a_hang_and_a_dead_process_are_seen() -> None:
    report = fuzz_readers.Report()
    seeds = fuzz_readers.make_seeds()[:1]
    fuzz_readers._read_chunk(seeds, 0, 1, 1, report, 0.0)
    assert [end[:4] for end in report.harm.values()] == ["HARM"]
