"""Beat intervals: planted artefacts are found and corrected."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tasks.maths.rr import (
    compute_heart_rate_on_grid,
    compute_mean_heart_rate_bpm,
    correct_beats,
    find_beat_artefacts,
)


def _breathe(n: int = 400, seed: int = 1) -> np.ndarray:
    """Intervals around 800 ms with breathing and jitter."""
    generator = np.random.default_rng(seed)
    return 800 + 25 * np.sin(np.arange(n) * 0.6) + generator.normal(0, 8, n)


def test_window_mean_is_beats_per_time() -> None:
    # By pencil: 3 beats in 2.4 s are 75 bpm; the mean of the rates is 77.5.
    intervals = np.array([1000.0, 800.0, 600.0])
    assert compute_mean_heart_rate_bpm(intervals) == pytest.approx(75.0)
    assert np.mean(60000 / intervals) == pytest.approx(78.333, abs=0.001)
    assert np.isnan(compute_mean_heart_rate_bpm(np.empty(0)))


def test_clean_intervals_have_next_to_no_artefacts() -> None:
    found = [find_beat_artefacts(_breathe(seed=seed)).total for seed in range(20)]
    assert sum(found) / (20 * 400) < 0.002


@pytest.mark.parametrize("place", [50, 200, 350])
def test_a_missed_beat_is_put_back(place: int) -> None:
    clean = _breathe()
    joined = np.concatenate([clean[:place], [clean[place] + clean[place + 1]], clean[place + 2 :]])
    assert find_beat_artefacts(joined).missed == (place,)
    corrected = correct_beats(joined)
    assert corrected.rr_ms.size == clean.size
    assert corrected.rr_ms[place] == pytest.approx(clean[place : place + 2].mean(), abs=1e-9)


@pytest.mark.parametrize("place", [50, 200, 350])
def test_an_extra_beat_is_taken_out(place: int) -> None:
    clean = _breathe()
    split = np.concatenate([clean[:place], [300, clean[place] - 300], clean[place + 1 :]])
    assert find_beat_artefacts(split).extra == (place,)
    corrected = correct_beats(split)
    np.testing.assert_allclose(corrected.rr_ms, clean)


def test_an_early_beat_with_its_pause_is_ectopic_and_evened_out() -> None:
    clean = _breathe()
    early = clean.copy()
    early[200] -= 250
    early[201] += 250
    found = find_beat_artefacts(early)
    assert set(found.ectopic) & {200, 201}
    assert not found.missed
    assert not found.extra
    corrected = correct_beats(early)
    assert np.abs(corrected.rr_ms - clean).max() < 100 < np.abs(early - clean).max()


@given(st.integers(0, 500), st.integers(0, 6))
def test_correction_keeps_the_whole_time(seed: int, n_planted: int) -> None:
    generator = np.random.default_rng(seed)
    intervals = _breathe(200, seed)
    for place in generator.integers(0, 200, n_planted):
        intervals[place] *= generator.choice([0.4, 1.9, 2.1])
    corrected = correct_beats(intervals)
    assert corrected.beat_ms[-1] == pytest.approx(intervals.sum())
    assert corrected.rr_ms.sum() == pytest.approx(intervals.sum())
    assert (corrected.rr_ms > 0).all()


def test_share_corrected_counts_against_recorded_intervals() -> None:
    clean = _breathe()
    joined = np.concatenate([clean[:100], [clean[100] + clean[101]], clean[102:]])
    corrected = correct_beats(joined)
    assert corrected.n_recorded == 399
    assert corrected.n_corrected == 1
    assert corrected.share_corrected_pct == pytest.approx(100 / 399)


def test_few_even_missing_or_no_intervals_are_left_alone() -> None:
    assert correct_beats(np.empty(0)).rr_ms.size == 0
    assert np.isnan(correct_beats(np.empty(0)).share_corrected_pct)
    assert correct_beats(np.array([800.0])).rr_ms.tolist() == [800]
    assert correct_beats(np.full(100, 800.0)).n_corrected == 0
    assert correct_beats(np.array([800.0, np.nan, 0.0, 810.0])).rr_ms.tolist() == [800, 810]


def test_heart_rate_on_the_grid_is_beats_per_time_in_the_window() -> None:
    # Half a second per beat: 120 bpm in the middle; nothing within the pause from 30 to 60 s.
    beats = np.concatenate([np.arange(0.5, 30.1, 0.5), np.arange(60.0, 90.1, 0.5)])
    intervals = np.full(beats.size, 500.0)
    intervals[60] = 30_000.0
    rates = compute_heart_rate_on_grid(
        beats, intervals, np.arange(0, 91.0), window_s=4, max_rr_ms=3000
    )
    np.testing.assert_allclose(rates[1:30], 120.0)
    assert np.isnan(rates[30:61]).all()
    np.testing.assert_allclose(rates[61:90], 120.0)
    assert np.isnan(rates[[0, 90]]).all()


def test_heart_rate_on_the_grid_is_neither_late_nor_leaning_at_its_ends() -> None:
    # From 60 bpm on by 1 bpm each second: 1 + t / 60 beats a second, phase t + t^2 / 120.
    beats = -60 + np.sqrt(3600 + 120 * np.arange(0, 160.0))
    rates = compute_heart_rate_on_grid(
        beats[1:], np.diff(beats) * 1000, np.arange(0, 75.0), window_s=7, max_rr_ms=3000
    )
    seconds = np.arange(1, 74)
    # The rate is even within an interval, which at 60 bpm is good to 0.25 bpm.
    np.testing.assert_allclose(rates[seconds], 60.0 + seconds, atol=0.25)
    assert abs(np.mean(rates[seconds] - 60.0 - seconds)) < 0.02


@given(st.integers(0, 500))
def test_heart_rate_on_the_grid_counts_every_beat_once(seed: int) -> None:
    intervals = _breathe(200, seed)
    beats = np.cumsum(intervals) / 1000
    # Windows of one second side by side hold the beats between their ends.
    grid = np.arange(2.5, 100)
    rates = compute_heart_rate_on_grid(beats, intervals, grid, window_s=1, max_rr_ms=3000)
    phase = np.interp([2.0, 100.0], np.concatenate([[0], beats]), np.arange(beats.size + 1))
    assert rates.sum() / 60 == pytest.approx(phase[1] - phase[0])
