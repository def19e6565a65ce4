from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from tasks.report.thin import thin_peaks, thin_track


@given(
    st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=400),
    st.integers(min_value=100, max_value=120),
)
def test_lowest_and_highest_first_and_last_values_are_kept(values: list[float], most: int) -> None:
    series = np.array(values)
    seconds = np.arange(len(series), dtype=np.float64)
    kept = thin_peaks(seconds, series, most=most, gap_s=5.0)
    assert series[kept].min() == series.min()
    assert series[kept].max() == series.max()
    assert kept[0] == 0
    assert kept[-1] == len(series) - 1
    assert (np.diff(kept) > 0).all()
    assert len(kept) <= most + 2


def test_a_spike_of_one_second_in_a_day_is_kept() -> None:
    series = np.full(86_400, 120.0)
    series[40_000] = 200.0
    kept = thin_peaks(np.arange(86_400.0), series, most=300, gap_s=5.0)
    assert 40_000 in kept
    assert len(kept) <= 302


def test_every_bucket_keeps_its_own_extremes() -> None:
    # Four buckets of 25 s; the saw runs from 0 to 4 five times in each.
    series = np.tile(np.arange(5.0), 20)
    kept = thin_peaks(np.arange(100.0), series, most=8, gap_s=5.0)
    for first in range(0, 100, 25):
        part = series[kept[(kept >= first) & (kept < first + 25)]]
        assert (part.min(), part.max()) == (0.0, 4.0)


def test_a_line_breaks_in_a_gap_and_only_there() -> None:
    series = np.array([1.0, 2.0, np.nan, np.nan, np.nan, np.nan, 3.0, np.nan, 4.0])
    kept = thin_peaks(np.arange(9.0), series, most=100, gap_s=3.0)
    assert kept.tolist() == [0, 1, 2, 6, 8]


def test_nothing_known_gives_nothing() -> None:
    assert thin_peaks(np.arange(3.0), np.full(3, np.nan), most=100, gap_s=5.0).tolist() == []
    assert thin_peaks(np.empty(0), np.empty(0), most=100, gap_s=5.0).tolist() == []
    nothing = np.full(2, np.nan)
    assert thin_track(nothing, nothing, tolerance_m=1.0).tolist() == []


def test_a_straight_track_is_its_two_ends_and_a_corner_stays() -> None:
    east = np.array([0.0, 1.0, 2.0, 3.0, 3.0, 3.0])
    north = np.array([0.0, 0.0, 0.0, 0.0, 1.0, 2.0])
    assert thin_track(east, north, tolerance_m=0.5).tolist() == [0, 3, 5]


def test_a_way_out_and_back_keeps_its_turning_point() -> None:
    # All fixes lie on one line; measured to the endless line none would be kept.
    east = np.array([0.0, 1.0, 2.0, 1.0, 0.5])
    assert thin_track(east, np.zeros(5), tolerance_m=0.1).tolist() == [0, 2, 4]


def test_a_missing_fix_splits_the_track() -> None:
    east = np.array([0.0, 1.0, np.nan, np.nan, 5.0, 6.0])
    assert thin_track(east, np.zeros(6), tolerance_m=0.1).tolist() == [0, 1, 2, 4, 5]


@given(st.lists(st.tuples(st.floats(-500, 500), st.floats(-500, 500)), min_size=2, max_size=60))
def test_no_left_out_fix_lies_farther_off_than_the_tolerance(
    fixes: list[tuple[float, float]],
) -> None:
    east, north = (np.array(side) for side in zip(*fixes, strict=True))
    kept = thin_track(east, north, tolerance_m=2.0)
    for low, high in pairwise(kept.tolist()):
        ends = np.array([[east[low], north[low]], [east[high], north[high]]])
        for index in range(low + 1, high):
            place = np.array([east[index], north[index]])
            way = ends[1] - ends[0]
            length = float(way @ way)
            share = 0.0 if length == 0 else float(np.clip((place - ends[0]) @ way / length, 0, 1))
            assert np.linalg.norm(place - ends[0] - share * way) <= 2.0 + 1e-6
