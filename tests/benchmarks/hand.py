"""The work by hand that speed is compared with: `python -m tests.benchmarks.hand FILE...`.

A script as a person writes it in an evening: it parses FIT files of one workout with fitparse, puts
them side by side with pandas and prints four numbers of each against the first. The CPU time of its
process for five files of one hour is "1 hand".
"""

from __future__ import annotations

import sys

import pandas as pd
from fitparse import FitFile


def read(path: str) -> pd.DataFrame:
    """Return the records of a file by time."""
    rows = [record.get_values() for record in FitFile(path).get_messages("record")]
    return pd.DataFrame(rows).set_index("timestamp")


def main(paths: list[str]) -> None:
    """Print bias, mean absolute error, share within 5 bpm and correlation of each file."""
    frames = [read(path) for path in paths]
    reference = frames[0]["heart_rate"]
    for path, frame in zip(paths[1:], frames[1:], strict=True):
        error = (frame["heart_rate"] - reference).dropna()
        within = 100.0 * (error.abs() <= 5).mean()
        together = frame["heart_rate"].corr(reference)
        print(path, error.mean(), error.abs().mean(), within, together)  # noqa: T201


if __name__ == "__main__":
    main(sys.argv[1:])
