"""A clock that is wrong by a whole hour, where no second track shows it."""

from __future__ import annotations

import numpy as np
import pytest

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
