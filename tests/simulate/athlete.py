"""The invented athlete: how the heart answers effort."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Athlete:
    """Constants of the heart: a response of second order, quicker up than down, that drifts."""

    rest_bpm: float = 52.0
    maximum_bpm: float = 188.0
    start_bpm: float = 82.0
    rise_s: float = 14.0
    fall_s: float = 24.0
    drift_bpm_per_h: float = 5.0
    slow_sd_bpm: float = 1.2
    slow_memory_s: float = 40.0
    breathing_s: float = 3.6
    breathing_depth: float = 0.03
    wander_s: float = 1.5
    wander_sd: float = 0.02


def respond(athlete: Athlete, demand: Floats, step_s: float, rng: np.random.Generator) -> Floats:
    """Return the heart rate [bpm] that follows a demand (share of the heart-rate reserve).

    Two first-order lags in a row, each with its own constant up and down; cardiac drift grows
    with the time spent above a third of the reserve; slow random waves on top.
    """
    reserve = athlete.maximum_bpm - athlete.rest_bpm
    first = second = (athlete.start_bpm - athlete.rest_bpm) / reserve
    rise, fall = step_s / athlete.rise_s, step_s / athlete.fall_s
    answer = np.empty(len(demand))
    for index, wanted in enumerate(demand.tolist()):
        first += (wanted - first) * (rise if wanted > first else fall)
        second += (first - second) * (rise if first > second else fall)
        answer[index] = second
    drift = np.cumsum(answer > 1 / 3) * step_s / 3600.0 * athlete.drift_bpm_per_h
    waves = draw_memory_noise(len(demand), athlete.slow_memory_s / step_s, athlete.slow_sd_bpm, rng)
    heart_rate = athlete.rest_bpm + reserve * answer + drift + waves
    return np.clip(heart_rate, 40.0, athlete.maximum_bpm + 4.0)


def draw_memory_noise(
    count: int, memory: float, deviation: float, rng: np.random.Generator
) -> Floats:
    """Return noise whose correlation falls to 1/e after `memory` steps, with the given SD."""
    if count == 0:
        return np.empty(0)
    from scipy.signal import lfilter  # noqa: PLC0415  # costs most of the start-up

    keep = float(np.exp(-1.0 / memory)) if memory > 0 else 0.0
    shocks = rng.standard_normal(count) * deviation * np.sqrt(1.0 - keep**2)
    shocks[0] = rng.standard_normal() * deviation
    return np.asarray(lfilter([1.0], [1.0, -keep], shocks))


def draw_beats(
    athlete: Athlete, time_s: Floats, heart_rate_bpm: Floats, rng: np.random.Generator
) -> Floats:
    """Return the instants of the beats [s] whose rate is the heart rate, with its variability.

    The rate itself swings with the breath and wanders a little, the more so the calmer the heart:
    single beats are not shaken to and fro, which would look like ectopic ones.
    """
    fine_s = np.arange(time_s[0], time_s[-1] + 0.125, 0.25)
    rate = np.interp(fine_s, time_s, heart_rate_bpm)
    calm = np.clip(1.6 - rate / 130.0, 0.15, 1.0)
    breath = athlete.breathing_depth * np.sin(2 * np.pi * fine_s / athlete.breathing_s)
    wander = draw_memory_noise(len(fine_s), athlete.wander_s / 0.25, athlete.wander_sd, rng)
    swinging = rate / 60.0 * (1.0 + calm * (breath + wander))
    steps = (swinging[1:] + swinging[:-1]) / 2.0 * 0.25
    phase = np.concatenate([[0.0], np.cumsum(steps)])
    numbers = np.arange(1, int(phase[-1]) + 1, dtype=float)
    return np.asarray(np.interp(numbers, phase, fine_s))
