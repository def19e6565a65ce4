"""Cut, flipped and dishonest FIT files: nothing wrong is read, nothing good before it is lost."""

from __future__ import annotations

import resource
import struct
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tasks.core.errors import DamagedError, ExportRefusedError, NothingRecordedError
from tasks.core.recording import ExportFile, Recording
from tasks.core.registers import ReadOptions
from tasks.readers.fit import read_fit
from tests.simulate.fit_activity import (
    RECORD,
    START,
    TIMESTAMP,
    add_record,
    begin,
    describe_developer_field,
    make_run,
)
from tests.simulate.fit_bytes import frame

if TYPE_CHECKING:
    from pathlib import Path

RUN = make_run(20).build()


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("damage") / "run.fit"


def read(data: bytes, path: Path) -> tuple[Recording, ...]:
    path.write_bytes(data)
    return read_fit(ExportFile(path, "run.fit"), ReadOptions())


def test_a_cut_file_gives_what_came_before_the_cut(path: Path) -> None:
    (whole,) = read(RUN, path)
    for n_bytes in range(16, len(RUN)):
        try:
            (part,) = read(RUN[:n_bytes], path)
        except NothingRecordedError as error:
            assert f"the file holds {n_bytes} of {len(RUN)} bytes" in error.found  # noqa: PT017
            continue
        n_samples = part.samples.num_rows
        assert part.samples.equals(whole.samples.slice(0, n_samples))
        assert part.header.status == "partial"
        assert part.header.reason == f"the file holds {n_bytes} of {len(RUN)} bytes"
    assert n_samples == 20


def test_a_file_cut_within_its_header_is_refused(path: Path) -> None:
    for n_bytes in range(12):
        with pytest.raises(DamagedError):
            read(RUN[:n_bytes], path)
    for n_bytes in range(12, 16):
        with pytest.raises(ExportRefusedError, match=rf"{n_bytes} of {len(RUN)} bytes"):
            read(RUN[:n_bytes], path)


@given(place=st.integers(14, len(RUN) - 1), bit=st.integers(0, 7))
def test_no_flipped_bit_after_the_header_gets_through(path: Path, place: int, bit: int) -> None:
    damaged = bytearray(RUN)
    damaged[place] ^= 1 << bit
    with pytest.raises(DamagedError, match="the checksum is wrong although all"):
        read(bytes(damaged), path)


@given(place=st.integers(0, 13), bit=st.integers(0, 7))
def test_a_flipped_bit_in_the_header_is_never_read_as_whole(
    path: Path, place: int, bit: int
) -> None:
    damaged = bytearray(RUN)
    damaged[place] ^= 1 << bit
    try:
        recordings = read(bytes(damaged), path)
    except ExportRefusedError:
        return
    assert {recording.header.status for recording in recordings} == {"partial"}


@given(st.binary(max_size=300))
def test_any_bytes_behind_a_right_frame_are_read_or_refused_in_one_line(
    path: Path, records: bytes
) -> None:
    try:
        read(frame(records), path)
    except ExportRefusedError as error:
        assert "\n" not in str(error)  # noqa: PT017
        assert str(error).startswith("run.fit: ")  # noqa: PT017


@given(
    place=st.integers(14, len(RUN) - 3), value=st.integers(0, 255), n_kept=st.integers(30, len(RUN))
)
def test_damage_with_a_checksum_made_to_fit_or_a_cut_never_escapes(
    path: Path, place: int, value: int, n_kept: int
) -> None:
    damaged = bytearray(RUN[14:-2])
    damaged[place - 14] = value
    for data in (frame(bytes(damaged)), frame(bytes(damaged))[:n_kept]):
        try:
            recordings = read(data, path)
        except ExportRefusedError:
            continue
        assert recordings


def test_a_wrong_checksum_in_the_second_part_of_a_chain_refuses_the_file(path: Path) -> None:
    with pytest.raises(DamagedError):
        read(RUN + make_run(3).build(file_crc="wrong"), path)


def test_a_checksum_of_zero_at_the_end_is_wrong(path: Path) -> None:
    with pytest.raises(DamagedError):
        read(make_run(3).build(file_crc="zero"), path)


def test_a_header_checksum_of_zero_is_legal(path: Path) -> None:
    (run,) = read(make_run(3).build(header_crc="zero"), path)
    assert (run.header.status, run.remarks) == ("whole", ())


def test_a_wrong_header_checksum_under_a_right_file_checksum_is_remarked(path: Path) -> None:
    # The file's checksum covers the header, too: the numbers are as they were written.
    (run,) = read(make_run(3).build(header_crc="wrong"), path)
    assert run.header.status == "whole"
    assert run.remarks[0].text.startswith("the header's own checksum is wrong")


def test_a_chain_cut_in_its_second_part_keeps_both_sides(path: Path) -> None:
    second = make_run(10).build()
    whole, part = read(RUN + second[:-40], path)
    assert (whole.header.status, whole.samples.num_rows) == ("whole", 20)
    assert part.header.status == "partial"
    assert (
        part.header.reason
        == f"the file holds {len(RUN + second) - 40} of {len(RUN + second)} bytes"
    )


def test_a_chain_cut_right_behind_a_header_makes_the_recording_partial(path: Path) -> None:
    (run,) = read(RUN + RUN[:20], path)
    assert run.header.status == "partial"
    assert run.header.reason is not None
    assert run.header.reason.startswith("part 2 of the file was left out")


def test_a_file_that_the_device_never_closed_gives_its_samples(path: Path) -> None:
    # The header is written at the end; a crash leaves 0 bytes declared and no checksum.
    data = make_run(20).build(declared_size=0)[:-2]
    (run,) = read(data, path)
    assert run.samples.num_rows == 20
    assert run.header.status == "partial"
    assert run.header.reason == ("the header declares no data: the device did not close the file")


def test_padding_with_zeros_is_remarked_only(path: Path) -> None:
    (run,) = read(RUN + bytes(100), path)
    assert run.header.status == "whole"
    assert run.remarks[0].text == "100 bytes after the end of the FIT data were left aside"


def test_other_bytes_behind_the_end_make_the_recording_partial(path: Path) -> None:
    (run,) = read(RUN + b"more", path)
    assert run.header.status == "partial"
    assert run.header.reason == "4 bytes after the end of the FIT data were left aside"


def test_an_empty_file_is_refused(path: Path) -> None:
    with pytest.raises(DamagedError, match=r"run\.fit: the file is empty"):
        read(b"", path)


def test_a_declared_size_of_four_gigabytes_allocates_nothing(path: Path) -> None:
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    (run,) = read(make_run(20).build(declared_size=0xFFFFFFFF), path)
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert run.samples.num_rows == 20
    assert run.header.status == "partial"
    # ru_maxrss counts KiB on Linux, bytes on macOS; 64 Mi of either is far below 4 GiB.
    assert after - before < 64 * 1024 * 1024


def test_what_the_first_decoder_refuses_is_read_by_the_second(path: Path) -> None:
    file = begin()
    odd = {TIMESTAMP: ("uint32", START), 3: ("uint8", 120), 7: ("uint16", b"\x01\x02\x03")}
    file.add(RECORD, odd)  # type: ignore[arg-type] # bytes are a value
    (run,) = read(file.build(), path)
    assert run.header.reader.startswith("fitdecode 0.11")
    assert run.samples.column("heart_rate_bpm").to_pylist() == [120.0]
    assert run.remarks[0].text.startswith("fitparse refused the file (Invalid field size 3")


def test_a_cut_file_that_the_first_decoder_refuses_is_read_by_the_second(path: Path) -> None:
    file = begin()
    for second in range(5):
        odd = {
            TIMESTAMP: ("uint32", START + second),
            3: ("uint8", 120),
            7: ("uint16", b"\x01\x02\x03"),
        }
        file.add(RECORD, odd)  # type: ignore[arg-type] # bytes are a value
    (run,) = read(file.build()[:-6], path)
    assert run.header.status == "partial"
    assert run.samples.num_rows == 4


def test_developer_values_without_a_declaration_are_skipped_by_the_second(path: Path) -> None:
    file = begin()
    add_record(file, 0, {3: 120}, developer={(0, 0): ("uint8", 55)})
    (run,) = read(file.build(), path)
    assert run.header.reader.startswith("fitdecode")
    assert run.samples.column("heart_rate_bpm").to_pylist() == [120.0]


def test_a_file_is_read_alike_whatever_was_read_before(path: Path) -> None:
    first = begin()
    describe_developer_field(first, 0, "battery")
    add_record(first, 0, {3: 120}, developer={(0, 0): ("uint8", 55)})
    second = begin()
    describe_developer_field(second, 0, "stray")
    add_record(second, 0, {3: 120}, developer={(0, 0): ("uint8", 55)})
    assert read(first.build(), path)[0].battery.num_rows == 1
    assert read(second.build(), path)[0].battery.num_rows == 0


def test_a_message_that_neither_decoder_can_read_is_refused_with_both_reasons(path: Path) -> None:
    with pytest.raises(DamagedError, match=r"run\.fit: it cannot be decoded \(fitparse: .*fitdec"):
        read(frame(struct.pack("<BB", 5, 1)), path)
