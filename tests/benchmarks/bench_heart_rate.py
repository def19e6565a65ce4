"""How long heart rate takes: `python -m tests.benchmarks.bench_heart_rate`.

Two hours of five devices: all heart-rate metrics for every part, findings, response, lag, own
errors. Prints CPU seconds, memory, and where the time goes; ends with 1 where a limit is passed.
"""

from __future__ import annotations

import cProfile
import io
import pstats
import resource
import sys
import time
from dataclasses import replace

import numpy as np
from scipy.signal import lfilter

from tasks.core.discovery import load_metrics
from tasks.core.registers import FINDING_KINDS, METRICS
from tasks.processing.measure import Measured, measure_workout
from tasks.workout.case import Workout, make_example

N_SECONDS = 7200
MEMORY = 0.95
MOST_CPU_S = 4.0
MOST_MB = 300.0


def make_workout() -> Workout:
    """Return a workout of intervals with a strap, three watches and an arm band."""
    generator = np.random.default_rng(1)
    seconds = np.arange(N_SECONDS)
    demand = 145 + 22 * np.sign(np.sin(seconds / 140))
    truth = 145 + lfilter([1 / 20], [1, -19 / 20], demand - 145) + 5 * np.sin(seconds / 900)

    def wear(sd_bpm: float) -> dict[str, np.ndarray]:
        noise = generator.standard_normal(N_SECONDS) * sd_bpm * np.sqrt(1 - MEMORY**2)
        return {
            "heart_rate_bpm": np.round(truth + lfilter([1], [1, -MEMORY], noise)),
            "cadence_rpm": np.round(85 + generator.normal(0, 2, N_SECONDS)),
        }

    case = make_example(test=wear(2), reference=wear(0.3), others=(wear(3), wear(4), wear(2.5)))
    return case.workout


def keep_heart_rate_only() -> None:
    """Take everything else out of the registers of this process."""
    load_metrics()
    for register in (METRICS, FINDING_KINDS):
        for name in [name for name, entry in register.items() if entry.domain != "heart_rate"]:
            del register[name]


def measure(workout: Workout) -> tuple[Measured, float]:
    """Return the results and the CPU seconds that they took, nothing remembered from before."""
    began = time.process_time()
    measured = measure_workout(replace(workout, memo={}))
    return measured, time.process_time() - began


def main() -> int:
    """Print the figures."""
    keep_heart_rate_only()
    workout = make_workout()
    measure(workout)  # the first run pays for imports
    measured, took_s = min((measure(workout) for _ in range(3)), key=lambda each: each[1])
    # Kilobytes on Linux, bytes on macOS.
    unit = 1024 if sys.platform != "darwin" else 1024**2
    memory_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / unit
    out = sys.stdout
    out.write(f"{len(METRICS)} metrics, {measured.results.num_rows} results, ")
    out.write(f"{measured.findings.num_rows} findings of 5 devices, {N_SECONDS} s\n")
    out.write(f"time   {took_s:.2f} s CPU (at most {MOST_CPU_S:g})\n")
    out.write(f"memory {memory_mb:.0f} MB (at most {MOST_MB:g})\n\n")
    profile = cProfile.Profile()
    profile.runcall(measure, workout)
    text = io.StringIO()
    pstats.Stats(profile, stream=text).sort_stats("tottime").print_stats(12)
    out.write(text.getvalue())
    kept = took_s <= MOST_CPU_S and memory_mb <= MOST_MB
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
