"""Instants as integers, and which of them can be."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from tasks.core.instants import find_possible, from_microseconds, to_microseconds

DAY_US = 86_400_000_000


def test_microseconds_count_from_1970() -> None:
    # 1,000,000,000 s is 2001-09-09T01:46:40Z. Source: POSIX, "Seconds Since the Epoch".
    instant = datetime(2001, 9, 9, 1, 46, 40, 1, tzinfo=UTC)
    assert to_microseconds(instant) == 1_000_000_000_000_001
    assert from_microseconds(1_000_000_000_000_001) == instant


def test_an_offset_is_taken_off() -> None:
    local = datetime(1970, 1, 1, 2, tzinfo=timezone(timedelta(hours=2)))
    assert to_microseconds(local) == 0


@given(st.datetimes(timezones=st.just(UTC)))
def test_nothing_is_rounded(instant: datetime) -> None:
    assert from_microseconds(to_microseconds(instant)) == instant


def test_years_before_1990_and_from_2100_are_impossible() -> None:
    years = [1970, 1989, 1990, 2099, 2100]
    for year, wanted in zip(years, [False, False, True, True, False], strict=True):
        times = np.array([to_microseconds(datetime(year, 1, 2, tzinfo=UTC))])
        assert find_possible(times).tolist() == [wanted]


def test_a_stray_instant_is_impossible_and_a_long_race_is_not() -> None:
    start = to_microseconds(datetime(2025, 6, 1, tzinfo=UTC))
    ten_days = start + np.arange(0, 10 * DAY_US, DAY_US // 4)
    assert find_possible(ten_days).all()
    with_stray = np.append(ten_days, start + 365 * DAY_US)
    assert find_possible(with_stray).tolist() == [True] * ten_days.size + [False]


def test_no_instants_are_no_trouble() -> None:
    assert find_possible(np.array([], dtype=np.int64)).tolist() == []
