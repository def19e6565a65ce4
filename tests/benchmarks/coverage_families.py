"""Errors of heart rate whose truth is known, of every kind that intervals must be honest about.

Every family says what an interval is of: the long-run value of the errors under the conditions of
the workout. Where a workout is a mixture by plan (half of it wrong), it is the value of that
mixture.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

Floats = NDArray[np.float64]
Draw = Callable[[int, np.random.Generator], Floats]

_BIAS_BPM: Final = 1.0
_SD_BPM: Final = 4.0
_WRONG_BPM: Final = 15.0
#: Log-normal with a skewness of 3.7, and a milder one of 1.75.
_HEAVY, _MILD = 0.9, 0.5
_HALF: Final = 0.5
_TRUTH_DRAWS: Final = 400_000


@dataclass(frozen=True)
class Family:
    """One kind of errors: `draw` makes `(n_seconds,)` of a workout, `marginal` any second's [bpm].

    `is_fixed` marks a mixture by plan, in which every workout is wrong in the same seconds.
    """

    name: str
    draw: Draw
    marginal: Draw
    is_fixed: bool = False


def draw_memory(n: int, rho: float, generator: np.random.Generator) -> Floats:
    """Return a first-order autoregressive series of mean 0 and SD 1, begun as it goes on."""
    shocks = generator.standard_normal(n) * np.sqrt(1 - rho**2)
    shocks[0] /= np.sqrt(1 - rho**2)
    series: Floats = lfilter([1.0], [1.0, -rho], shocks)
    return series


def make_normal(rho: float) -> Family:
    """Return normal errors of bias 1 and SD 4."""
    return Family(
        f"normal, rho {rho:g}",
        lambda n, generator: _BIAS_BPM + _SD_BPM * draw_memory(n, rho, generator),
        lambda n, generator: _BIAS_BPM + _SD_BPM * generator.standard_normal(n),
    )


def make_skewed(rho: float, shape: float, name: str) -> Family:
    """Return log-normal errors of mean 1 and SD 4, mostly small and now and then large."""
    mean, sd = np.exp(shape**2 / 2), np.exp(shape**2 / 2) * np.sqrt(np.expm1(shape**2))

    def skew(series: Floats) -> Floats:
        return _BIAS_BPM + _SD_BPM * (np.exp(shape * series) - mean) / sd

    return Family(
        f"{name}, rho {rho:g}",
        lambda n, generator: skew(draw_memory(n, rho, generator)),
        lambda n, generator: skew(generator.standard_normal(n)),
    )


def _draw_states(n: int, wrong_s: float, right_s: float, generator: np.random.Generator) -> Floats:
    """Return 1 where the sensor is wrong: a state that lasts exponential times."""
    state = float(generator.random() < wrong_s / (wrong_s + right_s))
    lasts, states = [], []
    total = 0.0
    while total < n:
        last = generator.exponential(wrong_s if state else right_s)
        lasts.append(last)
        states.append(state)
        total += last
        state = 1 - state
    ends = np.cumsum(lasts)
    found: Floats = np.array(states)[np.searchsorted(ends, np.arange(n), side="right")]
    return found


def make_switching(wrong_s: float, right_s: float) -> Family:
    """Return errors of a sensor that is now right (SD 2) and now 15 bpm too high, at random."""
    share = wrong_s / (wrong_s + right_s)
    return Family(
        f"switching, wrong for {wrong_s:g} s, right for {right_s:g} s",
        lambda n, generator: (
            2 * draw_memory(n, 0.9, generator)
            + _WRONG_BPM * _draw_states(n, wrong_s, right_s, generator)
        ),
        lambda n, generator: (
            2 * generator.standard_normal(n) + _WRONG_BPM * (generator.random(n) < share)
        ),
    )


def make_part(share: float, name: str, size_bpm: float, rho: float = 0.95) -> Family:
    """Return errors that are wrong from the start for a share of the workout, then right (SD 2)."""
    return Family(
        name,
        lambda n, generator: (
            2 * draw_memory(n, rho, generator) + size_bpm * (np.arange(n) < share * n)
        ),
        lambda n, generator: (
            2 * generator.standard_normal(n) + size_bpm * (np.arange(n) < share * n)
        ),
        is_fixed=True,
    )


def make_intervals(period_s: int) -> Family:
    """Return errors that are 15 bpm too high in every effort of an interval training.

    Efforts and rests last alike; how long differs by up to a tenth, and so does when they begin.
    """

    def mark(n: int, generator: np.random.Generator) -> Floats:
        turns = np.arange(n) / (period_s * generator.uniform(0.9, 1.1)) + generator.random()
        marked: Floats = (turns % 1 < _HALF).astype(np.float64)
        return _WRONG_BPM * marked

    return Family(
        f"wrong in every effort, one in about {period_s} s",
        lambda n, generator: 2 * draw_memory(n, 0.95, generator) + mark(n, generator),
        lambda n, generator: (
            2 * generator.standard_normal(n) + _WRONG_BPM * (generator.random(n) < _HALF)
        ),
    )


def make_lock(lock_s: int) -> Family:
    """Return errors of a sensor that starts 40 bpm too low and finds the beat after a while."""

    def start(n: int) -> Floats:
        return -40.0 * (np.arange(n) < lock_s)

    return Family(
        f"locks after {lock_s} s",
        lambda n, generator: 2 * draw_memory(n, 0.95, generator) + start(n),
        lambda n, generator: 2 * generator.standard_normal(n) + start(n),
        is_fixed=True,
    )


FAMILIES: Final = (
    *(make_normal(rho) for rho in (0.9, 0.97, 0.99)),
    *(make_skewed(rho, _MILD, "skewed") for rho in (0.9, 0.97, 0.99)),
    *(make_skewed(rho, _HEAVY, "very skewed") for rho in (0.9, 0.97, 0.99)),
    make_switching(20.0, 20.0),
    make_switching(60.0, 60.0),
    make_switching(300.0, 300.0),
    make_switching(20.0, 180.0),
    make_switching(60.0, 540.0),
    make_part(0.5, "first half wrong", _WRONG_BPM),
    make_part(0.5, "first half somewhat wrong", 5.0),
    make_part(1 / 6, "first sixth wrong", _WRONG_BPM),
    make_intervals(120),
    make_intervals(360),
    make_lock(30),
    make_lock(180),
)


def draw_reference(n: int, generator: np.random.Generator, *, slow: bool) -> Floats:
    """Return the heart rate of a workout: intervals of a few minutes, or slow drift [bpm]."""
    seconds = np.arange(n)
    if slow:
        wave = 8 * np.sin(2 * np.pi * (seconds / 1500 + generator.random()))
        return 140 + wave + 6 * draw_memory(n, 0.995, generator)
    turns = seconds / generator.uniform(240, 480) + generator.random()
    demand = 18 * np.sign(np.sin(2 * np.pi * turns))
    drift = 5 * np.sin(2 * np.pi * (seconds / 1800 + generator.random()))
    rate: Floats = 145 + lfilter([1 / 25], [1, -24 / 25], demand) + drift
    return rate


@dataclass(frozen=True)
class Truth:
    """What a family's errors are in the long run, of single seconds [bpm]."""

    bias: float
    sd: float
    sizes: Floats

    def find(self, reference: Floats) -> dict[str, float]:
        """Return the figures over the heart rates of one workout."""
        variance = float(reference.var())
        limits = np.searchsorted(self.sizes, reference / 10, side="right") / self.sizes.size
        within_5 = np.searchsorted(self.sizes, 5.0, side="right") / self.sizes.size
        mae = float(self.sizes.mean())
        square = self.sd**2 + self.bias**2
        return {
            "hr_bias_bpm": self.bias,
            "hr_sd_bpm": self.sd,
            "hr_mae_bpm": mae,
            "hr_mape_pct": 100 * mae * float(np.mean(1 / reference)),
            "hr_rmse_bpm": float(np.sqrt(square)),
            "hr_p95_abs_bpm": float(np.quantile(self.sizes, 0.95)),
            "hr_within_5_bpm_pct": 100 * float(within_5),
            "hr_within_10_pct_pct": 100 * float(limits.mean()),
            "hr_within_5_bpm_or_10_pct_pct": 100 * float(np.maximum(limits, within_5).mean()),
            "hr_loa_low_bpm": self.bias - 1.96 * self.sd,
            "hr_loa_high_bpm": self.bias + 1.96 * self.sd,
            "hr_ccc": 2 * variance / (2 * variance + square),
            "hr_pearson_r": float(np.sqrt(variance / (variance + self.sd**2))),
        }


def find_truth(family: Family) -> Truth:
    """Return the long-run figures of a family, from its marginal distribution."""
    errors = family.marginal(_TRUTH_DRAWS, np.random.default_rng(20260701))
    return Truth(float(errors.mean()), float(errors.std()), np.sort(np.abs(errors)))
