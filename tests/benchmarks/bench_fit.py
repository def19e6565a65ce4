"""Times the FIT reader against fitparse in its default form, on a file of our own making.

Run as `python -m tests.benchmarks.bench_fit [FILE]`. Each way runs in a process of its own; printed
are seconds, the ratio to fitparse's default, and how much memory each added to what its imports
hold. Ratios travel between machines, seconds do not.
"""

from __future__ import annotations

import multiprocessing
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from tests.simulate.fit_activity import add_intervals, add_record, add_session, begin

N_RECORDS = 21_600
#: Blocks of ru_maxrss in a megabyte: bytes on macOS, KiB elsewhere.
_PER_MEGABYTE = 1e6 if sys.platform == "darwin" else 1e3


def write_six_hours() -> bytes:
    """Return six hours at one record per second, with beats every other second."""
    file = begin()
    for second in range(N_RECORDS):
        add_record(
            file,
            second,
            {
                0: 614_418_933 + second,
                1: -1_431_655 - second,
                3: 100 + second % 60,
                4: 85,
                5: 310 * second,
                7: 200 + second % 40,
                13: 21,
                73: 3_100,
                78: 3_000 + second % 500,
            },
        )
        if second % 2:
            add_intervals(file, 500, 510, 490)
    add_session(file, 0, N_RECORDS - 1)
    return file.build()


def read_with_fitparse(path: Path) -> int:
    """Read all records into dictionaries, the way its documentation shows."""
    import fitparse  # noqa: PLC0415 - its memory must not be in the other process

    return len([message.get_values() for message in fitparse.FitFile(str(path)).messages])


def read_with_ours(path: Path) -> int:
    """Read the file to a recording."""
    from tasks.core.reading import read_export  # noqa: PLC0415 - as above
    from tasks.core.recording import ExportFile  # noqa: PLC0415 - as above
    from tasks.core.registers import ReadOptions  # noqa: PLC0415 - as above

    recordings = read_export(ExportFile(path, path.name), ReadOptions())
    return sum(recording.samples.num_rows for recording in recordings)


def measure(read: Callable[[Path], int], path: Path, small: Path) -> tuple[float, float]:
    """Return seconds and megabytes added, after a small file has brought in all imports."""
    read(small)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    begun = time.perf_counter()
    read(path)
    took = time.perf_counter() - begun
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return took, (after - before) / _PER_MEGABYTE


def main() -> None:
    """Print one line per way of reading."""
    out = sys.stdout
    context = multiprocessing.get_context("spawn")
    with tempfile.TemporaryDirectory() as folder:
        path, small = Path(folder, "six-hours.fit"), Path(folder, "small.fit")
        file = begin()
        add_record(file, 0, {3: 100})
        small.write_bytes(file.build())
        if len(sys.argv) > 1:
            path = Path(sys.argv[1])
        else:
            path.write_bytes(write_six_hours())
        out.write(f"{path.name}: {path.stat().st_size / 1e6:.2f} MB\n")
        default_s = None
        for name, read in (("fitparse, default", read_with_fitparse), ("ours", read_with_ours)):
            with context.Pool(1) as pool:
                took, megabytes = pool.apply(measure, (read, path, small))
            default_s = default_s or took
            out.write(f"{name:18} {took:6.2f} s {took / default_s:6.3f} {megabytes:7.1f} MB\n")


if __name__ == "__main__":
    main()
