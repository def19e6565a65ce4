"""Which series of a strap is the truth: `python -m tests.benchmarks.bench_reference_rate 20`.

A heart whose rate is known (efforts of several shapes, breath, the slow swing of 0.1 Hz) beats; the
beats are read to a millisecond, some come early or are missed. Every series that could be the
reference is compared, second by second, with the known rate. A watch without any error but its own
smoothing is then scored against each series and against the known rate: what the score is off by,
the reference has added. Numbers are per seed of 20 minutes; the argument is how many seeds.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.signal import lfilter

from tasks.maths.beat_rate import derive_heart_rate

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray

N_SECONDS: Final = 1200
STEP_S: Final = 0.05
FINE_S: Final = np.arange(0, N_SECONDS + STEP_S / 2, STEP_S)
SECONDS: Final = np.arange(N_SECONDS, dtype=np.float64)
#: Seconds that are compared: windows are whole there.
INNER: Final = slice(30, N_SECONDS - 30)
WINDOWS_S: Final = (1, 2, 3, 5, 6, 7, 8, 10, 15)
LATE_S: Final = 6

#: What the heart is asked for [bpm], by the second.
SHAPES: Final[dict[str, Callable[[FloatArray], FloatArray]]] = {
    "rest": lambda t: np.full(t.size, 64.0),
    "steady": lambda t: np.where(t < 60, 100, 150) + 5 * t / N_SECONDS,
    "ramp": lambda t: 95 + 85 * t / N_SECONDS,
    "intervals": lambda t: np.where((t - 120) % 300 < 180, 172.0, 118.0),
    "30-30": lambda t: np.where(t % 60 < 30, 182.0, 140.0),
    "strength": lambda t: np.where((t + 20) % 130 < 40, 150.0, 92.0),
    "sprints": lambda t: np.where((t - 40) % 150 < 25, 200.0, 105.0),
    "onsets": lambda t: np.where((t - 40) % 120 < 60, 115.0, 75.0),
}
#: Least and greatest time constant up and down [s]; the first steps of an effort are quickest.
KINETICS_S: Final = {"onsets": ((3.0, 6.0), (6.0, 12.0))}
USUAL_KINETICS_S: Final = ((12.0, 22.0), (20.0, 35.0))


@dataclass(frozen=True)
class Flaws:
    """Share of beats that come early, share that is missed, and lateness of all stamps [s]."""

    ectopic: float = 0.0
    missed: float = 0.0
    late_s: float = 0.0


@dataclass
class Tally:
    """What one series did, by shape: RMS errors, errors of a score, errors of a lag."""

    rms_bpm: dict[str, list[float]] = field(default_factory=dict)
    score_bpm: dict[str, list[float]] = field(default_factory=dict)
    lag_s: list[float] = field(default_factory=list)

    def mean(self, of: dict[str, list[float]]) -> float:
        """Return the mean over shapes of the mean over seeds."""
        return float(np.mean([np.mean(values) for values in of.values()]))


def wander(n: int, memory: float, sd: float, generator: np.random.Generator) -> FloatArray:
    """Return a first-order autoregression of that memory and spread."""
    keep = np.exp(-1 / memory)
    shocks = generator.standard_normal(n) * sd * np.sqrt(1 - keep**2)
    shocks[0] /= np.sqrt(1 - keep**2)
    return np.asarray(lfilter([1], [1, -keep], shocks))


def wander_finely(memory_s: float, sd: float, generator: np.random.Generator) -> FloatArray:
    """Return the same once a second, on the fine grid."""
    coarse = np.arange(N_SECONDS + 2)
    return np.interp(FINE_S, coarse, wander(coarse.size, memory_s, sd, generator))


def drive_heart(shape: str, generator: np.random.Generator) -> FloatArray:
    """Return the rate that the effort asks for, on the fine grid [bpm]: the known truth."""
    wanted = SHAPES[shape](FINE_S)
    up_s, down_s = (generator.uniform(*ends) for ends in KINETICS_S.get(shape, USUAL_KINETICS_S))
    up, down = 1.6 * STEP_S / up_s, 1.6 * STEP_S / down_s
    first = second = float(wanted[0])
    answer = np.empty(wanted.size)
    for index, value in enumerate(wanted.tolist()):
        first += (value - first) * (up if value > first else down)
        second += (first - second) * (up if first > second else down)
        answer[index] = second
    return answer + wander_finely(40, 1.0, generator)


def add_variability(drive: FloatArray, generator: np.random.Generator) -> FloatArray:
    """Add breath and the swing of 0.1 Hz: 4 and 3 bpm at 60 bpm, a fifth of that at 150 bpm."""
    calm = np.clip(1.5 - drive / 115, 0.1, 1.0)
    breaths = np.clip(0.22 + 0.0026 * (drive - 60), 0.2, 0.6) * generator.uniform(0.9, 1.1)
    swings = 0.1 + wander_finely(30, 0.01, generator)
    breath = np.sin(2 * np.pi * np.cumsum(breaths) * STEP_S + generator.uniform(0, 6))
    swing = np.sin(2 * np.pi * np.cumsum(swings) * STEP_S)
    return np.asarray(drive + calm * (4.0 * breath + 3.0 * swing))


def accumulate(rate_bpm: FloatArray) -> FloatArray:
    """Return the beats, with fractions, that lie before each fine instant."""
    steps = (rate_bpm[1:] + rate_bpm[:-1]) / 2 * STEP_S / 60
    return np.concatenate([[0.0], np.cumsum(steps)])


def draw_beats(
    rate_bpm: FloatArray, flaws: Flaws, generator: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    """Return times of beats and the intervals before them, as a strap sends them [s]."""
    phase = accumulate(rate_bpm)
    beats = np.interp(np.arange(1, int(phase[-1]) + 1), phase, FINE_S)
    beats += generator.normal(0, 0.003, beats.size)
    inner = np.arange(5, beats.size - 5)
    early = generator.choice(inner, round(flaws.ectopic * beats.size), replace=False)
    beats[early] -= generator.uniform(0.2, 0.35, early.size) * (beats[early] - beats[early - 1])
    lost = generator.choice(inner, round(flaws.missed * beats.size), replace=False)
    beats = np.sort(np.delete(beats, lost))
    intervals = np.round(np.diff(beats), 3)
    return beats[0] + np.cumsum(intervals) + flaws.late_s, intervals


def count_beats(at_s: FloatArray, rr_s: FloatArray, low_s: float, high_s: float) -> FloatArray:
    """Return beats per minute between two instants around each second, nothing corrected."""
    knots = np.concatenate([[at_s[0] - rr_s[0]], at_s])
    numbers = np.arange(knots.size)
    counted = np.interp(SECONDS + high_s, knots, numbers) - np.interp(
        SECONDS + low_s, knots, numbers
    )
    return np.asarray(counted * 60 / (high_s - low_s))


def list_series(at_s: FloatArray, rr_s: FloatArray) -> dict[str, FloatArray]:
    """Return every series that could be the reference [bpm]."""
    middle = at_s - rr_s / 2
    found = {"each beat, interpolated": np.interp(SECONDS, middle, 60 / rr_s)}
    for window_s in WINDOWS_S:
        rate = derive_heart_rate(at_s, rr_s, SECONDS, window_s=window_s)
        found[f"beats, {window_s} s centred"] = rate.values
    found["beats, 7 s centred, uncorrected"] = count_beats(at_s, rr_s, -3.5, 3.5)
    for window_s in (3, 5, 10):
        shown = np.round(count_beats(at_s, rr_s, -window_s, 0))
        found[f"display, mean of the last {window_s} s"] = shown
    total = np.concatenate([[0.0], np.cumsum(rr_s)])
    last = np.clip(np.searchsorted(at_s, SECONDS, side="right"), 8, None)
    found["display, mean of the last 8 beats"] = np.round(8 * 60 / (total[last] - total[last - 8]))
    return found


def wear_watches(rate_bpm: FloatArray) -> list[FloatArray]:
    """Return what watches show that read the heart without error and smooth it [bpm]."""
    phase = accumulate(rate_bpm)
    shown = []
    for window_s in (5, 10):
        before = np.interp(SECONDS - window_s, FINE_S, phase)
        shown.append(60 * (np.interp(SECONDS, FINE_S, phase) - before) / window_s)
    for constant_s in (4, 8):
        share = STEP_S / constant_s
        filtered, _ = lfilter([share], [1, share - 1], rate_bpm, zi=[(1 - share) * rate_bpm[0]])
        shown.append(np.interp(SECONDS, FINE_S, filtered))
    late = np.interp(SECONDS - LATE_S, SECONDS, shown[0])
    return [np.round(values) for values in (*shown, late)]


def find_lag(reference: FloatArray, test: FloatArray) -> int:
    """Return the shift at which the test follows the reference best [s]."""
    inner = slice(40, N_SECONDS - 40)
    shifts = range(-6, 16)
    r = [np.corrcoef(reference[inner], np.roll(test, -shift)[inner])[0, 1] for shift in shifts]
    return shifts[int(np.argmax(r))]


def compare(
    n_seeds: int, flaws: Flaws, shapes: tuple[str, ...] = tuple(SHAPES)
) -> dict[str, Tally]:
    """Return the errors of each series."""
    tallies: dict[str, Tally] = {}
    for shape in shapes:
        for seed in range(n_seeds):
            generator = np.random.default_rng([seed, list(SHAPES).index(shape)])
            drive = drive_heart(shape, generator)
            rate = add_variability(drive, generator)
            truth = np.interp(SECONDS, FINE_S, drive)
            watches = wear_watches(rate)
            for name, series in list_series(*draw_beats(rate, flaws, generator)).items():
                tally = tallies.setdefault(name, Tally())
                rms = np.sqrt(np.mean((series - truth)[INNER] ** 2))
                tally.rms_bpm.setdefault(shape, []).append(float(rms))
                for watch in watches:
                    scored = np.abs(watch - series)[INNER].mean()
                    off = scored - np.abs(watch - truth)[INNER].mean()
                    tally.score_bpm.setdefault(shape, []).append(float(off))
                    if shape in {"intervals", "strength"}:
                        tally.lag_s.append(find_lag(series, watch) - find_lag(truth, watch))
    return tallies


def main() -> None:
    """Print one table for beats without and with flaws."""
    n_seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    out = sys.stdout
    for flaws in (Flaws(), Flaws(0.005, 0.005), Flaws(0.02, 0.01), Flaws(late_s=0.5)):
        out.write(
            f"\n{flaws}, {n_seeds} seeds: RMS error by shape [bpm], their mean, the largest of\n"
            "them, what the score of a faultless watch is off by [bpm], its lag [s]\n"
            + " " * 34
            + "".join(f"{shape:>10}" for shape in SHAPES)
            + "  mean worst score   lag\n"
        )
        for name, tally in compare(n_seeds, flaws).items():
            means = [float(np.mean(values)) for values in tally.rms_bpm.values()]
            cells = "".join(f"{value:10.2f}" for value in means)
            out.write(
                f"{name:34}{cells}{np.mean(means):6.2f}{max(means):6.2f}"
                f"{tally.mean(tally.score_bpm):+6.2f}{np.mean(tally.lag_s):+6.2f}\n"
            )


if __name__ == "__main__":
    main()
