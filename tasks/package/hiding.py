"""Hides private places in the rows and lines of the package.

Of a workout that was inside one, the rows are published in which every track shows, at times that
do not tell how many are left out; and heart rate at the start, where long enough is hidden there.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from tasks.tables.arrow import read_floats, read_seconds
from tasks.workout.private_places import Hiding, find_crossings, find_inside
from tasks.workout.published_clock import WITHHELD, count_shown_m

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from tasks.workout.published_clock import PublishedClock

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]
    Indices = NDArray[np.intp]

_POSITION: Final = ("latitude_deg", "longitude_deg")
_COUNTER: Final = "distance_m"
#: All that is published of the seconds at a hidden start.
_AT_START: Final = frozenset(
    {
        "time_utc",
        "recording_id",
        "device_id",
        "reference",
        "reference_recording_id",
        "heart_rate_bpm",
        "heart_rate_test_bpm",
        "heart_rate_reference_bpm",
        "heart_rate_is_scored",
        "heart_rate_unscored_because",
        "rr_s",
        "beat_source",
    }
)
_TIMES: Final = ("time_utc", "start_utc", "end_utc")
#: What is counted over whole recordings.
_RECORDED: Final = ("device_distance_m", "device_ascent_m", "device_descent_m", "n_samples")


def hide_rows(rows: pa.Table, clock: PublishedClock, *, added_s: float = 0.0) -> pa.Table:
    """Return rows of one instant each that are published, at their published times.

    `added_s` puts their times on the workout's clock. A distance counter begins where they do.
    """
    if not clock.is_moved or not rows.num_rows:
        return rows
    seconds = read_seconds(rows) + added_s
    shift = clock.move(seconds) - seconds
    has_motion = np.isfinite(clock.move(seconds, motion=True))
    names = [name for name in rows.column_names if name not in _AT_START]
    shown = _keep_where(rows, has_motion, names)
    if _COUNTER in names:
        counted = count_shown_m(read_floats(shown, _COUNTER), clock.number(seconds))
        shown = _replace(shown, _COUNTER, counted)
    return _shift(shown, shift)


def hide_recordings(
    rows: pa.Table, clocks: Mapping[str, PublishedClock], added_s: Mapping[str, float]
) -> pa.Table:
    """Return recordings as long as what is published of them, and without their totals."""
    moved = [clocks[one].is_moved for one in rows.column("recording_id").to_pylist()]
    kept = _keep_where(rows, ~np.array(moved, dtype=np.bool_), _RECORDED)
    return _cover(kept, clocks, added_s, key="recording_id")


def hide_workouts(rows: pa.Table, clocks: Mapping[str, PublishedClock]) -> pa.Table:
    """Return workouts as long as what is published of them."""
    return _cover(rows, clocks, {}, key="workout_id")


def hide_spans(rows: pa.Table, clocks: Mapping[str, PublishedClock]) -> pa.Table:
    """Return findings or parts of workouts that lie in one stretch that is published.

    The others would tell where in the workout a stretch lies. Positions go that lie inside.
    """
    workouts = rows.column("workout_id").to_pylist()
    begins, ends = (read_seconds(rows, name) for name in _TIMES[1:])
    shifts = np.zeros(begins.shape)
    for at, workout in enumerate(workouts):
        span = clocks[workout].move_span(begins[at], ends[at]) if workout in clocks else (0.0, 0.0)
        if span is None:
            shifts[at] = np.nan
        elif workout in clocks:
            shifts[at] = span[0] - begins[at]
    return _shift(rows, shifts)


def hide_positions(rows: pa.Table, hiding: Hiding) -> pa.Table:
    """Return findings without the positions of those inside."""
    latitude, longitude = (read_floats(rows, name) for name in _POSITION)
    hidden = find_inside(latitude, longitude, hiding.places)
    return _keep_where(rows, ~hidden, _POSITION)


def hide_results(rows: pa.Table, clocks: Mapping[str, PublishedClock]) -> pa.Table:
    """Return results without what tells how much of their workout is hidden."""
    if not any(clock.is_moved for clock in clocks.values()):
        return rows
    values = rows.column("value").to_pylist()
    metrics = rows.column("metric").to_pylist()
    workouts = rows.column("workout_id").to_pylist()
    moved = np.array([one in clocks and clocks[one].is_moved for one in workouts], dtype=np.bool_)
    withheld = np.array(
        [
            workout in clocks and clocks[workout].withholds(metric, value)
            for workout, metric, value in zip(workouts, metrics, values, strict=True)
        ],
        dtype=np.bool_,
    )
    shown = _keep_where(rows, ~withheld, ("value", "ci_low", "ci_high"))
    shown = _keep_where(shown, ~moved, ("n",))
    # Words quote counts and lengths.
    for name, hidden, instead in (
        ("reason", withheld, WITHHELD),
        ("note", moved, None),
        ("ci_reason", moved, None),
    ):
        said = rows.column(name).to_pylist()
        shown_ids = [instead if one else word for one, word in zip(hidden, said, strict=True)]
        at = shown.schema.get_field_index(name)
        shown = shown.set_column(at, rows.field(at), pa.array(shown_ids, type=rows.field(at).type))
    return shown


def split_line(
    latitude_deg: Floats,
    longitude_deg: Floats,
    *,
    hiding: Hiding | None = None,
    track: str = "",
    hidden: Booleans | None = None,
    pieces: Floats | None = None,
) -> list[Indices]:
    """Return the stretches of a line `(n,)` that may be drawn, each as the indices of its points.

    Points without a position are skipped. A stretch ends where something hidden begins, where the
    straight line to the next point leads across a hidden circle, and where `pieces` changes.
    `hidden` are the points that are hidden, where that is known already.
    """
    hiding = hiding or Hiding()
    inside = (
        hiding.find_hidden(latitude_deg, longitude_deg, track=track) if hidden is None else hidden
    )
    shown = np.flatnonzero(np.isfinite(latitude_deg) & np.isfinite(longitude_deg) & ~inside)
    if not shown.size:
        return []
    breaks = find_crossings(latitude_deg[shown], longitude_deg[shown], hiding.places)
    breaks[1:] |= np.diff(np.cumsum(inside)[shown]) > 0
    if pieces is not None:
        numbers = np.nan_to_num(pieces[shown], nan=-1.0)
        breaks[1:] |= np.diff(numbers) != 0
    return np.split(shown, np.flatnonzero(breaks))


def _cover(
    rows: pa.Table,
    clocks: Mapping[str, PublishedClock],
    added_s: Mapping[str, float],
    *,
    key: str,
) -> pa.Table:
    begins, ends = (read_seconds(rows, name) for name in _TIMES[1:])
    first, last = begins.copy(), ends.copy()
    for at, one in enumerate(rows.column(key).to_pylist()):
        if clocks[one].is_moved:
            added = added_s.get(one, 0.0)
            span = clocks[one].cover(begins[at] + added, ends[at] + added)
            first[at], last[at] = (np.nan, np.nan) if span is None else np.subtract(span, added)
    changed = rows
    for name, old, new in (("start_utc", begins, first), ("end_utc", ends, last)):
        if not np.array_equal(old, new, equal_nan=True):
            changed = _move_column(changed, name, new - old)
    return changed


def _shift(rows: pa.Table, shift_s: Floats) -> pa.Table:
    """Return the rows whose shift is known, their times moved."""
    moved = rows
    for name in _TIMES:
        if name in rows.column_names:
            moved = _move_column(moved, name, shift_s)
    return moved.filter(pa.array(np.isfinite(shift_s)))


def _move_column(rows: pa.Table, name: str, shift_s: Floats) -> pa.Table:
    at = rows.schema.get_field_index(name)
    micros = rows.column(name).cast(pa.int64())
    moves = pa.array(
        np.round(np.nan_to_num(shift_s) * 1e6).astype(np.int64), mask=np.isnan(shift_s)
    )
    return rows.set_column(at, rows.field(at), pc.add(micros, moves).cast(rows.field(at).type))


def _keep_where(rows: pa.Table, keep: Booleans, names: Sequence[str]) -> pa.Table:
    """Return rows whose cells of some columns are missing where they are not kept."""
    hidden = rows
    if not keep.all():
        mask = pa.array(keep)
        for name in names:
            if name in rows.column_names:
                at = rows.schema.get_field_index(name)
                cells = pc.if_else(mask, rows.column(name), pa.scalar(None, rows.field(at).type))
                hidden = hidden.set_column(at, rows.field(at), cells)
    return hidden


def _replace(rows: pa.Table, name: str, values: Floats) -> pa.Table:
    at = rows.schema.get_field_index(name)
    return rows.set_column(at, rows.field(at), pa.array(values, from_pandas=True))
