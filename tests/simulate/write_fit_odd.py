"""Writes the same messages as `write_fit`, byte by byte and in the forms that few devices use.

Numbers, scales and offsets: FIT SDK profile (file_id 0, session 18, lap 19, record 20, event 21,
device_info 23, activity 34, hrv 78, length 101, hr 132, developer_data_id 207,
field_description 206; 104 is in no profile). The writer of `write_fit` is a different program,
so that reading both alike checks either.
"""

from collections.abc import Iterable, Mapping

import numpy as np

from tests.simulate.devices import Recorded
from tests.simulate.fit_bytes import FitBytes, Value
from tests.simulate.write_fit import FIT_EPOCH_UNIX_S, Message, list_messages

FieldMap = dict[str, tuple[int, str, float, float]]
Packed = dict[int, tuple[str, Value]]

STAMP = {"timestamp": (253, "uint32", 1.0, 0.0)}
SPAN: FieldMap = {
    "start_time": (2, "uint32", 1.0, 0.0),
    "message_index": (254, "uint16", 1.0, 0.0),
    "event": (0, "enum", 1.0, 0.0),
    "event_type": (1, "enum", 1.0, 0.0),
}
FIELDS: dict[str, tuple[int, FieldMap]] = {
    "file_id": (
        0,
        {
            "type": (0, "enum", 1.0, 0.0),
            "manufacturer": (1, "uint16", 1.0, 0.0),
            "product": (2, "uint16", 1.0, 0.0),
            "serial_number": (3, "uint32z", 1.0, 0.0),
            "time_created": (4, "uint32", 1.0, 0.0),
        },
    ),
    "device_info": (
        23,
        STAMP
        | {
            "device_index": (0, "uint8", 1.0, 0.0),
            "device_type": (1, "uint8", 1.0, 0.0),
            "source_type": (25, "enum", 1.0, 0.0),
            "manufacturer": (2, "uint16", 1.0, 0.0),
            "serial_number": (3, "uint32z", 1.0, 0.0),
            "product": (4, "uint16", 1.0, 0.0),
            "software_version": (5, "uint16", 100.0, 0.0),
            "battery_voltage": (10, "uint16", 256.0, 0.0),
            "battery_status": (11, "uint8", 1.0, 0.0),
            "product_name": (27, "string", 1.0, 0.0),
            "battery_level": (32, "uint8", 1.0, 0.0),
        },
    ),
    "event": (21, STAMP | {"event": (0, "enum", 1.0, 0.0), "event_type": (1, "enum", 1.0, 0.0)}),
    "record": (
        20,
        STAMP
        | {
            "position_lat": (0, "sint32", 1.0, 0.0),
            "position_long": (1, "sint32", 1.0, 0.0),
            "heart_rate": (3, "uint8", 1.0, 0.0),
            "cadence": (4, "uint8", 1.0, 0.0),
            "distance": (5, "uint32", 100.0, 0.0),
            "absolute_pressure": (91, "uint32", 1.0, 0.0),
            "power": (7, "uint16", 1.0, 0.0),
            "temperature": (13, "sint8", 1.0, 0.0),
            "enhanced_speed": (73, "uint32", 1000.0, 0.0),
            "enhanced_altitude": (78, "uint32", 5.0, 500.0),
        },
    ),
    "hrv": (78, {"time": (0, "uint16", 1000.0, 0.0)}),
    "104": (
        104,
        {
            "unknown_field_253": (253, "uint32", 1.0, 0.0),
            "unknown_field_0": (0, "uint16", 1.0, 0.0),
            "unknown_field_2": (2, "uint8", 1.0, 0.0),
        },
    ),
    "length": (
        101,
        STAMP
        | SPAN
        | {
            "total_elapsed_time": (3, "uint32", 1000.0, 0.0),
            "total_timer_time": (4, "uint32", 1000.0, 0.0),
            "total_strokes": (5, "uint16", 1.0, 0.0),
            "avg_speed": (6, "uint16", 1000.0, 0.0),
            "swim_stroke": (7, "enum", 1.0, 0.0),
            "length_type": (12, "enum", 1.0, 0.0),
        },
    ),
    "lap": (
        19,
        STAMP
        | SPAN
        | {
            "total_elapsed_time": (7, "uint32", 1000.0, 0.0),
            "total_timer_time": (8, "uint32", 1000.0, 0.0),
            "total_distance": (9, "uint32", 100.0, 0.0),
            "num_lengths": (32, "uint16", 1.0, 0.0),
        },
    ),
    "session": (
        18,
        STAMP
        | SPAN
        | {
            "sport": (5, "enum", 1.0, 0.0),
            "sub_sport": (6, "enum", 1.0, 0.0),
            "total_elapsed_time": (7, "uint32", 1000.0, 0.0),
            "total_timer_time": (8, "uint32", 1000.0, 0.0),
            "total_distance": (9, "uint32", 100.0, 0.0),
            "avg_heart_rate": (16, "uint8", 1.0, 0.0),
            "max_heart_rate": (17, "uint8", 1.0, 0.0),
            "total_ascent": (22, "uint16", 1.0, 0.0),
            "total_descent": (23, "uint16", 1.0, 0.0),
            "first_lap_index": (25, "uint16", 1.0, 0.0),
            "num_laps": (26, "uint16", 1.0, 0.0),
            "trigger": (28, "enum", 1.0, 0.0),
            "num_lengths": (33, "uint16", 1.0, 0.0),
            "num_active_lengths": (47, "uint16", 1.0, 0.0),
            "pool_length": (44, "uint16", 100.0, 0.0),
        },
    ),
    "activity": (
        34,
        STAMP
        | {
            "total_timer_time": (0, "uint32", 1000.0, 0.0),
            "num_sessions": (1, "uint16", 1.0, 0.0),
            "type": (2, "enum", 1.0, 0.0),
            "event": (3, "enum", 1.0, 0.0),
            "event_type": (4, "enum", 1.0, 0.0),
            "local_timestamp": (5, "uint32", 1.0, 0.0),
        },
    ),
}
# Words of enumerations. Words with two numbers depend on the field, given as "field:word".
WORDS = {
    "type:activity": 4, "type:manual": 0, "development": 255, "creator": 0, "good": 2, "low": 4,
    "event:timer": 0, "event:session": 8, "event:lap": 9, "event:activity": 26,
    "event:length": 28, "event_type:start": 0, "event_type:stop": 1, "event_type:stop_all": 4,
    "trigger:activity_end": 0, "sport:running": 1, "sport:cycling": 2, "sport:swimming": 5,
    "sport:training": 10, "sport:walking": 11, "sport:hiking": 17, "sub_sport:generic": 0,
    "sub_sport:treadmill": 1, "sub_sport:trail": 3, "sub_sport:track": 4, "sub_sport:road": 7,
    "sub_sport:mountain": 8, "sub_sport:lap_swimming": 17, "sub_sport:strength_training": 20,
    "swim_stroke:freestyle": 0, "swim_stroke:backstroke": 1, "swim_stroke:breaststroke": 2,
    "swim_stroke:butterfly": 3, "length_type:idle": 0, "length_type:active": 1,
    "source_type:local": 5,
}  # fmt: skip
LOCAL_NUMBERS = {name: number for number, name in enumerate(FIELDS)}
RECORD_LOCAL_NUMBER = 3
BATTERY_FIELD = 0
EVENTS_PER_MESSAGE = 8


def write_fit_plain(recorded: Recorded) -> bytes:
    """Return the same activity as `write_fit`, little-endian, one local number per message."""
    return _write(list_messages(recorded), FitBytes())


def write_fit_big_endian(recorded: Recorded) -> bytes:
    """Return the activity with every number big-endian."""
    return _write(list_messages(recorded), FitBytes(big_endian=True))


def write_fit_compressed(recorded: Recorded) -> bytes:
    """Return the activity with the time of most records in five bits of their record header.

    A full time stamp is written wherever five bits cannot tell it.
    """
    out = FitBytes()
    last: int | None = None
    for message in list_messages(recorded):
        if message["message_type"] != "record":
            _add(out, message)
            stamped = message.get("timestamp")
            last = stamped if isinstance(stamped, int) else last
            continue
        at = message["timestamp"]
        if not isinstance(at, int):
            raise TypeError("a record's time is a whole number of seconds")
        if last is not None and 0 <= at - last < 32:
            short = {name: value for name, value in message.items() if name != "timestamp"}
            out.add(20, pack_fields(short), local=RECORD_LOCAL_NUMBER, time_offset=at % 32)
        else:
            _add(out, message)
        last = at
    return out.build()


def write_fit_developer(recorded: Recorded) -> bytes:
    """Return the activity with the charge as a developer field `battery` [percent] of records."""
    out = FitBytes()
    levels = [(at, percent) for at, percent, _ in recorded.battery]
    times = np.array([at for at, _ in levels])
    described = False
    for message in list_messages(recorded):
        if message["message_type"] == "104":
            continue
        if message["message_type"] != "record" or not levels:
            _add(out, message)
            continue
        if not described:
            _describe_battery_field(out)
            described = True
        at = message["timestamp"]
        true_s = float(
            np.interp(float(str(at)) + FIT_EPOCH_UNIX_S, recorded.clock_unix_s, recorded.true_s)
        )
        percent = levels[max(int(np.searchsorted(times, true_s, side="right")) - 1, 0)][1]
        out.add(
            20,
            pack_fields(message),
            local=RECORD_LOCAL_NUMBER,
            developer={(0, BATTERY_FIELD): ("uint8", percent)},
        )
    return out.build()


def write_fit_stored_beats(recorded: Recorded) -> bytes:
    """Return the activity as a watch writes it that got the strap's memory after a swim.

    Records hold no heart rate; `hr` messages do: the first with the absolute time of an event,
    the others with eight events each, whose times are 12 bits wide (1/1024 s, rolling over).
    """
    out = FitBytes()
    done = False
    for message in list_messages(recorded):
        kind = message["message_type"]
        if kind == "hrv":
            continue
        if kind == "record":
            message = {name: value for name, value in message.items() if name != "heart_rate"}  # noqa: PLW2901  # the same record without its rate
        if kind == "event" and message["event_type"] == "stop_all" and not done:
            _add_stored_beats(out, recorded)
            done = True
        _add(out, message)
    return out.build()


def pack_fields(message: Message) -> Packed:
    """Return the raw fields of one message: scaled, with the numbers of its words."""
    _, fields = FIELDS[str(message["message_type"])]
    packed: Packed = {}
    for name, value in message.items():
        if name == "message_type":
            continue
        number, base, scale, offset = fields[name]
        packed[number] = (base, _scale(name, value, scale, offset))
    return packed


def pack_12_bits(values: Iterable[int]) -> bytes:
    """Pack numbers of 12 bits two by two into three bytes, the lower bits first."""
    numbers = list(values)
    numbers += [0] * (len(numbers) % 2)
    out = bytearray()
    for first, second in zip(numbers[::2], numbers[1::2], strict=True):
        out += bytes((first & 0xFF, (first >> 8) | ((second & 0xF) << 4), second >> 4))
    return bytes(out)


def _scale(name: str, value: object, scale: float, offset: float) -> Value:
    if isinstance(value, str):
        if name == "product_name":
            return value
        return WORDS[value] if value in WORDS else WORDS[f"{name}:{value}"]
    if isinstance(value, list):
        return [round(float(each) * scale) for each in value]
    return round((float(str(value)) + offset) * scale)


def _add(out: FitBytes, message: Message) -> None:
    kind = str(message["message_type"])
    out.add(FIELDS[kind][0], pack_fields(message), local=LOCAL_NUMBERS[kind])


def _write(messages: Iterable[Message], out: FitBytes) -> bytes:
    for message in messages:
        _add(out, message)
    return out.build()


def _describe_battery_field(out: FitBytes) -> None:
    out.add(207, {1: ("byte", bytes(range(16))), 3: ("uint8", 0), 4: ("uint32", 1)}, local=14)
    described: Mapping[int, tuple[str, Value]] = {
        0: ("uint8", 0),
        1: ("uint8", BATTERY_FIELD),
        2: ("uint8", 2),
        3: ("string", "battery"),
        8: ("string", "percent"),
    }
    out.add(206, described, local=15)


def _add_stored_beats(out: FitBytes, recorded: Recorded) -> None:
    beats = recorded.beats_unix_s
    if len(beats) < EVENTS_PER_MESSAGE + 1:
        return
    strap_s = beats - beats[0] + 1.0
    rates = np.clip(np.round(60.0 / np.diff(beats, prepend=2 * beats[0] - beats[1])), 30, 240)
    whole = int(beats[0])
    out.add(
        132,
        {
            253: ("uint32", whole - FIT_EPOCH_UNIX_S),
            0: ("uint16", round((float(beats[0]) - whole) * 32768)),
            6: ("uint8", [int(rates[0])]),
            9: ("uint32", [1024]),
        },
        local=12,
    )
    ticks = np.round(strap_s * 1024).astype(int)
    for start in range(1, len(beats) - EVENTS_PER_MESSAGE + 1, EVENTS_PER_MESSAGE):
        chunk = slice(start, start + EVENTS_PER_MESSAGE)
        out.add(
            132,
            {
                6: ("uint8", rates[chunk].astype(int).tolist()),
                10: ("byte", pack_12_bits((ticks[chunk] % 4096).tolist())),
            },
            local=13,
        )
