"""Times the FIT reader against fitparse by hand, on files of our own making.

Run as `python -m tests.benchmarks.bench_fit [FILE]`. First one long file (or FILE): only reading.
Then five files of an hour: a hand script parses them with fitparse and pandas and computes four
numbers; ours reads, cleans and writes them to Parquet. Each way runs in a process of its own, after
a small file has brought in all imports; printed are seconds of processor time, the ratio to the way
by hand, and how much memory each added. Ratios travel between machines, seconds do not.
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

SIX_HOURS, ONE_HOUR = 21_600, 3_600
N_FILES = 5
#: Blocks of ru_maxrss in a megabyte: bytes on macOS, KiB elsewhere.
_PER_MEGABYTE = 1e6 if sys.platform == "darwin" else 1e3


def write_activity(n_records: int) -> bytes:
    """Return an activity at one record per second, with beats every other second."""
    file = begin()
    for second in range(n_records):
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
    add_session(file, 0, n_records - 1)
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


def compute_by_hand(folder: Path) -> int:
    """Parse the files of `folder` and compute four numbers of each, as a script would."""
    import fitparse  # noqa: PLC0415 - as above
    import pandas as pd  # noqa: PLC0415 - as above

    found = []
    for path in sorted(folder.glob("*.fit")):
        messages = fitparse.FitFile(str(path)).get_messages("record")
        frame = pd.DataFrame([message.get_values() for message in messages])
        found += [
            frame["heart_rate"].mean(),
            frame["heart_rate"].max(),
            frame["power"].mean() if "power" in frame else 0.0,
            (frame["timestamp"].iloc[-1] - frame["timestamp"].iloc[0]).total_seconds(),
        ]
    return len(found)


def write_with_ours(folder: Path) -> int:
    """Read and clean the files of `folder` and write them to a lake."""
    from tasks.archive.lake import write_recording  # noqa: PLC0415 - as above
    from tasks.core.recording import ExportFile  # noqa: PLC0415 - as above
    from tasks.core.registers import ReadOptions  # noqa: PLC0415 - as above
    from tasks.guard.clean import read_clean  # noqa: PLC0415 - as above

    paths = sorted(folder.glob("*.fit"))
    for path in paths:
        clean = read_clean(ExportFile(path, path.name), ReadOptions())
        for recording in clean.recordings:
            write_recording(recording, path.stem, lake=folder / "lake")
    return len(paths)


def measure(read: Callable[[Path], int], path: Path, small: Path) -> tuple[float, float]:
    """Return seconds of processor time and megabytes added, after a small file."""
    read(small)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    begun = time.process_time()
    read(path)
    took = time.process_time() - begun
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return took, (after - before) / _PER_MEGABYTE


def compare(ways: dict[str, Callable[[Path], int]], path: Path, small: Path) -> None:
    """Print one line per way; the first one is what the others are compared with."""
    context = multiprocessing.get_context("spawn")
    first_s = None
    for name, read in ways.items():
        with context.Pool(1) as pool:
            took, megabytes = pool.apply(measure, (read, path, small))
        first_s = first_s or took
        sys.stdout.write(f"{name:26} {took:6.3f} s {took / first_s:6.3f} {megabytes:7.1f} MB\n")


def main() -> None:
    """Print both comparisons."""
    with tempfile.TemporaryDirectory() as folder:
        path, hours, small = Path(folder, "long.fit"), Path(folder, "hours"), Path(folder, "small")
        hours.mkdir()
        small.mkdir()
        (small / "small.fit").write_bytes(write_activity(3))
        for number in range(N_FILES):
            (hours / f"{number}.fit").write_bytes(write_activity(ONE_HOUR))
        if len(sys.argv) > 1:
            path = Path(sys.argv[1])
        else:
            path.write_bytes(write_activity(SIX_HOURS))
        sys.stdout.write(f"{path.name}: {path.stat().st_size / 1e6:.2f} MB\n")
        compare(
            {"fitparse, default": read_with_fitparse, "ours": read_with_ours},
            path,
            small / "small.fit",
        )
        sys.stdout.write(f"{N_FILES} files of an hour\n")
        compare(
            {"fitparse and pandas": compute_by_hand, "to Parquet": write_with_ours}, hours, small
        )


if __name__ == "__main__":
    main()
