"""Writes a recording as a FIT activity, with the messages that real devices write."""

from collections.abc import Iterator

import numpy as np
import pyfitparsernative
from numpy.typing import NDArray

from tests.simulate.devices import Recorded

Floats = NDArray[np.float64]
Message = dict[str, object]

# FIT SDK: seconds are counted from 1989-12-31T00:00:00Z.
FIT_EPOCH_UNIX_S = 631065600
LOCAL_TIME_AHEAD_S = 3600
SEMICIRCLES_PER_DEG = 2**31 / 180.0
BEATS_PER_MESSAGE = 5
# FIT SDK, local_device_type.
LOCAL_BAROMETER = 4
REST_AS_IDLE_S = 5.0

SPORTS = {
    "running": ("running", {"track": "track", "trail": "trail", "treadmill": "treadmill"}),
    "intervals": ("running", {"treadmill": "treadmill", "track": "track"}),
    "cycling": ("cycling", {"road": "road"}),
    "mountain-biking": ("cycling", {"mixed": "mountain"}),
    "walking": ("walking", {}),
    "hiking": ("hiking", {}),
    "swimming": ("swimming", {"pool": "lap_swimming"}),
    "strength": ("training", {"gym": "strength_training"}),
}


def write_fit(recorded: Recorded) -> bytes:
    """Return the bytes of a FIT activity file."""
    return bytes(pyfitparsernative.write_fit_bytes(list(list_messages(recorded))))


def list_messages(recorded: Recorded) -> Iterator[Message]:
    """Return the messages of the activity in the order in which devices write them."""
    stamps = (recorded.clock_unix_s - FIT_EPOCH_UNIX_S).astype(int)
    first, last = int(stamps[0]), int(stamps[-1])
    device = recorded.device
    yield {
        "message_type": "file_id",
        "type": "activity",
        "manufacturer": "development",
        "product": device.serial % 1000,
        "serial_number": device.serial,
        "time_created": first,
    }
    yield _describe_device(recorded, first)
    if device.barometer:
        yield {
            "message_type": "device_info",
            "timestamp": first,
            "device_index": 1,
            "device_type": LOCAL_BAROMETER,
            "source_type": "local",
        }
    yield {"message_type": "event", "timestamp": first, "event": "timer", "event_type": "start"}
    yield from _merge(recorded, stamps)
    yield {"message_type": "event", "timestamp": last, "event": "timer", "event_type": "stop_all"}
    yield _describe_device(recorded, last)
    yield from _list_lengths(recorded)
    timer = _timer_time(recorded)
    yield from _list_laps(recorded)
    yield _sum_up(recorded, first, last, timer)
    yield {
        "message_type": "activity",
        "timestamp": last,
        "total_timer_time": timer,
        "num_sessions": 1,
        "type": "manual",
        "event": "activity",
        "event_type": "stop",
        "local_timestamp": last + LOCAL_TIME_AHEAD_S,
    }


def fit_seconds(recorded: Recorded, true_s: float) -> int:
    """Return the FIT time that the device shows at a true second of the workout."""
    return round(recorded.show(true_s)) - FIT_EPOCH_UNIX_S


def list_records(recorded: Recorded, stamps: NDArray[np.int64]) -> list[Message]:
    """Return one record message per sample; a missing value has no field."""
    columns: list[tuple[str, list[object]]] = []
    for field, values, digits in _record_columns(recorded):
        known = np.isfinite(values)
        if not known.any():
            continue
        rounded = np.round(values, digits)
        plain = rounded.tolist() if digits else np.where(known, rounded, 0).astype(int).tolist()
        if not known.all():
            plain = [value if there else None for value, there in zip(plain, known, strict=True)]
        columns.append((field, plain))
    names = ["message_type", "timestamp", *(field for field, _ in columns)]
    rows = zip(*(values for _, values in columns), strict=True) if columns else [()] * len(stamps)
    whole = all(None not in values for _, values in columns)
    messages: list[Message] = []
    for stamp, row in zip(stamps.tolist(), rows, strict=True):
        message: Message = dict(zip(names, ("record", stamp, *row), strict=True))
        if not whole:
            message = {name: value for name, value in message.items() if value is not None}
        messages.append(message)
    return messages


def _record_columns(recorded: Recorded) -> Iterator[tuple[str, Floats, int]]:
    yield "position_lat", recorded.latitude_deg * SEMICIRCLES_PER_DEG, 0
    yield "position_long", recorded.longitude_deg * SEMICIRCLES_PER_DEG, 0
    channels = recorded.channels
    if "altitude_m" in channels:
        # Files hold fifths of a metre; rounded here, so that no writer's own rounding counts.
        yield "enhanced_altitude", np.round(channels["altitude_m"] * 5.0) / 5.0, 1
    for channel, field, digits in (
        ("heart_rate_bpm", "heart_rate", 0),
        ("distance_m", "distance", 2),
        ("speed_mps", "enhanced_speed", 3),
        ("power_w", "power", 0),
        ("pressure_pa", "absolute_pressure", 0),
        ("temperature_c", "temperature", 0),
    ):
        if channel in channels and not (channel == "power_w" and not channels[channel].any()):
            yield field, channels[channel], digits
    if "cadence_per_min" in channels and channels["cadence_per_min"].any():
        yield "cadence", channels["cadence_per_min"] / cadence_divisor(recorded), 0


def cadence_divisor(recorded: Recorded) -> float:
    """Return 2 for sports on foot, where files count strides (two steps), else 1."""
    return (
        2.0 if recorded.workout.activity in {"running", "walking", "hiking", "intervals"} else 1.0
    )


def _merge(recorded: Recorded, stamps: NDArray[np.int64]) -> Iterator[Message]:
    """Put beats, battery readings and pauses between the records, by time."""
    extra: list[tuple[int, int, Message]] = []
    beats = recorded.beats_unix_s
    intervals = np.round(np.diff(beats), 3)
    for start in range(0, len(intervals), BEATS_PER_MESSAGE):
        chunk = intervals[start : start + BEATS_PER_MESSAGE].tolist()
        at = int(beats[start + len(chunk)]) - FIT_EPOCH_UNIX_S
        extra.append((at, 2, {"message_type": "hrv", "time": chunk}))
    for true_s, percent, millivolts in recorded.battery:
        at = fit_seconds(recorded, true_s)
        extra.append(
            (
                at,
                1,
                {
                    "message_type": "104",
                    "unknown_field_253": at,
                    "unknown_field_0": millivolts,
                    "unknown_field_2": percent,
                },
            )
        )
    for start_s, end_s in recorded.pauses:
        for true_s, word in ((start_s, "stop_all"), (end_s, "start")):
            at = fit_seconds(recorded, true_s)
            extra.append(
                (
                    at,
                    0 if word == "start" else 3,
                    {
                        "message_type": "event",
                        "timestamp": at,
                        "event": "timer",
                        "event_type": word,
                    },
                )
            )
    rows = [
        (int(at), 1, row) for at, row in zip(stamps, list_records(recorded, stamps), strict=True)
    ]
    for _, _, message in sorted(extra + rows, key=lambda item: item[:2]):
        yield message


def _describe_device(recorded: Recorded, stamp: int) -> Message:
    device = recorded.device
    message: Message = {
        "message_type": "device_info",
        "timestamp": stamp,
        "device_index": "creator",
        "manufacturer": "development",
        "product": device.serial % 1000,
        "serial_number": device.serial,
        "software_version": float(device.firmware),
        "product_name": device.name,
    }
    if recorded.battery:
        before = [at for at in recorded.battery if fit_seconds(recorded, at[0]) <= stamp]
        _, percent, millivolts = (before or list(recorded.battery))[-1]
        message |= {"battery_level": percent, "battery_voltage": round(millivolts / 1000.0, 2)}
        message["battery_status"] = "good" if percent > 30 else "low"
    return message


def _list_lengths(recorded: Recorded) -> Iterator[Message]:
    number = 0
    for index, length in enumerate(recorded.lengths):
        start, end = fit_seconds(recorded, length.start_s), fit_seconds(recorded, length.end_s)
        took = float(end - start)
        yield {
            "message_type": "length",
            "message_index": number,
            "timestamp": end,
            "start_time": start,
            "event": "length",
            "event_type": "stop",
            "length_type": "active",
            "swim_stroke": length.stroke,
            "total_strokes": length.strokes,
            "total_elapsed_time": took,
            "total_timer_time": took,
            "avg_speed": round(recorded.workout.pool_m / took, 3),
        }
        number += 1
        later = recorded.lengths[index + 1 : index + 2]
        if later and later[0].start_s - length.end_s > REST_AS_IDLE_S:
            until = fit_seconds(recorded, later[0].start_s)
            yield {
                "message_type": "length",
                "message_index": number,
                "timestamp": until,
                "start_time": end,
                "event": "length",
                "event_type": "stop",
                "length_type": "idle",
                "total_elapsed_time": float(until - end),
                "total_timer_time": float(until - end),
            }
            number += 1


def _list_laps(recorded: Recorded) -> Iterator[Message]:
    for index, lap in enumerate(recorded.laps):
        start, end = fit_seconds(recorded, lap.start_s), fit_seconds(recorded, lap.end_s)
        message: Message = {
            "message_type": "lap",
            "message_index": index,
            "timestamp": end,
            "start_time": start,
            "event": "lap",
            "event_type": "stop",
            "total_elapsed_time": float(end - start),
            "total_timer_time": float(end - start) - _paused(recorded, lap.start_s, lap.end_s),
            "total_distance": round(lap.distance_m, 2),
        }
        if recorded.lengths:
            message["num_lengths"] = len(recorded.lengths)
        yield message


def _paused(recorded: Recorded, start_s: float, end_s: float) -> float:
    return float(
        sum(
            max(
                0,
                fit_seconds(recorded, min(end, end_s)) - fit_seconds(recorded, max(start, start_s)),
            )
            for start, end in recorded.pauses
        )
    )


def _timer_time(recorded: Recorded) -> float:
    whole = float(recorded.clock_unix_s[-1] - recorded.clock_unix_s[0])
    return whole - _paused(recorded, float(recorded.true_s[0]), float(recorded.true_s[-1]))


def _sum_up(recorded: Recorded, first: int, last: int, timer: float) -> Message:
    sport, kinds = SPORTS[recorded.workout.activity]
    message: Message = {
        "message_type": "session",
        "message_index": 0,
        "timestamp": last,
        "start_time": first,
        "event": "session",
        "event_type": "stop",
        "sport": sport,
        "sub_sport": kinds.get(recorded.workout.place.name, "generic"),
        "total_elapsed_time": float(last - first),
        "total_timer_time": timer,
        "first_lap_index": 0,
        "num_laps": len(recorded.laps),
        "trigger": "activity_end",
    }
    channels = recorded.channels
    if recorded.has("distance_m"):
        message["total_distance"] = round(float(channels["distance_m"][-1]), 2)
    if recorded.has("heart_rate_bpm"):
        rate = channels["heart_rate_bpm"]
        message["avg_heart_rate"] = round(float(np.nanmean(rate)))
        message["max_heart_rate"] = round(float(np.nanmax(rate)))
    if "ascent_m" in recorded.totals:
        message["total_ascent"] = round(recorded.totals["ascent_m"])
        message["total_descent"] = round(recorded.totals["descent_m"])
    if recorded.lengths:
        message["pool_length"] = recorded.workout.pool_m
        idle = sum(row["length_type"] == "idle" for row in _list_lengths(recorded))
        message["num_lengths"] = len(recorded.lengths) + idle
        message["num_active_lengths"] = len(recorded.lengths)
    return message
