"""Laps are found from the track alone, and nowhere else."""

from __future__ import annotations

import numpy as np
import pytest

from tasks.maths.laps import find_laps


def run_rounds(
    rounds: float, *, radius_m: float = 60.0, sd_m: float = 0.0, seed: int = 0
) -> tuple[np.ndarray, np.ndarray]:
    angle = np.arange(0, 2 * np.pi * rounds, 3.0 / radius_m)
    generator = np.random.default_rng(seed)
    # One error per round and axis, slowly changing: a receiver's own.
    error = np.cumsum(generator.normal(0, sd_m / 40, (angle.size, 2)), axis=0)
    return (
        radius_m * np.cos(angle) + error[:, 0],
        radius_m * np.sin(angle) + error[:, 1],
    )


def test_rounds_of_a_circle_are_laps_of_its_length() -> None:
    laps = find_laps(*run_rounds(10.5))
    assert laps is not None
    assert laps.lengths_m.size == 10
    # Chords of 3 m on 60 m are shorter than their arcs by a ten-thousandth.
    assert laps.lengths_m == pytest.approx(np.full(10, 2 * np.pi * 60), rel=2e-4)
    assert laps.lateral_sd_m == pytest.approx(0.0, abs=0.1)


def test_lateral_spread_is_that_of_the_laps() -> None:
    lanes = [60.0, 62.0, 64.0, 61.0, 63.0]
    parts = [
        (r * np.cos(angle), r * np.sin(angle))
        for r in lanes
        for angle in [np.arange(0, 2 * np.pi, 3.0 / r)]
    ]
    east = np.concatenate([part[0] for part in parts])
    north = np.concatenate([part[1] for part in parts])
    laps = find_laps(east, north)
    assert laps is not None
    # The spread of radii of the laps that are whole from gate to gate: those between 60 and 64.
    assert laps.lateral_sd_m == pytest.approx(np.std(lanes, ddof=1), rel=0.35)


@pytest.mark.parametrize("rounds", [0.5, 1.5])
def test_fewer_than_two_laps_are_none(rounds: float) -> None:
    assert find_laps(*run_rounds(rounds)) is None


def test_way_there_and_back_is_no_lap() -> None:
    there = np.concatenate([np.arange(0, 900, 3.0), np.arange(900, 0, -3.0)])
    assert find_laps(there, np.zeros(there.size)) is None


def test_ten_times_there_and_back_are_ten_laps() -> None:
    once = np.concatenate([np.arange(0, 300, 3.0), np.arange(300, 0, -3.0)])
    east = np.tile(once, 10)
    laps = find_laps(east, np.zeros(east.size))
    assert laps is not None
    assert laps.lengths_m.size == 9
    assert laps.lengths_m == pytest.approx(np.full(9, 600.0), abs=1e-6)


def test_detour_in_one_round_is_not_counted_as_a_lap_like_the_others() -> None:
    east, north = run_rounds(3.2)
    angle = np.linspace(np.arctan2(north[-1], east[-1]), 0.4 * np.pi + 2 * np.pi, 200)
    out = np.concatenate([np.linspace(60, 400, 100), np.linspace(400, 60, 100)])
    more_east, more_north = run_rounds(3.0)
    start = 2 * np.pi * 0.2
    turn = np.array([[np.cos(start), -np.sin(start)], [np.sin(start), np.cos(start)]])
    again = turn @ np.vstack([more_east, more_north])
    detour = np.vstack([out * np.cos(start), out * np.sin(start)])
    whole = np.hstack([np.vstack([east, north]), detour, again])
    laps = find_laps(whole[0], whole[1])
    assert angle.size == 200
    assert laps is not None
    assert laps.lengths_m.max() < 1.1 * 2 * np.pi * 60


def test_nothing_and_little_are_no_laps() -> None:
    assert find_laps(np.empty(0), np.empty(0)) is None
    assert find_laps(np.zeros(100), np.zeros(100)) is None


@pytest.mark.parametrize(("rounds", "step_m"), [(5.04, 4.0), (6.85, 4.0), (6.85, 16.0), (6.5, 7.0)])
def test_every_whole_lap_counts_the_first_one_from_the_start_on(
    rounds: float, step_m: float
) -> None:
    """A start near a gate is no passage through it; the start itself is one through its own."""
    radius_m = 60.0
    angle = np.arange(0, 2 * np.pi * rounds, step_m / radius_m)
    laps = find_laps(radius_m * np.cos(angle), radius_m * np.sin(angle))
    assert laps is not None
    assert laps.lengths_m.size == int(rounds)
