"""A clock that is wrong by a whole hour, where no second track shows it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from tests.unit.align.test_clocks_second_hand import answer_of_heart, hear, pace_in_blocks
from tests.unit.pair.test_clocks import find_shifts, pair
from tests.unit.walks import Walk, record, wander

HOUR_S = 3600.0


def one_run(seed: int, minutes: int = 45) -> tuple[Walk, Walk]:
    """What two devices measure of one run."""
    rng = np.random.default_rng([seed, minutes])
    n = 60 * minutes
    pace = pace_in_blocks(n, rng)
    heart = answer_of_heart(pace, rng)
    return tuple(
        Walk(
            {
                "speed_mps": pace + wander(n, rng, memory_s=5, sd=0.08),
                "heart_rate_bpm": hear(heart, rng, sd=sd, memory_s=memory_s),
            }
        )
        for sd, memory_s in ((1.0, 10.0), (2.0, 30.0))
    )


@pytest.mark.parametrize(
    ("channels", "least"),
    [("heart_rate_bpm", 9), ("speed_mps", 7), ("speed_mps heart_rate_bpm", 10)],
)
@pytest.mark.parametrize("hours", [-1, 1])
def test_two_devices_an_hour_apart_are_one_workout(channels: str, least: int, hours: int) -> None:
    n_paired = 0
    for seed in range(12):
        one, other = one_run(seed)
        late = record(other, channels, clock_error_s=hours * HOUR_S, seed=None)
        found = pair(
            {"a": record(one, channels, seed=None), "b": late}, devices={"a": "one", "b": "two"}
        )
        n_paired += len(found) == 1 and HOUR_S in map(abs, find_shifts(found).values())
    assert n_paired >= least


def test_two_runs_of_one_day_stay_two_workouts() -> None:
    for seed in range(12):
        one, _ = one_run(seed)
        _, other = one_run(seed + 100)
        late = record(other, "heart_rate_bpm", clock_error_s=2 * HOUR_S, seed=None)
        recordings = {"a": record(one, "heart_rate_bpm", seed=None), "b": late}
        assert len(pair(recordings, devices={"a": "one", "b": "two"})) == 2


def run_a_plan(rng: np.random.Generator, *, work_s: int, rest_s: int) -> Walk:
    """Return what a strap or watch shows of an athlete who runs a plan of intervals."""
    effort = np.full(600, 0.45)
    while effort.size < 2700:
        effort = np.concatenate([effort, np.full(work_s, 0.92), np.full(rest_s, 0.4)])
    # Nobody runs it twice alike: each effort is a little other, and so is the day.
    effort = 0.4 + (effort - 0.4) * rng.normal(1, 0.04)
    effort = effort + wander(effort.size, rng, memory_s=120, sd=0.03)
    heart = 85 + 95 * effort
    for seconds in (12.0, 22.0):
        kept = float(np.exp(-1 / seconds))
        heart = lfilter([1 - kept], [1, -kept], heart, zi=[kept * heart[0]])[0]
    heart = heart + wander(heart.size, rng, memory_s=25, sd=1.2)
    return Walk({"heart_rate_bpm": hear(heart, rng, sd=1.0, memory_s=8.0)})


@pytest.mark.parametrize(("work_s", "rest_s"), [(240, 90), (200, 130), (250, 140)])
def test_the_same_intervals_twice_on_one_day_stay_two_workouts(work_s: int, rest_s: int) -> None:
    """By two devices, whole hours apart, to the second: the hardest case."""
    for seed in range(6):
        rng = np.random.default_rng([seed, work_s])
        one, other = (run_a_plan(rng, work_s=work_s, rest_s=rest_s) for _ in range(2))
        late = record(other, "heart_rate_bpm", clock_error_s=(3 + seed) * HOUR_S, seed=None)
        recordings = {"a": record(one, "heart_rate_bpm", seed=None), "b": late}
        assert len(pair(recordings, devices={"a": "one", "b": "two"})) == 2, seed
