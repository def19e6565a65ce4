"""Short FIT activities for tests, message by message, on top of `fit_bytes`."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from tests.simulate.fit_bytes import FitBytes, Value

#: 1,000,000,000 s after 1989-12-31 is 2021-09-08T01:46:40Z (worked example of the FIT SDK's tests).
START = 1_000_000_000
START_UTC = datetime(2021, 9, 8, 1, 46, 40, tzinfo=UTC)

FILE_ID, SPORT, SESSION, LAP, RECORD, EVENT, DEVICE_INFO = 0, 12, 18, 19, 20, 21, 23
ACTIVITY, HRV, LENGTH, BATTERY, HR, DESCRIPTION, DEVELOPER = 34, 78, 101, 104, 132, 206, 207
TIMESTAMP = 253

#: Base types of record fields that the tests set, by field number. Source: FIT profile.
RECORD_TYPES = {
    0: "sint32",
    1: "sint32",
    2: "uint16",
    3: "uint8",
    4: "uint8",
    5: "uint32",
    6: "uint16",
    7: "uint16",
    8: "byte",
    13: "sint8",
    31: "uint8",
    52: "uint16",
    53: "uint8",
    73: "uint32",
    78: "uint32",
    91: "uint32",
    TIMESTAMP: "uint32",
}


def at(seconds: float) -> datetime:
    """Return the instant `seconds` after START."""
    return START_UTC + timedelta(seconds=seconds)


def begin(
    *, big_endian: bool = False, kind: int = 4, manufacturer: int = 255, serial: int = 3_141_592_653
) -> FitBytes:
    """Begin a file with its file_id message."""
    return FitBytes(big_endian=big_endian).add(
        FILE_ID,
        {
            0: ("enum", kind),
            1: ("uint16", manufacturer),
            2: ("uint16", 7),
            3: ("uint32z", serial),
            4: ("uint32", START),
        },
    )


def add_record(
    file: FitBytes,
    seconds: int | None,
    fields: dict[int, Value],
    *,
    time_offset: int | None = None,
    developer: dict[tuple[int, int], tuple[str, Value]] | None = None,
) -> None:
    """Add a record `seconds` after START (None: without a time of its own)."""
    values: dict[int, Value] = {} if seconds is None else {TIMESTAMP: START + seconds}
    values |= fields
    typed = {number: (RECORD_TYPES[number], value) for number, value in values.items()}
    file.add(RECORD, typed, local=1, time_offset=time_offset, developer=developer)


def add_session(
    file: FitBytes,
    start: int,
    end: int,
    *,
    sport: int = 1,
    sub_sport: int = 0,
    more: dict[int, tuple[str, Value]] | None = None,
) -> None:
    """Add a session from `start` to `end` [s after START]."""
    file.add(
        SESSION,
        {
            TIMESTAMP: ("uint32", START + end),
            2: ("uint32", START + start),
            5: ("enum", sport),
            6: ("enum", sub_sport),
            7: ("uint32", (end - start) * 1000),
            **(more or {}),
        },
        local=2,
    )


def add_intervals(file: FitBytes, *milliseconds: int) -> None:
    """Add an hrv message; it has room for five, the rest is invalid."""
    padded = (*milliseconds, *([0xFFFF] * (5 - len(milliseconds))))
    file.add(HRV, {0: ("uint16", padded)}, local=3)


def describe_developer_field(
    file: FitBytes,
    number: int,
    name: str,
    *,
    base: int = 2,
    units: str = "",
    more: dict[int, tuple[str, Value]] | None = None,
) -> None:
    """Declare developer 0 and its field `number`; base type 2 is uint8."""
    file.add(DEVELOPER, {1: ("byte", tuple(range(16))), 3: ("uint8", 0)}, local=4)
    fields: dict[int, tuple[str, Value]] = {
        0: ("uint8", 0),
        1: ("uint8", number),
        2: ("uint8", base),
        3: ("string", name),
        8: ("string", units),
        **(more or {}),
    }
    file.add(DESCRIPTION, fields, local=5)


def make_run(n_records: int = 5, *, big_endian: bool = False) -> FitBytes:
    """Make a run with one record per second: heart rate 100, 101, ... and a session."""
    file = begin(big_endian=big_endian)
    for second in range(n_records):
        add_record(file, second, {3: 100 + second, 5: 300 * second})
    add_session(file, 0, n_records - 1)
    return file
