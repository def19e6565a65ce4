"""Heart beats of FIT files: live intervals (hrv) and beats that the strap stored (hr)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.units import FIT_EPOCH_S, MICROSECONDS_PER_SECOND
from tasks.readers.fit.fields import FIRST_DATE_S
from tasks.readers.fit.gather import Named, StrapIntervals, count_on

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Micros = NDArray[np.int64]

#: Times of strap events count 1/1024 s. Source: FIT profile, message hr, event_timestamp.
TICKS_PER_SECOND: Final = 1024
#: Twelve bits of ticks hold 4 s: a longer pause between two beats looks like a shorter one.
LONGEST_STORED_RR_S: Final = 4.0
_SECOND_S: Final = 1.0
#: Messages on each side over which the place of a beat message among the records is evened out.
_HALF_WINDOW: Final = 15
#: A stored beat counts for the samples up to so long after it [s]: two beats at 60 bpm.
_HOLD_S: Final = 2.0


@dataclass(frozen=True)
class Beats:
    """Columns of the table `beats`, shape (n_beats,), in order of time; NaN where unknown."""

    micros: Micros
    rr_s: Floats
    heart_rate_bpm: Floats
    source: str

    def between(self, first: int, last: int) -> Beats:
        """Return the beats with first <= time < last [microseconds since 1970]."""
        mask = (self.micros >= first) & (self.micros < last)
        return Beats(self.micros[mask], self.rr_s[mask], self.heart_rate_bpm[mask], self.source)


def place_intervals(intervals: StrapIntervals, *, start_s: int | None) -> Beats:
    """Return the beats of hrv messages with their times.

    Parameters
    ----------
    intervals
        Intervals between beats, and the record before each message.
    start_s
        Begins the sum where no record stands before the first message [s since the FIT epoch];
        without it there is nothing to place them by and no beat is given.

    Returns
    -------
    Beats
        Times good to about half a second, intervals to a millisecond.

    Notes
    -----
    The format gives intervals but no time; messages stand among the records in chronological
    order, so that the beats of a message lie behind the record before it. Written each second, as
    devices do, they lie in the second that begins with that record: the middle between the first
    and the last of them counts as half a second after it. A message that gathers the beats of
    several seconds says only that its last one came then. Intervals are summed; what is added to
    that sum is the running median of this over some 30 messages, so that a missing beat shifts
    what follows it, not what comes before.

    References
    ----------
    FIT SDK, file types, activity ("interleaved with record and event messages in chronological
    order"); its maintainers in the SDK's forum: once per second, add the intervals to the time of
    the record before.
    """
    rr_s = np.array(intervals.rr_s, dtype=np.float64)
    summed = np.cumsum(rr_s)
    ends = np.array(intervals.ends, dtype=np.int64)
    records = np.array(intervals.record_seconds, dtype=np.float64)
    has_beats = np.diff(ends, prepend=0) > 0
    ends, records = ends[has_beats], records[has_beats]
    last, first = summed[ends - 1], summed[ends - np.diff(ends, prepend=0)]
    within_second = np.where(last - first < _SECOND_S, (first + last) / 2, last)
    slack = np.where(records >= FIRST_DATE_S, records + _SECOND_S / 2 - within_second, np.nan)
    if not np.isfinite(slack).any():
        if start_s is None or not len(rr_s):
            return _make_beats(np.empty(0), np.empty(0), np.empty(0), source="hrv")
        slack = np.full(len(ends), float(start_s))
    offsets = _run_median(slack)
    of_beat = np.repeat(offsets, np.diff(ends, prepend=0))
    seconds = np.maximum.accumulate(summed + of_beat) + FIT_EPOCH_S
    return _make_beats(seconds, rr_s, np.full(len(rr_s), np.nan), source="hrv")


def _run_median(values: Floats) -> Floats:
    """Return the median over a window around each value, NaN left out, empty windows filled."""
    known = np.flatnonzero(np.isfinite(values))
    # Windows at the ends are shorter: what is missing there is no number, not a repeated one.
    padded = np.pad(values[known], _HALF_WINDOW, constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * _HALF_WINDOW + 1)
    medians = np.nanmedian(windows, axis=1)
    # A message without a record of its own belongs to the stretch of the last one with a record.
    nearest = np.clip(np.searchsorted(known, np.arange(len(values)), side="right") - 1, 0, None)
    return np.asarray(medians[nearest], dtype=np.float64)


def expand_stored_beats(messages: Sequence[Named]) -> Beats:
    """Return the beats that a strap stored and sent later, with their times.

    Parameters
    ----------
    messages
        hr messages in file order.

    Returns
    -------
    Beats
        Without a rate (padding) or before the first tie none; an interval only between neighbours
        of one tie at most 4 s apart.

    Notes
    -----
    A message with `timestamp` ties the strap's ticks to UTC; messages after it continue the count
    with 12 bits per beat, two beats in three bytes, lowest bits first.

    References
    ----------
    FIT profile, message hr; common practice for the order of bits.
    """
    rows: list[tuple[float, float, float]] = []
    tie: tuple[float, int] | None = None
    ticks = 0
    last_s = np.nan
    for message in messages:
        whole = _list_whole(message)
        if "timestamp" in message and whole:
            tie, last_s = (_read_time(message), whole[0]), np.nan
        for event, rate in _list_events(message, ticks):
            ticks = event
            if tie is None:
                continue
            time_s = tie[0] + (event - tie[1]) / TICKS_PER_SECOND
            gap_s = time_s - last_s
            interval_s = gap_s if 0.0 < gap_s <= LONGEST_STORED_RR_S else np.nan
            rows.append((time_s, interval_s, rate or np.nan))
            last_s = time_s
    columns = np.array(rows, dtype=np.float64).reshape(-1, 3)
    return _make_beats(columns[:, 0] + FIT_EPOCH_S, columns[:, 1], columns[:, 2], source="hr")


def _list_events(message: Named, ticks: int) -> Iterator[tuple[int, float]]:
    """Return (ticks, rate [bpm]) of the beats of one message; `ticks` is the beat before it.

    Where a message has rates, a beat without one is padding and does not count on.
    """
    whole = _list_whole(message)
    twelve_bits = unpack_twelve_bits(bytes(message.get("event_timestamp_12", ())))
    events = [(event, True) for event in whole] + [(value, False) for value in twelve_bits]
    rates: Sequence[int | None] = message.get("filtered_bpm", (0,) * len(events))
    for (event, is_whole), rate in zip(events, rates, strict=False):
        if rate is None:
            continue
        ticks = event if is_whole else count_on(ticks, event)
        yield ticks, float(rate)


def _list_whole(message: Named) -> list[int]:
    return [int(event) for event in message.get("event_timestamp", ()) if event is not None]


def unpack_twelve_bits(packed: bytes) -> list[int]:
    """Return the 12-bit numbers in packed bytes, lowest bits first.

    Parameters
    ----------
    packed
        Two numbers in three bytes; a shorter rest is padding.

    Returns
    -------
    list[int]
        0 to 4095 each.
    """
    whole = int.from_bytes(packed, "little")
    return [whole >> 12 * place & 0xFFF for place in range(len(packed) * 8 // 12)]


def fill_heart_rate(own_bpm: Floats, micros: Micros, *, stored: Beats) -> tuple[Floats, int]:
    """Fill missing heart rates from stored beats.

    Parameters
    ----------
    own_bpm
        Of the samples, shape ``(n_samples,)``; NaN is missing [bpm].
    micros
        Their times, same shape [microseconds].
    stored
        Beats that a strap sent later.

    Returns
    -------
    tuple[Floats, int]
        Heart rates, and how many were filled: each from the last stored beat at most 2 s before
        it.
    """
    has_rate = np.isfinite(stored.heart_rate_bpm)
    beat_micros, rates = stored.micros[has_rate], stored.heart_rate_bpm[has_rate]
    if not len(rates):
        return own_bpm, 0
    place = np.searchsorted(beat_micros, micros, side="right") - 1
    age_s = (micros - beat_micros[np.clip(place, 0, None)]) / MICROSECONDS_PER_SECOND
    is_filled = (~(own_bpm > 0)) & (place >= 0) & (age_s <= _HOLD_S)
    return np.where(is_filled, rates[np.clip(place, 0, None)], own_bpm), int(is_filled.sum())


def _read_time(message: Named) -> float:
    fraction = message.get("fractional_timestamp") or message.get("time256") or 0.0
    return float(message["timestamp"] + fraction)


def _make_beats(seconds: Floats, rr_s: Floats, rates: Floats, *, source: str) -> Beats:
    order = np.argsort(seconds, kind="stable")
    micros = np.round(seconds[order] * MICROSECONDS_PER_SECOND).astype(np.int64)
    return Beats(micros, rr_s[order], rates[order], source)
