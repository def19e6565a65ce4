"""Hides private places in the rows and lines of the package.

Heart rate inside stays. What a way could be integrated from goes: positions, direction, speed,
distance, altitude, air pressure, cadence and power, and the distances of whole recordings.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pyarrow as pa

from tasks.tables.arrow import read_floats, read_seconds
from tasks.workout.private_places import (
    LENGTHS,
    WITHHELD,
    Hiding,
    count_shown_m,
    find_crossings,
    find_inside,
    find_within,
)

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]
    Indices = NDArray[np.intp]
    Span = tuple[float, float]

_POSITION: Final = ("latitude_deg", "longitude_deg")
#: With speed it would lead on from the last position that shows.
_DIRECTION: Final = "course_deg"
_COUNTER: Final = "distance_m"
_MOTION: Final = ("altitude_m", "speed_mps", "cadence_rpm", "power_w", "pressure_pa")
_PAIRED: Final = tuple(
    f"{signal}_{side}_{unit}"
    for signal, unit in (("speed", "mps"), ("altitude", "m"), ("cadence", "rpm"), ("power", "w"))
    for side in ("test", "reference")
)


def find_hidden(
    rows: pa.Table, hiding: Hiding, *, track: str, spans: Sequence[Span] = ()
) -> tuple[Booleans, Booleans]:
    """Return, for samples in order of time, which positions are hidden and which other values.

    `spans` are when any device of the workout was hidden, on this recording's clock [s].
    """
    latitude, longitude = (read_floats(rows, name) for name in _POSITION)
    within = find_within(read_seconds(rows), spans)
    positions = within | hiding.find_hidden(latitude, longitude, track=track)
    return positions, within


def hide_samples(
    rows: pa.Table, hiding: Hiding, *, track: str, spans: Sequence[Span] = ()
) -> pa.Table:
    """Return samples without what is hidden, all rows and other columns untouched.

    The direction of travel goes wherever no position shows: a row without one may lie inside. The
    distance counter does not count what is hidden.
    """
    if not hiding.places:
        return rows
    hidden, within = find_hidden(rows, hiding, track=track, spans=spans)
    shows = ~hidden & np.isfinite(sum(read_floats(rows, name) for name in _POSITION))
    kept = _keep_where(rows, shows, (*_POSITION, _DIRECTION))
    if not within.any():
        return kept
    counted = count_shown_m(read_floats(rows, _COUNTER), within)
    return _keep_where(_replace(kept, _COUNTER, counted), ~within, _MOTION)


def hide_pairs(rows: pa.Table, spans: Sequence[Span]) -> pa.Table:
    """Return paired seconds of a workout without speed, altitude, cadence and power inside."""
    return _keep_where(rows, ~find_within(read_seconds(rows), spans), _PAIRED) if spans else rows


def hide_laps(rows: pa.Table, spans: Sequence[Span]) -> pa.Table:
    """Return laps of a recording without the distances of those that were inside for some time."""
    if not spans:
        return rows
    begins, ends = (read_seconds(rows, name) for name in ("start_utc", "end_utc"))
    touched = np.zeros(begins.shape, dtype=np.bool_)
    for first, last in spans:
        touched |= ~((ends < first) | (begins > last))
    return _keep_where(rows, ~touched, (_COUNTER,))


def hide_findings(rows: pa.Table, hiding: Hiding, *, spans: dict[str, Sequence[Span]]) -> pa.Table:
    """Return findings without the places of those inside; `spans` by workout, on its clock."""
    latitude, longitude = (read_floats(rows, name) for name in _POSITION)
    hidden = find_inside(latitude, longitude, hiding.places)
    begins, ends = (read_seconds(rows, name) for name in ("start_utc", "end_utc"))
    for row, workout in enumerate(rows.column("workout_id").to_pylist()):
        hidden[row] |= any(
            not (ends[row] < first or begins[row] > last) for first, last in spans.get(workout, ())
        )
    return _keep_where(rows, ~hidden, _POSITION)


def hide_lengths(rows: pa.Table, workouts: Collection[str]) -> pa.Table:
    """Return recordings or results without the lengths of the workouts that were inside."""
    touched = np.array([one in workouts for one in rows.column("workout_id").to_pylist()], bool)
    if "device_distance_m" in rows.column_names:
        return _keep_where(rows, ~touched, ("device_distance_m",))
    touched &= np.isin(np.array(rows.column("metric").to_pylist(), dtype=object), LENGTHS)
    if not touched.any():
        return rows
    reasons = rows.column("reason").to_pylist()
    told = [WITHHELD if one else reason for one, reason in zip(touched, reasons, strict=True)]
    at = rows.schema.get_field_index("reason")
    kept = _keep_where(rows, ~touched, ("value", "ci_low", "ci_high"))
    return kept.set_column(at, rows.field(at), pa.array(told, type=rows.field(at).type))


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


def _keep_where(rows: pa.Table, keep: Booleans, names: Sequence[str]) -> pa.Table:
    hidden = rows
    for name in names:
        if name in rows.column_names:
            hidden = _replace(hidden, name, np.where(keep, read_floats(rows, name), np.nan))
    return hidden


def _replace(rows: pa.Table, name: str, values: Floats) -> pa.Table:
    at = rows.schema.get_field_index(name)
    return rows.set_column(at, rows.field(at), pa.array(values, from_pandas=True))
