"""The decoder by columns takes what fitparse takes, to the bit; the rest is declined."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tasks.readers.fit import with_fitparse
from tasks.readers.fit.columns import gather_columns
from tasks.readers.fit.layouts import DeclinedError
from tests.simulate.fit_activity import (
    DEVICE_INFO,
    HR,
    HRV,
    RECORD,
    RECORD_TYPES,
    START,
    TIMESTAMP,
    add_intervals,
    add_record,
    begin,
    describe_developer_field,
    make_run,
)
from tests.simulate.fit_bytes import BASE_TYPES, FitBytes, frame
from tests.unit.readers.fit_compare import collect, flatten, gather_both

if TYPE_CHECKING:
    from collections.abc import Callable

COMPRESSED_SPEED_DISTANCE = 8
#: Types in which a record field may come although the profile names another.
OTHER_TYPES = ("uint8", "sint16", "uint16z", "uint32", "float32", "float64", "sint64", "byte")
NUMBERS = sorted(set(RECORD_TYPES) - {COMPRESSED_SPEED_DISTANCE, TIMESTAMP})


@st.composite
def values_of(draw: st.DrawFn, base: str) -> float | None:
    _number, letter, size, _none = BASE_TYPES[base]
    if letter in "fd":
        return draw(st.none() | st.floats(width=32 if letter == "f" else 64, allow_nan=False))
    bits = 8 * size
    low, high = (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1) if letter.islower() else (0, 2**bits - 1)
    return draw(st.none() | st.integers(low, high) | st.sampled_from([low, high, 0]))


@st.composite
def record_fields(draw: st.DrawFn) -> dict[int, tuple[str, Any]]:
    fields: dict[int, tuple[str, Any]] = {}
    for number in draw(st.lists(st.sampled_from(NUMBERS), unique=True)):
        base = draw(st.just(RECORD_TYPES[number]) | st.sampled_from(OTHER_TYPES))
        value = draw(values_of(base))
        fields[number] = (base, (value,) if base == "byte" else value)
    return fields


def add_odd_record(file: FitBytes, second: int, draw: st.DrawFn) -> None:
    fields = draw(record_fields())
    if draw(st.integers(0, 9)):
        fields = {TIMESTAMP: ("uint32", START + second), **fields}
    developer = {(0, 4): ("uint16", draw(values_of("uint16")))} if draw(st.booleans()) else None
    # Local numbers below those of the other messages here, so that layouts take turns.
    file.add(RECORD, fields, local=draw(st.integers(8, 10)), developer=developer)


def add_beats(file: FitBytes, second: int, draw: st.DrawFn) -> None:  # noqa: ARG001 - as the others
    add_intervals(file, *draw(st.lists(st.sampled_from([0, 1, 500, 810, 65_000]), max_size=5)))


def add_device(file: FitBytes, second: int, draw: st.DrawFn) -> None:
    name = draw(st.sampled_from(["", "strap", "strap\0left over", "Gürtel"]))
    fields = {TIMESTAMP: START + second, 0: 1, 3: draw(st.sampled_from([0, 77])), 10: None}
    bases = {TIMESTAMP: "uint32", 0: "uint8", 3: "uint32z", 10: "uint16"}
    typed: dict[int, tuple[str, Any]] = {key: (bases[key], each) for key, each in fields.items()}
    file.add(DEVICE_INFO, {**typed, 27: ("string", name)}, local=6)


def add_stored_beats(file: FitBytes, second: int, draw: st.DrawFn) -> None:
    packed = draw(st.sampled_from([(1, 2, 3), (255, 255, 255)]))
    fields: dict[int, tuple[str, Any]] = {
        TIMESTAMP: ("uint32", START + second),
        6: ("uint8", (100, None, 101)),
        9: ("uint32", (1024 * second,)),
        10: ("byte", packed),
    }
    file.add(HR, fields, local=7)


ADDERS: tuple[Callable[[FitBytes, int, st.DrawFn], None], ...] = (
    add_odd_record,
    add_odd_record,
    add_beats,
    add_device,
    add_stored_beats,
)


@st.composite
def activities(draw: st.DrawFn) -> bytes:
    file = begin(big_endian=draw(st.booleans()))
    name = draw(st.sampled_from(["battery", "Battery Voltage", "heart rate", "distance", "stray"]))
    units = draw(st.sampled_from(["", "mV", "km"]))
    describe_developer_field(file, 4, name, base=0x84, units=units)
    for second in range(draw(st.integers(1, 8))):
        draw(st.sampled_from(ADDERS))(file, second, draw)
    return file.build()


@given(data=activities())
def test_any_activity_is_gathered_as_fitparse_gives_it(data: bytes) -> None:
    by_columns, one_by_one = gather_both(data, with_fitparse.read_messages(data))
    assert by_columns == one_by_one


@given(data=activities(), part=st.floats(0.0, 1.0))
def test_of_a_cut_activity_the_same_is_gathered(data: bytes, part: float) -> None:
    data = data[: 14 + int(part * (len(data) - 14))]
    before_cut = collect(with_fitparse.read_messages(data), with_fitparse.CutError)
    assert flatten(gather_columns(data)) == flatten(before_cut)


@given(data=activities(), place=st.floats(0.0, 1.0), byte=st.integers(0, 255))
def test_of_damaged_bytes_nothing_else_is_gathered_than_fitparse_gives(
    data: bytes, place: float, byte: int
) -> None:
    # The reader refuses such files by their checksum; writers' errors have a right one.
    damaged = bytearray(data)
    damaged[14 + int(place * (len(data) - 17))] = byte
    data = bytes(damaged)
    try:
        one_by_one = collect(with_fitparse.read_messages(data))
        by_columns = gather_columns(data)
    except (DeclinedError, *with_fitparse.DECODER_ERRORS):
        return
    assert flatten(by_columns) == flatten(one_by_one)


# --- what is taken --------------------------------------------------------------------------
def test_values_that_mean_none_are_missing() -> None:
    # FIT protocol, table of base types: the invalid value of each.
    for base in ("uint8", "sint16", "uint16z", "sint32", "uint32", "float32", "sint64"):
        file = begin().add(
            RECORD, {TIMESTAMP: ("uint32", START), 3: (base, None), 7: ("uint16", 200)}
        )
        columns = gather_columns(file.build()).records.columns
        assert np.isnan(columns["heart_rate_bpm"]).tolist() == [True], base
        assert columns["power_w"].tolist() == [200.0]


def test_messages_and_fields_of_no_size_are_legal() -> None:
    file = begin()
    file.add(RECORD, {TIMESTAMP: ("uint32", START), 3: ("uint8", 90), 200: ("byte", b"")}, local=1)
    file.add(99, {}, local=2)
    file.add(HRV, {}, local=3)
    gathered = gather_columns(file.build())
    assert gathered.records.columns["heart_rate_bpm"].tolist() == [90.0]
    assert gathered.intervals.ends.tolist() == [0]


def test_records_of_several_layouts_keep_their_order() -> None:
    file = begin()
    for second in range(9):
        fields: dict[int, tuple[str, Any]] = {TIMESTAMP: ("uint32", START + second)}
        fields[3 if second % 2 else 7] = ("uint8", second)
        file.add(RECORD, fields, local=second % 3)
    records = gather_columns(file.build()).records
    assert (records.seconds - START).tolist() == list(range(9))
    assert records.columns["power_w"][::2].tolist() == [0.0, 2.0, 4.0, 6.0, 8.0]
    assert records.columns["heart_rate_bpm"][1::2].tolist() == [1.0, 3.0, 5.0, 7.0]


def test_packed_speed_and_distance_that_is_nowhere_known_is_no_hindrance() -> None:
    # Seen in files of a training programme: declared, and invalid in every record.
    file = begin()
    add_record(file, 0, {5: 700, COMPRESSED_SPEED_DISTANCE: (None, None, None)})
    assert gather_columns(file.build()).records.columns["distance_m"].tolist() == [7.0]


# --- what is declined -----------------------------------------------------------------------
def decline(data: bytes) -> str:
    with pytest.raises(DeclinedError) as raised:
        gather_columns(data)
    return str(raised.value)


def test_packed_speed_and_distance_are_declined() -> None:
    file = begin()
    add_record(file, 0, {COMPRESSED_SPEED_DISTANCE: (1, 2, 3)})
    assert decline(file.build()) == "speed and distance packed into three bytes"


def test_compressed_times_are_declined() -> None:
    file = begin().add(RECORD, {3: ("uint8", 101)}, local=2, time_offset=31)
    assert decline(file.build()) == "a message begins with 0xdf"


def test_a_data_message_without_definition_is_declined() -> None:
    assert decline(frame(b"\x05\x01\x02")) == "a message begins with 0x05"


def test_odd_field_sizes_are_declined() -> None:
    file = begin().add(RECORD, {TIMESTAMP: ("uint32", START), 7: ("uint16", b"\x01\x02\x03")})
    assert decline(file.build()) == "a field of 3 bytes for values of 2"


def test_developer_values_without_a_declaration_are_declined() -> None:
    file = begin()
    add_record(file, 0, {3: 100}, developer={(0, 4): ("uint8", 55)})
    assert decline(file.build()) == "developer field 4 was never declared"


def test_a_developer_field_that_changes_its_meaning_is_declined() -> None:
    file = begin()
    describe_developer_field(file, 4, "battery")
    add_record(file, 0, {3: 100}, developer={(0, 4): ("uint8", 55)})
    describe_developer_field(file, 4, "heart rate")
    add_record(file, 1, {3: 100}, developer={(0, 4): ("uint8", 55)})
    assert decline(file.build()) == "a developer field that changes its meaning"


def test_the_same_field_twice_in_a_message_is_declined() -> None:
    fields = bytes((3, 1, 2, 3, 1, 2))
    definition = b"\x40\x00\x00" + RECORD.to_bytes(2, "little") + b"\x02" + fields
    assert decline(frame(definition + b"\x00\x64\x65")) == "a message with the same field twice"


@pytest.mark.parametrize("base", ["float32", "sint64"])
def test_times_of_another_type_are_declined(base: str) -> None:
    file = begin().add(RECORD, {TIMESTAMP: (base, 1000), 3: ("uint8", 90)})
    assert decline(file.build()) == f"a time as {base}"


@pytest.mark.parametrize("n_missing", [1, 2, 3])
def test_a_message_that_runs_past_the_declared_data_is_declined(n_missing: int) -> None:
    records = bytes(make_run().records)[:-n_missing]
    assert decline(frame(records)) == "the last message is longer than the declared data"


def test_an_unknown_base_type_or_byte_order_is_declined() -> None:
    definition = b"\x40\x00\x00" + RECORD.to_bytes(2, "little") + b"\x01\x03\x01"
    assert decline(frame(definition + b"\x42")) == "base type 0x42"
    assert decline(frame(definition[:2] + b"\x02" + definition[3:] + b"\x02")) == "byte order 2"
