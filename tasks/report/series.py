"""Reads the lake's series for one workout's page and puts them on the workout's clock."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.report.facts import Length, PairSeries, Series

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import duckdb

    from tasks.report.facts import RecordingFacts, WorkoutFacts

_CHANNELS: Final = (
    "latitude_deg",
    "longitude_deg",
    "altitude_m",
    "distance_m",
    "speed_mps",
    "heart_rate_bpm",
)


def read_series(
    connection: duckdb.DuckDBPyConnection, workout: WorkoutFacts, recording: RecordingFacts
) -> Series:
    """Return the samples of one recording, its pieces joined, sorted by time."""
    return _read_columns(
        connection, workout, recording, view="samples", columns=_CHANNELS, where="true"
    )


def read_battery(
    connection: duckdb.DuckDBPyConnection, workout: WorkoutFacts, recording: RecordingFacts
) -> Series:
    """Return the battery readings of the recording's own device."""
    return _read_columns(
        connection,
        workout,
        recording,
        view="battery_readings",
        columns=("battery_pct",),
        where="battery_pct IS NOT NULL AND coalesce(battery_of, 'recorder') = 'recorder'",
    )


def _read_columns(
    connection: duckdb.DuckDBPyConnection,
    workout: WorkoutFacts,
    recording: RecordingFacts,
    *,
    view: str,
    columns: Sequence[str],
    where: str,
) -> Series:
    parts: list[dict[str, Any]] = []
    for recording_id, added_s in recording.parts:
        answer = connection.execute(
            # Names are declared ones; the id is a parameter.
            f"SELECT epoch_us(time_utc) AS micros, {', '.join(columns)} FROM {view} "  # noqa: S608
            f"WHERE recording_id = ? AND {where} ORDER BY time_utc",
            [recording_id],
        ).fetchnumpy()
        seconds = _to_floats(answer["micros"]) / 1e6 + added_s - workout.start_s
        parts.append({"seconds": seconds, **{name: _to_floats(answer[name]) for name in columns}})
    seconds = np.concatenate([part["seconds"] for part in parts])
    order = np.argsort(seconds, kind="stable")
    return Series(
        seconds[order],
        {name: np.concatenate([part[name] for part in parts])[order] for name in columns},
    )


def read_pairs(
    connection: duckdb.DuckDBPyConnection,
    workout: WorkoutFacts,
    *,
    references: Mapping[str, str],
) -> dict[str, PairSeries]:
    """Return the heart-rate pairs of a workout by test recording.

    `references` maps a test recording to what its heart rate is compared with.
    """
    found = {}
    for recording_id, reference in references.items():
        answer = connection.execute(
            "SELECT epoch_us(time_utc) AS micros, heart_rate_test_bpm, heart_rate_reference_bpm, "
            "heart_rate_unscored_because AS because FROM pairs "
            "WHERE workout_id = ? AND recording_id = ? AND reference = ? "
            "ORDER BY time_utc",
            [workout.workout_id, recording_id, reference],
        ).fetchnumpy()
        series = PairSeries(
            reference,
            _to_floats(answer["micros"]) / 1e6 - workout.start_s,
            _to_floats(answer["heart_rate_test_bpm"]),
            _to_floats(answer["heart_rate_reference_bpm"]),
            _to_texts(answer["because"]),
        )
        if np.isfinite(series.test_bpm).any() and np.isfinite(series.reference_bpm).any():
            found[recording_id] = series
    return found


def read_lengths(
    connection: duckdb.DuckDBPyConnection, recording: RecordingFacts
) -> tuple[Length, ...]:
    """Return the pool lengths of one recording on the workout's clock, in order."""
    rows: list[Length] = []
    for recording_id, added_s in recording.parts:
        cursor = connection.execute(
            "SELECT length, epoch(start_utc), elapsed_s, length_kind, swim_stroke, strokes "
            "FROM lengths WHERE recording_id = ? ORDER BY start_utc, length",
            [recording_id],
        )
        rows += [
            Length(number, start_s + added_s, *others)
            for number, start_s, *others in cursor.fetchall()
        ]
    return tuple(rows)


def _to_floats(values: Any) -> Any:  # noqa: ANN401 - a masked array of any numbers
    """Return a column as floats, NaN where it is null."""
    return np.ma.filled(np.ma.asarray(values).astype(np.float64), np.nan)


def _to_texts(values: Any) -> Any:  # noqa: ANN401 - a masked array of texts
    """Return a column of texts as objects, None where it is null."""
    masked: Any = np.ma.asarray(values, dtype=object)
    texts = np.array(np.ma.getdata(masked), dtype=object)
    texts[np.ma.getmaskarray(masked)] = None
    return texts
