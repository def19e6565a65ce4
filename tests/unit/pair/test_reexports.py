"""One recording that another program wrote anew: the same fixes, other stamps and heights."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from tasks.tables.arrow import make_table, read_floats, read_micros
from tasks.tables.tables import SAMPLES
from tests.unit.pair.test_grouping import find, pair
from tests.unit.walks import START_S, make_walk, record

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from tasks.core.recording import Recording

WALK = make_walk(1500, seed=8)
CHANNELS = "latitude_deg longitude_deg altitude_m heart_rate_bpm distance_m"


def write_anew(
    recording: Recording, stamp: Callable[[NDArray[np.float64]], NDArray[np.float64]]
) -> Recording:
    """Return the same samples with other stamps [us] and with heights of a map."""
    names = CHANNELS.split()
    columns = {name: read_floats(recording.samples, name) for name in names}
    columns["altitude_m"] = np.round(columns["altitude_m"] * 0.97 + 25.0, 1)
    micros = stamp(read_micros(recording.samples).astype(np.float64)).astype(np.int64)
    pieces = np.zeros(micros.size)
    samples = make_table(SAMPLES, {"time_utc": micros, "piece": pieces, **columns})
    header = replace(recording.header, format="gpx", creator="Another program")
    return replace(recording, header=header, samples=samples)


def cut(micros: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.floor(micros / 1e6) * 1e6


def round_up(micros: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.ceil(micros / 1e6) * 1e6


@pytest.mark.parametrize("stamp", [cut, round_up])
@pytest.mark.parametrize("fraction_s", [0.0, 0.3, 0.6])
def test_rounded_stamps_and_corrected_heights_make_no_second_device(
    fraction_s: float, stamp: Callable[[NDArray[np.float64]], NDArray[np.float64]]
) -> None:
    original = record(WALK, CHANNELS, start_s=START_S + fraction_s)
    workouts = pair({"fit": original, "gpx": write_anew(original, stamp)}, {})
    assert find(workouts, "gpx").duplicate_of == "fit"


def test_stamps_that_wander_within_a_second_are_recognised_too() -> None:
    original = record(WALK, CHANNELS)
    micros = read_micros(original.samples)
    wandering = micros + (0.5e6 * (1 + np.sin(np.arange(micros.size) / 60))).astype(np.int64)
    columns = {name: read_floats(original.samples, name) for name in CHANNELS.split()}
    samples = make_table(
        SAMPLES, {"time_utc": wandering, "piece": np.zeros(micros.size), **columns}
    )
    original = replace(original, samples=samples)
    workouts = pair({"fit": original, "gpx": write_anew(original, cut)}, {})
    assert find(workouts, "gpx").duplicate_of == "fit"


@pytest.mark.parametrize("seed", range(5))
def test_two_receivers_a_metre_apart_stay_two(seed: int) -> None:
    one, other = record(WALK, CHANNELS, seed=seed), record(WALK, CHANNELS, seed=seed + 50)
    workouts = pair({"a": one, "b": other}, {})
    assert all(member.duplicate_of is None for member in workouts[0].members)
