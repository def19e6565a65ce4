"""What is read of a FIT file, by the numbers on file: messages, fields, scales and few words.

Only what the job needs. Numbers and scales are those of the public FIT profile; the tests hold
them against the profiles of two decoders. Message 104 and field 32 of device_info (in newer
profiles battery_level) are not in every profile; their meaning was seen in files of several
makers.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal, NamedTuple

#: One value as it is on file: scaled by nobody, None where it is the type's invalid value.
Raw = int | float | str | bytes | tuple[int | float | None, ...] | None
Kind = Literal["number", "text", "numbers", "bytes"]

TIMESTAMP: Final = 253
#: Times below this count from the device's start-up, not from the epoch.
#: Source: FIT profile, type date_time, value "min".
FIRST_DATE_S: Final = 0x10000000

FILE_ID: Final = 0
SPORT: Final = 12
SESSION: Final = 18
LAP: Final = 19
RECORD: Final = 20
EVENT: Final = 21
DEVICE_INFO: Final = 23
ACTIVITY: Final = 34
FILE_CREATOR: Final = 49
HRV: Final = 78
LENGTH: Final = 101
#: Written by devices of one maker every few minutes; in no public profile.
BATTERY_104: Final = 104
HR: Final = 132
FIELD_DESCRIPTION: Final = 206
DEVELOPER_DATA_ID: Final = 207
AUX_BATTERY: Final = 375


class Field(NamedTuple):
    """One field: value = number on file / scale - offset."""

    number: int
    name: str
    scale: float = 1.0
    offset: float = 0.0
    kind: Kind = "number"


class Message(NamedTuple):
    """One data message: its number, and the wanted values by field number, as on file.

    `developer` holds values of developer fields by (developer data index, field number).
    """

    number: int
    values: Mapping[int, Raw]
    developer: Mapping[tuple[int, int], Raw]


_TIME: Final = Field(TIMESTAMP, "timestamp")

_FIELDS: Final[dict[int, tuple[Field, ...]]] = {
    FILE_ID: (
        Field(0, "type"),
        Field(1, "manufacturer"),
        Field(2, "product"),
        Field(3, "serial_number"),
        Field(4, "time_created"),
        Field(8, "product_name", kind="text"),
    ),
    SPORT: (Field(0, "sport"), Field(1, "sub_sport")),
    SESSION: (
        _TIME,
        Field(254, "message_index"),
        Field(2, "start_time"),
        Field(5, "sport"),
        Field(6, "sub_sport"),
        Field(7, "total_elapsed_time", 1000.0),
        Field(8, "total_timer_time", 1000.0),
        Field(9, "total_distance", 100.0),
        Field(22, "total_ascent"),
        Field(23, "total_descent"),
        # In metres whatever unit the display was set to (field 46).
        Field(44, "pool_length", 100.0),
    ),
    LAP: (
        _TIME,
        Field(254, "message_index"),
        Field(2, "start_time"),
        Field(7, "total_elapsed_time", 1000.0),
        Field(8, "total_timer_time", 1000.0),
        Field(9, "total_distance", 100.0),
        Field(24, "lap_trigger"),
    ),
    RECORD: (
        _TIME,
        Field(0, "position_lat"),
        Field(1, "position_long"),
        Field(2, "altitude", 5.0, 500.0),
        Field(3, "heart_rate"),
        Field(4, "cadence"),
        Field(5, "distance", 100.0),
        Field(6, "speed", 1000.0),
        Field(7, "power"),
        Field(8, "compressed_speed_distance", kind="bytes"),
        Field(13, "temperature"),
        Field(31, "gps_accuracy"),
        Field(52, "cadence256", 256.0),
        Field(53, "fractional_cadence", 128.0),
        Field(73, "enhanced_speed", 1000.0),
        Field(78, "enhanced_altitude", 5.0, 500.0),
        Field(91, "absolute_pressure"),
    ),
    EVENT: (
        _TIME,
        Field(0, "event"),
        Field(1, "event_type"),
        Field(2, "data16"),
        Field(3, "data"),
    ),
    DEVICE_INFO: (
        _TIME,
        Field(0, "device_index"),
        Field(1, "device_type"),
        Field(2, "manufacturer"),
        Field(3, "serial_number"),
        Field(4, "product"),
        Field(5, "software_version", 100.0),
        Field(10, "battery_voltage", 256.0),
        Field(19, "descriptor", kind="text"),
        Field(21, "ant_device_number"),
        Field(25, "source_type"),
        Field(27, "product_name", kind="text"),
        Field(32, "battery_level"),
    ),
    ACTIVITY: (_TIME, Field(5, "local_timestamp")),
    FILE_CREATOR: (Field(0, "software_version"),),
    HRV: (Field(0, "time", 1000.0, kind="numbers"),),
    LENGTH: (
        _TIME,
        Field(254, "message_index"),
        Field(2, "start_time"),
        Field(3, "total_elapsed_time", 1000.0),
        Field(5, "total_strokes"),
        Field(7, "swim_stroke"),
        Field(12, "length_type"),
    ),
    BATTERY_104: (_TIME, Field(0, "battery_voltage", 1000.0), Field(2, "battery_level")),
    HR: (
        _TIME,
        Field(0, "fractional_timestamp", 32768.0),
        Field(1, "time256", 256.0),
        Field(6, "filtered_bpm", kind="numbers"),
        # Kept in its 1/1024 s: the 12-bit times below continue it in whole ticks.
        Field(9, "event_timestamp", kind="numbers"),
        Field(10, "event_timestamp_12", kind="bytes"),
    ),
    FIELD_DESCRIPTION: (
        Field(0, "developer_data_index"),
        Field(1, "field_definition_number"),
        Field(2, "fit_base_type_id"),
        Field(3, "field_name", kind="text"),
        Field(6, "scale"),
        Field(7, "offset"),
        Field(8, "units", kind="text"),
        Field(14, "native_mesg_num"),
        Field(15, "native_field_num"),
    ),
    DEVELOPER_DATA_ID: (
        Field(1, "application_id", kind="bytes"),
        Field(3, "developer_data_index"),
    ),
    AUX_BATTERY: (
        _TIME,
        Field(0, "device_index"),
        Field(1, "battery_voltage", 256.0),
        Field(3, "battery_identifier"),
    ),
}

#: Wanted fields by message number and field number.
WANTED: Final[Mapping[int, Mapping[int, Field]]] = {
    message: {field.number: field for field in fields} for message, fields in _FIELDS.items()
}

#: What is taken of messages that are otherwise skipped: their time, which compressed ones refer to.
TIME_ONLY: Final[Mapping[int, Field]] = {TIMESTAMP: _TIME}


@dataclass(frozen=True)
class Channel:
    """A column of the samples and the record fields that may hold it, preferred ones first."""

    column: str
    sources: tuple[Field, ...]


def _channel(column: str, *names: str) -> Channel:
    by_name = {field.name: field for field in _FIELDS[RECORD]}
    return Channel(column, tuple(by_name[name] for name in names))


#: Enhanced fields first: they have the same scale and more room; then the first value there is.
CHANNELS: Final = (
    _channel("latitude_deg", "position_lat"),
    _channel("longitude_deg", "position_long"),
    _channel("altitude_m", "enhanced_altitude", "altitude"),
    _channel("distance_m", "distance"),
    _channel("speed_mps", "enhanced_speed", "speed"),
    _channel("heart_rate_bpm", "heart_rate"),
    _channel("cadence_rpm", "cadence256", "cadence"),
    _channel("power_w", "power"),
    _channel("temperature_degc", "temperature"),
    _channel("pressure_pa", "absolute_pressure"),
    _channel("position_accuracy_m", "gps_accuracy"),
)

#: Column of the samples by number of the native record field that a developer field stands for.
COLUMN_OF_NATIVE: Final = {
    field.number: channel.column
    for channel in CHANNELS
    for field in channel.sources
    if channel.column not in {"latitude_deg", "longitude_deg"}
}
#: Column by folded name of a developer field (blanks, dashes and underscores taken out).
COLUMN_OF_NAME: Final = {
    "heartrate": "heart_rate_bpm",
    "hr": "heart_rate_bpm",
    "distance": "distance_m",
    "battery": "battery",
    "batterylevel": "battery",
    "batterypct": "battery",
    "batterypercent": "battery",
    "batterypercentage": "battery",
    "batterycharge": "battery",
    "batteryvoltage": "battery_v",
}

# --- few words --------------------------------------------------------------------------------
FILE_TYPES: Final = {
    1: "device file",
    2: "settings file",
    3: "sport settings file",
    4: "activity",
    5: "planned workout",
    6: "course",
    7: "schedule",
    9: "weight file",
    10: "totals file",
    11: "goals file",
    14: "blood pressure file",
    15: "monitoring file",
    20: "activity summary",
    28: "daily monitoring file",
    32: "monitoring file",
    34: "segment",
}
#: Their points are a plan, not a recording.
PLANNED_FILE_TYPES: Final = frozenset({5, 6, 34})

SPORTS: Final = {
    1: "running",
    2: "cycling",
    3: "transition",
    4: "fitness_equipment",
    5: "swimming",
    10: "training",
    11: "walking",
    15: "rowing",
    17: "hiking",
    21: "e_biking",
    62: "hiit",
}
SUB_SPORTS: Final = {
    1: "treadmill",
    2: "street",
    3: "trail",
    4: "track",
    5: "spin",
    6: "indoor_cycling",
    7: "road",
    8: "mountain",
    9: "downhill",
    11: "cyclocross",
    14: "indoor_rowing",
    15: "elliptical",
    16: "stair_climbing",
    17: "lap_swimming",
    18: "open_water",
    20: "strength_training",
    26: "cardio_training",
    27: "indoor_walking",
    45: "indoor_running",
    46: "gravel_cycling",
    58: "virtual_activity",
    70: "hiit",
}
#: Sub-sports that say what was done better than the sport does.
TELLING_SUB_SPORTS: Final = frozenset(
    {"elliptical", "indoor_rowing", "stair_climbing", "strength_training", "hiit"}
)
CARDIO: Final = "cardio_training"
SPORTS_WITH_MOUNTAIN: Final = frozenset({"cycling", "e_biking"})
MOUNTAIN_SUB_SPORTS: Final = frozenset({"mountain", "downhill"})
#: Rides whose positions come from a programme, not from satellites.
VIRTUAL_SUB_SPORTS: Final = frozenset({"virtual_activity", "indoor_cycling", "spin"})
#: Makers of programmes that write invented positions.
VIRTUAL_MANUFACTURERS: Final = frozenset({67, 144, 260, 281, 282, 284, 331})

STROKES: Final = {
    0: "freestyle",
    1: "backstroke",
    2: "breaststroke",
    3: "butterfly",
    4: "drill",
    5: "mixed",
    6: "medley",
}
LENGTH_KINDS: Final = {0: "idle", 1: "active"}
LAP_TRIGGERS: Final = {
    0: "manual",
    1: "time",
    2: "distance",
    3: "position",
    4: "position",
    5: "position",
    6: "position",
    7: "session end",
    8: "fitness equipment",
}
EVENTS: Final = {
    0: "timer",
    3: "workout",
    4: "workout_step",
    5: "power_down",
    6: "power_up",
    8: "session",
    9: "lap",
    11: "battery",
    22: "battery_low",
    26: "activity",
    28: "length",
    32: "user_marker",
}
TIMER: Final = 0
#: 8 and 9 (stop and disable) stop the timer as 1 and 4 do.
EVENT_KINDS: Final = {0: "start", 1: "stop", 3: "marker", 4: "stop_all", 8: "stop", 9: "stop_all"}

#: Kinds of paired sensors, for the name under which their battery is kept.
SENSOR_KINDS: Final = {
    11: "power",
    120: "heart rate",
    121: "speed and cadence",
    122: "cadence",
    123: "speed",
    124: "foot pod",
}
#: device_info of a part of the recorder itself: source_type "local", device_type "barometer".
LOCAL_SOURCE: Final = 5
LOCAL_BAROMETER: Final = 4
CREATOR_INDEX: Final = 0


Value = int | float | str | tuple[int | float | None, ...]


def name_values(message: Message) -> dict[str, Value]:
    """Return the values of `message` by field name, scaled; invalid ones are left out.

    Arrays keep their invalid members as None, so that two arrays of a message stay in step, and
    are not scaled.
    """
    wanted = WANTED[message.number]
    named: dict[str, Value] = {}
    for number, raw in message.values.items():
        field = wanted[number]
        if raw is None or isinstance(raw, bytes):
            continue
        if isinstance(raw, (tuple, str)) or (field.scale == 1.0 and field.offset == 0.0):
            named[field.name] = raw
        else:
            named[field.name] = raw / field.scale - field.offset
    return named
