"""One quantity seen by two sensors is told from two that only look alike."""

from __future__ import annotations

import numpy as np
import pytest

from tasks.maths.match import Match, find_match
from tests.unit.walks import smooth, wander


def match(one: np.ndarray, other: np.ndarray, *, test_start: int = 0) -> Match | None:
    fewest = max(300, min(one.size, other.size) // 2)
    return find_match(
        one,
        other,
        reference_start=0,
        test_start=test_start,
        low=-test_start - other.size + fewest,
        high=-test_start + one.size - fewest,
        trend_window=300,
        least_sd=3.0,
        least_r=0.8,
        fewest_pairs=fewest,
    )


def make_heart_rate(n: int, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return smooth(wander(n, rng, memory_s=60, sd=10.0, mean=140.0), 15)


def test_the_shift_of_one_signal_is_found_at_any_distance() -> None:
    found = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        truth = make_heart_rate(2400, seed)
        start = int(rng.integers(-40_000, 40_000))
        one = match(
            np.round(truth + rng.normal(0, 1, 2400)),
            np.round(truth[200:2200] + rng.normal(0, 1, 2000)),
            test_start=start,
        )
        if one is not None:
            assert one.shift == pytest.approx(200 - start, abs=1)
            assert one.r > 0.9
            found.append(one)
    # To say nothing is allowed now and then, to be wrong never; nine in ten is our own aim.
    assert len(found) >= 36


@pytest.mark.parametrize("seed", range(60))
def test_unrelated_signals_never_match(seed: int) -> None:
    rng = np.random.default_rng(seed)
    lengths = rng.integers(400, 4000, 2)
    one = make_heart_rate(int(lengths[0]), seed)
    assert match(one, make_heart_rate(int(lengths[1]), seed + 1000)) is None


@pytest.mark.parametrize("seed", range(30))
def test_two_runs_that_warm_up_alike_do_not_match(seed: int) -> None:
    rise = 85 + 65 * (1 - np.exp(-np.arange(1800) / 120))
    one, other = (make_heart_rate(1800, seed + more) - 140 for more in (0, 1000))
    assert match(rise + 0.4 * one, rise + 0.4 * other) is None


def test_intervals_match_at_many_shifts_and_so_at_none() -> None:
    seconds = np.arange(3600)
    intervals = 140 + 20.0 * ((seconds // 120) % 2)
    rng = np.random.default_rng(1)
    assert match(intervals + rng.normal(0, 1, 3600), intervals + rng.normal(0, 1, 3600)) is None


def test_under_five_minutes_or_without_variation_nothing_matches() -> None:
    short = make_heart_rate(290, 2)
    assert match(short, short) is None
    flat = np.full(1800, 60.0)
    assert match(flat, flat) is None
    assert match(np.full(1800, np.nan), make_heart_rate(1800, 2)) is None
