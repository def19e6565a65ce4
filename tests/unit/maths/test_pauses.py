"""Gaps in which a device stood still, from exports of a second hand."""

from __future__ import annotations

import numpy as np
import pytest

from tasks.maths.pauses import mark_pauses

NOTHING = np.full(6, np.nan)
STILL, FAR = 47.0, 47.01


def seconds(gap_s: float, every_s: float = 1.0) -> np.ndarray:
    before = np.arange(3) * every_s
    return np.concatenate([before, before[-1] + gap_s + np.arange(3) * every_s])


def find(gap_s: float, grown_m: float | None = None, latitude: float | None = None) -> list[bool]:
    counter = NOTHING if grown_m is None else np.array([0, 3, 6, 6 + grown_m, 9 + grown_m, 12])
    place = NOTHING if latitude is None else np.repeat([STILL, latitude], 3)
    longitude = NOTHING if latitude is None else np.full(6, 8.0)
    return mark_pauses(seconds(gap_s), counter, place, longitude).tolist()


@pytest.mark.parametrize("gap_s", [11.0, 60.0, 900.0])
def test_a_gap_over_which_the_counter_stood_still_is_a_pause(gap_s: float) -> None:
    assert find(gap_s, grown_m=0.0) == [False, False, True, False, False]
    # The place may have changed meanwhile: the device had paused, the athlete had not.
    assert find(gap_s, grown_m=0.0, latitude=FAR)[2]


def test_without_a_counter_the_place_decides() -> None:
    assert find(60.0, latitude=STILL)[2]
    assert not find(60.0, latitude=FAR)[2]


def test_a_gap_over_which_the_counter_went_on_is_none() -> None:
    assert not any(find(60.0, grown_m=180.0))
    assert not any(find(60.0, grown_m=180.0, latitude=STILL))


def test_a_gap_without_counter_and_place_may_be_anything() -> None:
    assert not any(find(300.0))


def test_a_device_that_records_every_half_minute_does_not_pause_each_time() -> None:
    counter = np.zeros(6)
    assert not mark_pauses(seconds(34.0, 34.0), counter, NOTHING, NOTHING).any()
    assert mark_pauses(seconds(300.0, 34.0), counter, NOTHING, NOTHING)[2]


def test_a_single_sample_has_no_gap() -> None:
    one = np.zeros(1)
    assert mark_pauses(one, one, one, one).size == 0
