"""Beats of FIT files: live intervals, beats stored in the strap, and the rates they give."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tasks.core.recording import ExportFile, Recording
from tasks.core.registers import ReadOptions
from tasks.readers.fit import read_fit
from tasks.readers.fit.beats import unpack_twelve_bits
from tasks.readers.fit.gather import count_on
from tasks.tables.arrow import read_floats, read_seconds
from tests.simulate.fit_activity import (
    HR,
    HRV,
    START,
    START_UTC,
    TIMESTAMP,
    add_intervals,
    add_record,
    add_session,
    at,
    begin,
    make_run,
)

if TYPE_CHECKING:
    from pathlib import Path

    from tests.simulate.fit_bytes import FitBytes, Value


def read_one(file: FitBytes, folder: Path) -> Recording:
    path = folder / "run.fit"
    path.write_bytes(file.build())
    (recording,) = read_fit(ExportFile(path, "run.fit"), ReadOptions())
    return recording


def pack_twelve_bits(values: list[int]) -> tuple[int, ...]:
    whole = sum(value << 12 * place for place, value in enumerate(values))
    return tuple(whole.to_bytes((12 * len(values) + 7) // 8, "little"))


def seconds_after_start(recording: Recording) -> list[float]:
    seconds = read_seconds(recording.beats) - START_UTC.timestamp()
    return [round(float(value), 3) for value in seconds]


# --- hrv -------------------------------------------------------------------------------------
def test_intervals_lie_in_the_second_after_the_record_before_them(tmp_path: Path) -> None:
    # By hand: the two beats of a message lie in the second after its record, half a second apart
    # and evenly about its middle: 1.25 and 1.75, then 2.25 and 2.75 s.
    file = begin()
    add_record(file, 0, {3: 120})
    add_record(file, 1, {3: 120})
    add_intervals(file, 500, 500)
    add_record(file, 2, {3: 120})
    add_intervals(file, 500, 500)
    run = read_one(file, tmp_path)
    assert seconds_after_start(run) == [1.25, 1.75, 2.25, 2.75]
    assert read_floats(run.beats, "rr_s").tolist() == [0.5] * 4
    assert run.beats.column("beat_source").to_pylist() == ["hrv"] * 4
    assert run.beats.column("heart_rate_bpm").null_count == 4


def test_a_beat_that_was_missed_shifts_only_what_follows(tmp_path: Path) -> None:
    # One beat per second with its record; 10 s without any interval in the middle.
    file = begin()
    for second in range(100):
        add_record(file, second, {3: 60})
        if not 45 <= second < 55:
            add_intervals(file, 1000)
    run = read_one(file, tmp_path)
    assert seconds_after_start(run) == [
        second + 0.5 for second in range(100) if not 45 <= second < 55
    ]


def test_sparse_records_do_not_pull_the_beats_back(tmp_path: Path) -> None:
    # Devices that record unevenly still write beats each second; only the message right after a
    # record shows where the sum stands.
    file = begin()
    for second in range(60):
        if second % 8 == 0:
            add_record(file, second, {3: 60})
        add_intervals(file, 1000)
    assert seconds_after_start(read_one(file, tmp_path)) == [second + 0.5 for second in range(60)]


@pytest.mark.parametrize("whole", [True, False])
def test_beats_come_back_where_they_were(tmp_path: Path, *, whole: bool) -> None:
    """Written each second, or five to a message, after the record that is the last before them."""
    rng = np.random.default_rng(11)
    beats = np.round(np.cumsum(rng.uniform(0.4, 0.9, 500)), 3)
    intervals = np.round(np.diff(beats, prepend=0.0) * 1000).astype(int)
    seconds = beats.astype(int)
    written = seconds if whole else seconds[np.minimum(np.arange(500) // 5 * 5 + 4, 499)]
    file = begin()
    for second in range(int(beats[-1]) + 1):
        add_record(file, second, {3: 60})
        here = intervals[written == second].tolist()
        while here:
            add_intervals(file, *here[:5])
            here = here[5:]
    found = seconds_after_start(read_one(file, tmp_path))
    assert len(found) == 500
    # Half an interval at most either way: the phase of beats and seconds is drawn.
    assert float(np.median(np.array(found) - beats)) == pytest.approx(0.0, abs=0.15)


def test_beats_never_go_back_in_time(tmp_path: Path) -> None:
    rng = np.random.default_rng(7)
    file = begin()
    for second in range(200):
        add_record(file, second, {3: 60})
        add_intervals(file, *rng.integers(300, 1500, size=rng.integers(0, 4)).tolist())
    times = read_seconds(read_one(file, tmp_path).beats)
    assert (np.diff(times) >= 0).all()


def test_invalid_and_impossible_intervals_are_left_out_and_counted(tmp_path: Path) -> None:
    file = make_run(2)
    add_intervals(file, 800, 0)
    add_intervals(file, 65_000, 810)
    add_intervals(file)
    run = read_one(file, tmp_path)
    assert read_floats(run.beats, "rr_s").tolist() == [0.8, 0.81]
    (remark,) = run.remarks
    assert (remark.text[:14], remark.count) == ("beat intervals", 2)


def test_a_message_with_a_single_interval_is_read(tmp_path: Path) -> None:
    file = make_run(2).add(HRV, {0: ("uint16", 750)}, local=3)
    assert read_floats(read_one(file, tmp_path).beats, "rr_s").tolist() == [0.75]


def test_beats_without_any_record_count_from_the_session(tmp_path: Path) -> None:
    file = begin()
    add_intervals(file, 1000, 500)
    add_session(file, 0, 2, sport=10)
    run = read_one(file, tmp_path)
    assert seconds_after_start(run) == [1.0, 1.5]
    assert (run.start_utc, run.end_utc) == (at(1), at(1.5))


def test_beats_long_after_the_last_sample_are_left_out_and_counted(tmp_path: Path) -> None:
    # A watch that waits to be saved goes on writing beats.
    file = begin()
    add_record(file, 0, {3: 60})
    for _ in range(100):
        add_intervals(file, 1000)
    add_session(file, 0, 1)
    run = read_one(file, tmp_path)
    assert run.beats.num_rows == 60
    (remark,) = run.remarks
    assert (remark.text[:25], remark.count) == ("beats over a minute away ", 40)


# --- hr --------------------------------------------------------------------------------------
def add_stored(
    file: FitBytes,
    rates: tuple[int | None, ...],
    *,
    ticks: list[int],
    seconds: int | None = None,
    whole: int | None = None,
    fraction: int | None = None,
) -> None:
    """Add an hr message with 12-bit `ticks`; with `seconds`, one that ties ticks to UTC."""
    fields: dict[int, tuple[str, Value]] = {6: ("uint8", rates)}
    if seconds is not None:
        fields |= {TIMESTAMP: ("uint32", START + seconds), 9: ("uint32", whole)}
    if fraction is not None:
        fields[0] = ("uint16", fraction)
    if ticks:
        fields[10] = ("byte", pack_twelve_bits(ticks))
    file.add(HR, fields, local=6)


def test_stored_beats_are_counted_on_from_their_tie(tmp_path: Path) -> None:
    # FIT profile: ticks of 1/1024 s, 12 bits per beat. By hand: the tie says tick 10240 is 0 s.
    # Then 10240 + 1024 -> 11264 = 0xC00 of 4096; + 512 -> 0xE00; + 1024 -> 12800, low bits 0x200.
    file = make_run(4)
    add_stored(file, (60,), ticks=[], seconds=0, whole=10240)
    add_stored(file, (70, 71, 72), ticks=[0xC00, 0xE00, 0x200])
    run = read_one(file, tmp_path)
    assert seconds_after_start(run) == [0.0, 1.0, 1.5, 2.5]
    assert read_floats(run.beats, "heart_rate_bpm").tolist() == [60.0, 70.0, 71.0, 72.0]
    assert run.beats.column("rr_s").to_pylist() == [None, 1.0, 0.5, 1.0]
    assert run.beats.column("beat_source").to_pylist() == ["hr"] * 4


def test_the_fraction_of_the_tie_is_added(tmp_path: Path) -> None:
    # FIT profile: fractional_timestamp / 32768.
    file = make_run(4)
    add_stored(file, (60,), ticks=[], seconds=1, whole=5, fraction=16384)
    assert seconds_after_start(read_one(file, tmp_path)) == [1.5]


def test_each_tie_begins_anew(tmp_path: Path) -> None:
    file = make_run(30)
    add_stored(file, (60,), ticks=[], seconds=0, whole=0)
    add_stored(file, (61,), ticks=[1024])
    add_stored(file, (80,), ticks=[], seconds=20, whole=900_000)
    add_stored(file, (81,), ticks=[(900_000 + 512) % 4096])
    run = read_one(file, tmp_path)
    assert seconds_after_start(run) == [0.0, 1.0, 20.0, 20.5]
    assert run.beats.column("rr_s").to_pylist() == [None, 1.0, None, 0.5]


def test_padding_does_not_count_on(tmp_path: Path) -> None:
    # Two beats in room for four: the rates of the others are invalid, their ticks anything.
    file = make_run(4)
    add_stored(file, (60,), ticks=[], seconds=0, whole=0)
    add_stored(file, (61, 62, None, None), ticks=[1024, 2048, 5, 4])
    add_stored(file, (63,), ticks=[3072])
    assert seconds_after_start(read_one(file, tmp_path)) == [0.0, 1.0, 2.0, 3.0]


def test_beats_before_any_tie_are_not_placed_by_guess(tmp_path: Path) -> None:
    file = make_run(4)
    add_stored(file, (61,), ticks=[1024])
    assert read_one(file, tmp_path).beats.num_rows == 0


def test_a_swim_gets_its_heart_rate_from_the_strap(tmp_path: Path) -> None:
    # The watch sees nothing under water: no value or 0. The beats lie at 1.0 and 2.0 s; a sample
    # takes the last beat at most 2 s before it, so nothing before 1 s and nothing after 4 s.
    file = begin()
    for second, own in ((0, None), (1, 0), (2, None), (3, 99), (4, None), (5, None)):
        add_record(file, second, {3: own})
    add_stored(file, (61,), ticks=[], seconds=1, whole=0)
    add_stored(file, (62,), ticks=[1024])
    add_session(file, 0, 5)
    run = read_one(file, tmp_path)
    assert run.samples.column("heart_rate_bpm").to_pylist() == [None, 61.0, 62.0, 99.0, 62.0, None]
    assert [(remark.text, remark.count) for remark in run.remarks] == [
        ("heart rates were taken from beats that the strap stored", 3)
    ]


def test_a_rate_of_nothing_is_missing(tmp_path: Path) -> None:
    file = make_run(4)
    add_stored(file, (0,), ticks=[], seconds=0, whole=0)
    assert read_one(file, tmp_path).beats.column("heart_rate_bpm").to_pylist() == [None]


# --- twelve bits -----------------------------------------------------------------------------
def test_two_numbers_of_twelve_bits_share_three_bytes_lowest_first() -> None:
    # By hand: 0xABC then 0x123 -> bytes BC, 3A, 12.
    assert unpack_twelve_bits(bytes((0xBC, 0x3A, 0x12))) == [0xABC, 0x123]


@given(st.lists(st.integers(0, 4095), max_size=8))
def test_packing_and_unpacking_give_the_same(values: list[int]) -> None:
    unpacked = unpack_twelve_bits(bytes(pack_twelve_bits(values)))
    assert unpacked[: len(values)] == values


@given(st.integers(0, 10**9), st.integers(0, 4095))
def test_a_count_goes_on_by_less_than_twelve_bits(counted: int, step: int) -> None:
    assert count_on(counted, (counted + step) % 4096) == counted + step


@pytest.mark.parametrize(
    ("counted", "bits", "expected"), [(0, 5, 5), (5, 4, 4100), (4095, 0, 4096)]
)
def test_a_count_rolls_over(counted: int, bits: int, expected: int) -> None:
    assert count_on(counted, bits) == expected
