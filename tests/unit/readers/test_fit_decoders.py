"""Both general decoders against fitparse and fitdecode in their own form, on odd files."""

from __future__ import annotations

import io
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import fitdecode
import fitparse
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tasks.readers.fit import with_fitdecode, with_fitparse
from tasks.readers.fit.fields import CHANNELS, RECORD, Message, name_values
from tests.simulate.fit_activity import (
    RECORD_TYPES,
    START,
    TIMESTAMP,
    add_record,
    add_session,
    begin,
    describe_developer_field,
    make_run,
)
from tests.simulate.fit_bytes import BASE_TYPES, FitBytes, frame

if TYPE_CHECKING:
    from collections.abc import Mapping

#: FIT SDK readme: 116 bytes, file_id (created at 1e9, settings) and two messages 211.
SHORT_FILE = bytes.fromhex(
    "0e209f03640000002e464954b9e340000000000803048c0404860814070102840202840502840602"
    "84000100000000000000ca9a3b0000000000000000000000000000000000000000ff00ffffffffff"
    "ff02400000d30005fd04860302840402840001020101020000ca9a3b320037002c2e874f"
)
NUMBERS = sorted(set(RECORD_TYPES) - {8, TIMESTAMP})


def read_both(data: bytes) -> tuple[list[Message], list[Message]]:
    return list(with_fitparse.read_messages(data)), list(with_fitdecode.read_messages(data))


def list_records(messages: list[Message]) -> list[dict[str, Any]]:
    return [dict(name_values(message)) for message in messages if message.number == RECORD]


def read_with_fitparse(data: bytes) -> list[dict[str, Any]]:
    """Return the records as fitparse gives them by default, first known value per name."""
    file = fitparse.FitFile(io.BytesIO(data), data_processor=Untouched())
    records = []
    for message in file.get_messages("record"):
        row: dict[str, Any] = {}
        # Fields on file before those that fitparse fills from others of the same row.
        for field in sorted(message.fields, key=lambda field: field.field_def is None):
            if row.get(field.name) is None:
                row[field.name] = field.value
        records.append({name: value for name, value in row.items() if value is not None})
    return records


class Untouched(fitparse.processors.FitFileDataProcessor):  # type: ignore[misc] # no types
    """Leaves times as they are: fitparse's own way warns on Python 3.12."""

    def run_type_processor(self, field_data: object) -> None:
        """Do nothing."""

    run_field_processor = run_unit_processor = run_message_processor = run_type_processor


def keep_wanted(row: Mapping[str, Any]) -> dict[str, Any]:
    names = {field.name for channel in CHANNELS for field in channel.sources}
    return {name: row[name] for name in row if name in names | {"timestamp", "fractional_cadence"}}


def values_of(number: int) -> st.SearchStrategy[int | None]:
    base = RECORD_TYPES[number]
    _number, letter, size, none = BASE_TYPES[base]
    bits = 8 * size
    low, high = (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1) if letter.islower() else (0, 2**bits - 1)
    return st.none() | st.integers(low, high).filter(lambda value: value != none)


rows = st.lists(
    st.fixed_dictionaries({}, optional={number: values_of(number) for number in NUMBERS}),
    min_size=1,
    max_size=6,
)


@given(rows=rows, big_endian=st.booleans())
def test_any_records_read_as_fitparse_reads_them(
    rows: list[dict[int, int | None]],
    big_endian: bool,  # noqa: FBT001 - drawn
) -> None:
    file = begin(big_endian=big_endian)
    for second, row in enumerate(rows):
        add_record(file, second, dict(row))
    data = file.build()
    trusted, second_opinion = read_both(data)
    theirs = [keep_wanted(row) for row in read_with_fitparse(data)]
    # fitparse also fills missing enhanced fields from the plain ones.
    ours = list_records(trusted)
    for own, their in zip(ours, theirs, strict=True):
        filled = {f"enhanced_{name}": own[name] for name in ("speed", "altitude") if name in own}
        assert filled | own == their
    assert list_records(second_opinion) == ours


def test_the_short_example_of_the_sdk_reads_as_documented() -> None:
    for messages in read_both(SHORT_FILE):
        (file_id,) = [name_values(message) for message in messages]
        # development = 255, settings = 2, created at 1e9: 2021-09-08T01:46:40Z.
        assert (file_id["manufacturer"], file_id["type"]) == (255, 2)
        created = file_id["time_created"]
        assert isinstance(created, int)
        assert datetime.fromtimestamp(created + 631065600, UTC) == datetime(
            2021, 9, 8, 1, 46, 40, tzinfo=UTC
        )


def test_scales_are_those_of_the_worked_examples() -> None:
    # FIT profile: altitude = raw / 5 - 500, so 2500 is sea level; speed / 1000; distance / 100.
    file = begin()
    add_record(file, 0, {2: 2500, 6: 3210, 5: 12345, 13: -5})
    for messages in read_both(file.build()):
        (row,) = list_records(messages)
        assert row == {
            "timestamp": START,
            "altitude": 0.0,
            "speed": 3.21,
            "distance": 123.45,
            "temperature": -5,
        }


def test_compressed_times_count_on_from_the_last_full_time_of_any_message() -> None:
    # FIT protocol, "Compressed timestamp header": five bits, rolling over; worked by hand:
    # START = 1e9 ends in 0 of 32 (1e9 mod 32 = 0), the event is at START + 40 (40 mod 32 = 8).
    assert START % 32 == 0
    file = begin()
    add_record(file, 0, {3: 100})
    file.add(RECORD, {3: ("uint8", 101)}, local=2, time_offset=31)
    file.add(RECORD, {3: ("uint8", 102)}, local=2, time_offset=1)
    file.add(72, {TIMESTAMP: ("uint32", START + 40), 0: ("uint8", 1)}, local=3)
    file.add(RECORD, {3: ("uint8", 103)}, local=2, time_offset=9)
    file.add(RECORD, {3: ("uint8", 104)}, local=2, time_offset=8)
    expected = [START + offset for offset in (0, 31, 33, 41, 72)]
    for messages in read_both(file.build()):
        assert [row["timestamp"] for row in list_records(messages)] == expected


def test_a_local_number_can_be_defined_anew() -> None:
    file = begin()
    file.add(RECORD, {TIMESTAMP: ("uint32", START), 3: ("uint8", 99)}, local=1)
    file.add(RECORD, {3: ("uint8", 98), TIMESTAMP: ("uint32", START + 1)}, local=1)
    for messages in read_both(file.build()):
        assert [row["heart_rate"] for row in list_records(messages)] == [99, 98]


def test_developer_values_come_by_their_declaration() -> None:
    file = begin()
    describe_developer_field(file, 4, "anything")
    add_record(file, 0, {3: 100}, developer={(0, 4): ("uint8", 55)})
    add_record(file, 1, {3: 100}, developer={(0, 4): ("uint8", None)})
    for messages in read_both(file.build()):
        developer = [message.developer for message in messages if message.number == RECORD]
        assert [dict(values).get((0, 4)) for values in developer] == [55, None]


def test_developer_fields_of_the_file_before_are_forgotten() -> None:
    # fitparse keeps them per process; without clearing, this file would be read with them.
    first = begin()
    describe_developer_field(first, 0, "battery")
    list(with_fitparse.read_messages(first.build()))
    second = begin()
    add_record(second, 0, {3: 100}, developer={(0, 0): ("uint8", 55)})
    with pytest.raises(fitparse.FitParseError):
        list(with_fitparse.read_messages(second.build()))


def test_a_number_field_that_holds_text_or_an_array_is_left_out() -> None:
    file = begin().add(
        RECORD,
        {
            TIMESTAMP: ("uint32", START),
            3: ("string", "fast"),
            7: ("uint16", (1, 2, 3)),
            13: ("byte", (20,)),
            5: ("uint32", 700),
        },
    )
    for messages in read_both(file.build()):
        assert list_records(messages) == [{"timestamp": START, "distance": 7.0}]


def test_odd_field_sizes_are_refused_by_the_first_and_skipped_by_the_second() -> None:
    # Seen in real files of one maker: a uint16 field declared with three bytes.
    file = begin()
    file.add(
        RECORD,
        {TIMESTAMP: ("uint32", START), 3: ("uint8", 120), 7: ("uint16", b"\x01\x02\x03")},
    )
    data = file.build()
    with pytest.raises(fitparse.FitParseError):
        list(with_fitparse.read_messages(data))
    assert list_records(list(with_fitdecode.read_messages(data))) == [
        {"timestamp": START, "heart_rate": 120}
    ]


def test_the_second_decoder_checks_the_checksum_itself() -> None:
    with pytest.raises(fitdecode.FitCRCError):
        list(with_fitdecode.read_messages(make_run().build(file_crc="wrong")))


@pytest.mark.parametrize("n_missing", [1, 2, 3, 5, 20])
def test_a_cut_file_gives_whole_messages_and_then_says_so(n_missing: int) -> None:
    whole = make_run(20).build()
    expected = list_records(list(with_fitparse.read_messages(whole)))
    for read_messages in (with_fitparse.read_messages, with_fitdecode.read_messages):
        got: list[Message] = []
        messages = read_messages(whole[:-n_missing])
        try:
            got.extend(messages)
            ended_early = False
        except with_fitdecode.find_cut_errors():
            ended_early = True
        records = list_records(got)
        assert records == expected[: len(records)]
        assert ended_early or n_missing <= 2


def test_a_data_message_without_definition_is_an_error() -> None:
    with pytest.raises(fitparse.FitParseError, match="invalid local message type 5"):
        list(with_fitparse.read_messages(frame(b"\x05\x01\x02")))


@pytest.mark.parametrize("n_missing", [1, 2, 3])
def test_a_message_that_runs_past_the_declared_data_is_an_error(n_missing: int) -> None:
    with pytest.raises(fitparse.FitParseError):
        list(with_fitparse.read_messages(frame(bytes(make_run().records)[:-n_missing])))


def test_unwanted_messages_are_not_given() -> None:
    file = FitBytes().add(99, {0: ("uint8", 1)})
    add_session(file, 0, 1)
    for messages in read_both(file.build()):
        assert [message.number for message in messages] == [18]
