"""From gathered FIT messages to recordings: sessions separated, tables built."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.recording import AltitudeKind, Header, PositionKind, Recording, Remark, Status
from tasks.core.units import FIT_EPOCH_S, MICROSECONDS_PER_SECOND
from tasks.readers.fit.beats import Beats, expand_stored_beats, fill_heart_rate, place_intervals
from tasks.readers.fit.device import BatteryReading, DeviceFacts, describe_device, list_battery
from tasks.readers.fit.fields import (
    ACTIVITY,
    EVENT,
    EVENT_KINDS,
    EVENTS,
    FIRST_DATE_S,
    HR,
    LAP,
    LAP_TRIGGERS,
    LENGTH,
    LENGTH_KINDS,
    STROKES,
    SUB_SPORTS,
    VIRTUAL_SUB_SPORTS,
)
from tasks.readers.fit.sessions import SessionSpan, list_sessions
from tasks.tables import tables
from tasks.tables.arrow import make_rows, make_table

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tasks.readers.fit.gather import Gathered, Named

    Floats = NDArray[np.float64]
    Micros = NDArray[np.int64]

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_BEATS_REACH_US: Final = 60 * MICROSECONDS_PER_SECOND
_QUARTER_HOUR_S: Final = 900
#: Local time is at most 14 h from UTC (the Line Islands); more is no time zone.
_FARTHEST_ZONE_S: Final = 14 * 3600


@dataclass(frozen=True)
class Origin:
    """Where messages come from: decoder with version, whether the bytes are whole, and why not."""

    reader: str
    status: Status = "whole"
    reason: str | None = None


@dataclass(frozen=True)
class _Samples:
    """Record messages with a date, shape (n_samples,) each, in file order."""

    micros: Micros
    columns: dict[str, Floats]

    def select(self, mask: NDArray[np.bool_]) -> _Samples:
        chosen = {name: values[mask] for name, values in self.columns.items()}
        return _Samples(self.micros[mask], chosen)


def build_recordings(gathered: Gathered, origin: Origin) -> tuple[Recording, ...]:
    """Return one recording per session that holds samples, lengths, laps with samples, or beats.

    Records without a date (no time at all, or a time since the device's start-up) are left out
    and counted. A file without a session message is one session. `index` counts from 0.
    """
    samples, n_undated = _read_samples(gathered)
    sessions = list_sessions(gathered)
    live = place_intervals(gathered.intervals, start_s=sessions[0].start_s)
    stored = expand_stored_beats(gathered.messages[HR])
    whole = _Whole(
        device=describe_device(gathered),
        battery=list_battery(gathered),
        beats=(live, stored),
        local_offset_s=_read_local_offset(gathered.messages[ACTIVITY]),
        remarks=_list_remarks(gathered, n_undated),
    )
    recordings: list[Recording] = []
    for session in sessions:
        recording = _build_one(gathered, samples, session, whole=whole, origin=origin)
        if recording is not None:
            header = replace(recording.header, index=len(recordings))
            recordings.append(replace(recording, header=header))
    return tuple(recordings)


@dataclass(frozen=True)
class _Whole:
    """What all sessions of a file share."""

    device: DeviceFacts
    battery: Sequence[BatteryReading]
    beats: tuple[Beats, Beats]
    local_offset_s: int | None
    remarks: tuple[Remark, ...]


def _build_one(
    gathered: Gathered,
    samples: _Samples,
    session: SessionSpan,
    *,
    whole: _Whole,
    origin: Origin,
) -> Recording | None:
    first, last = session.first_micros, session.end_micros
    own = samples.select((samples.micros >= first) & (samples.micros < last))
    laps = [lap for lap in gathered.messages[LAP] if session.holds(lap)]
    lengths = [length for length in gathered.messages[LENGTH] if session.holds(length)]
    in_session = [beats.between(first, last) for beats in whole.beats]
    live, stored = (_keep_near(beats, own.micros) for beats in in_session)
    n_far = sum(len(beats.micros) for beats in in_session) - len(live.micros) - len(stored.micros)
    if not (len(own.micros) or lengths or len(live.micros) or len(stored.micros)):
        return None
    rate, n_filled = fill_heart_rate(own.columns["heart_rate_bpm"], own.micros, stored=stored)
    columns = {**own.columns, "heart_rate_bpm": rate}
    remarks = whole.remarks
    if n_filled:
        remarks += (Remark("heart rates were taken from beats that the strap stored", n_filled),)
    if n_far:
        remarks += (Remark("beats over a minute away from all samples were left out", n_far),)
    lap_rows, length_rows = _list_laps(laps), _list_lengths(lengths)
    start_utc, end_utc = _find_span(own, (live, stored), [*lap_rows, *length_rows])
    return Recording(
        header=_make_header(session, columns, whole=whole, origin=origin),
        start_utc=start_utc,
        end_utc=end_utc,
        samples=make_table(tables.SAMPLES, {"time_utc": own.micros, **columns}),
        laps=make_rows(tables.LAPS, lap_rows),
        lengths=make_rows(tables.LENGTHS, length_rows),
        beats=_stack_beats(live, stored),
        battery=_build_battery(whole.battery, session),
        events=make_rows(
            tables.EVENTS,
            [_read_event(event) for event in gathered.messages[EVENT] if session.holds(event)],
        ),
        remarks=remarks,
    )


def _keep_near(beats: Beats, micros: Micros) -> Beats:
    """Leave out beats long before the first or after the last sample, if there are samples.

    A device that waits to be saved goes on writing beats; they would stretch the recording.
    """
    if not len(micros):
        return beats
    return beats.between(int(micros.min()) - _BEATS_REACH_US, int(micros.max()) + _BEATS_REACH_US)


def _make_header(
    session: SessionSpan, columns: dict[str, Floats], *, whole: _Whole, origin: Origin
) -> Header:
    sub_sport = SUB_SPORTS.get(session.values.get("sub_sport", -1))
    device = whole.device
    return Header(
        format="fit",
        reader=origin.reader,
        status=origin.status,
        reason=origin.reason,
        creator=device.creator,
        manufacturer=device.manufacturer,
        product=device.product,
        serial=device.serial,
        firmware=device.firmware,
        sport=session.sport,
        sub_sport=sub_sport,
        position_kind=_tell_position(columns, sub_sport, device),
        altitude_kind=_tell_altitude(columns, device),
        pool_length_m=session.values.get("pool_length") or None,
        device_distance_m=_as_float(session.values.get("total_distance")),
        device_ascent_m=_as_float(session.values.get("total_ascent")),
        device_descent_m=_as_float(session.values.get("total_descent")),
        local_offset_s=whole.local_offset_s,
    )


def _tell_position(
    columns: dict[str, Floats], sub_sport: str | None, device: DeviceFacts
) -> PositionKind:
    if not np.isfinite(columns["latitude_deg"]).any():
        return "none"
    return "virtual" if device.is_virtual or sub_sport in VIRTUAL_SUB_SPORTS else "gnss"


def _tell_altitude(columns: dict[str, Floats], device: DeviceFacts) -> AltitudeKind:
    has_pressure = bool(np.isfinite(columns["pressure_pa"]).any())
    return "barometric" if has_pressure or device.has_barometer else "unknown"


def _read_samples(gathered: Gathered) -> tuple[_Samples, int]:
    """Return the dated records, and how many were not dated."""
    seconds = np.array(gathered.records.seconds, dtype=np.int64)
    is_dated = seconds >= FIRST_DATE_S
    samples = _Samples(
        (seconds + FIT_EPOCH_S) * MICROSECONDS_PER_SECOND,
        {
            name: np.array(values, dtype=np.float64)
            for name, values in gathered.records.columns.items()
        },
    )
    return samples.select(is_dated), int((~is_dated).sum())


def _list_remarks(gathered: Gathered, n_undated: int) -> tuple[Remark, ...]:
    counted = (
        ("records without a time were left out", gathered.n_without_time),
        ("records with times since the device's start-up were left out", n_undated),
        ("beat intervals of 0 or of 65 s and more were left out", gathered.intervals.n_dropped),
    )
    remarks = tuple(Remark(text, count) for text, count in counted if count)
    used = sorted(gathered.used_developer_fields)
    if used:
        remarks += (Remark(f"values came from developer fields: {', '.join(used)}", len(used)),)
    return remarks


def _list_laps(laps: Sequence[Named]) -> list[dict[str, Any]]:
    rows = []
    for number, lap in enumerate(laps):
        start, end = _find_ends(lap)
        rows.append(
            {
                "lap": number,
                "start_utc": start,
                "end_utc": end,
                "elapsed_s": lap.get("total_elapsed_time"),
                "timer_s": lap.get("total_timer_time"),
                "distance_m": lap.get("total_distance"),
                "trigger": LAP_TRIGGERS.get(lap.get("lap_trigger", -1)),
            }
        )
    return rows


def _list_lengths(lengths: Sequence[Named]) -> list[dict[str, Any]]:
    rows = []
    for number, length in enumerate(lengths):
        start, end = _find_ends(length)
        strokes = length.get("total_strokes")
        rows.append(
            {
                "length": number,
                "start_utc": start,
                "end_utc": end,
                "elapsed_s": length.get("total_elapsed_time"),
                "length_kind": LENGTH_KINDS.get(length.get("length_type", -1)),
                "swim_stroke": STROKES.get(length.get("swim_stroke", -1)),
                "strokes": None if strokes is None else int(strokes),
            }
        )
    return rows


def _find_ends(message: Named) -> tuple[datetime | None, datetime | None]:
    """Return start and end of a lap or length.

    The end is start plus elapsed time where both are there: some devices write all lengths at the
    end of the lap, with that time as their timestamp.
    """
    start, elapsed = message.get("start_time"), message.get("total_elapsed_time")
    end = message.get("timestamp")
    if start is None and end is not None and elapsed is not None:
        start = end - elapsed
    elif start is not None and elapsed is not None:
        end = start + elapsed
    return _to_utc(start), _to_utc(end)


def _read_event(event: Named) -> dict[str, Any]:
    number, kind = event.get("event"), event.get("event_type")
    data = event.get("data", event.get("data16"))
    return {
        "time_utc": _to_utc(event.get("timestamp")),
        "event": None if number is None else EVENTS.get(number, f"event {number}"),
        "event_kind": None if kind is None else EVENT_KINDS.get(kind, f"type {kind}"),
        "event_data": None if data is None else str(data),
    }


def _build_battery(readings: Sequence[BatteryReading], session: SessionSpan) -> Any:  # noqa: ANN401 - an Arrow table
    rows = [
        {
            "time_utc": _to_utc(reading.seconds),
            "battery_pct": _as_float(reading.battery_pct),
            "battery_v": _as_float(reading.battery_v),
            "battery_source": reading.battery_source,
            "battery_of": reading.battery_of,
        }
        for reading in readings
        if session.holds_second(reading.seconds)
    ]
    return make_rows(tables.BATTERY, rows)


def _stack_beats(*parts: Beats) -> Any:  # noqa: ANN401 - an Arrow table
    return make_table(
        tables.BEATS,
        {
            "time_utc": np.concatenate([part.micros for part in parts]),
            "rr_s": np.concatenate([part.rr_s for part in parts]),
            "heart_rate_bpm": np.concatenate([part.heart_rate_bpm for part in parts]),
            "beat_source": [part.source for part in parts for _ in part.micros],
        },
    )


def _find_span(
    samples: _Samples, beats: Sequence[Beats], rows: Sequence[dict[str, Any]]
) -> tuple[datetime, datetime]:
    """Return the first and last instant of samples, beats, laps and lengths.

    Battery readings and events are not counted: devices write them before and after, too.
    """
    micros = [part for part in (samples.micros, *(each.micros for each in beats)) if len(part)]
    instants = [_EPOCH + timedelta(microseconds=int(part.min())) for part in micros]
    instants += [_EPOCH + timedelta(microseconds=int(part.max())) for part in micros]
    instants += [row[key] for row in rows for key in ("start_utc", "end_utc") if row[key]]
    return min(instants), max(instants)


def _read_local_offset(activities: Sequence[Named]) -> int | None:
    """Return local time minus UTC; both are stamped within seconds, so to the quarter hour."""
    for activity in activities:
        if "local_timestamp" in activity and "timestamp" in activity:
            offset = activity["local_timestamp"] - activity["timestamp"]
            rounded = round(offset / _QUARTER_HOUR_S) * _QUARTER_HOUR_S
            return int(rounded) if abs(rounded) <= _FARTHEST_ZONE_S else None
    return None


def _to_utc(seconds: float | None) -> datetime | None:
    """Return the instant of `seconds` since the FIT epoch; None for a time since start-up."""
    if seconds is None or seconds < FIRST_DATE_S:
        return None
    micros = round((seconds + FIT_EPOCH_S) * MICROSECONDS_PER_SECOND)
    return _EPOCH + timedelta(microseconds=micros)


def _as_float(value: float | None) -> float | None:
    return None if value is None else float(value)
