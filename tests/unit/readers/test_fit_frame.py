"""Checksums, headers and sizes of FIT files, before anything is decoded."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from fastcrc import crc16
from hypothesis import given
from hypothesis import strategies as st

from tasks.readers.fit.parts import (
    FrameError,
    has_all_declared_bytes,
    has_right_crc,
    has_wrong_header_crc,
    looks_like_fit,
    split_parts,
)
from tests.simulate import fit_bytes
from tests.simulate.fit_activity import make_run

if TYPE_CHECKING:
    from pathlib import Path

#: FIT protocol description: header example (size 14, protocol 1.0, profile 2115, 591,480 bytes).
HEADER_EXAMPLE = bytes.fromhex("0E10430878060900 2E464954 9685".replace(" ", ""))
#: FIT SDK: the smallest file, no data.
SMALLEST = bytes.fromhex("0E208B08000000002E4649548D480000")


def test_crc_of_the_check_string_is_that_of_the_catalogue() -> None:
    # CRC-16/ARC, check value of "123456789" in the catalogue of parametrised CRC algorithms.
    assert crc16.arc(b"123456789") == 0xBB3D


def test_crc_of_the_documented_header_is_the_documented_one() -> None:
    assert crc16.arc(HEADER_EXAMPLE[:12]) == 0x8596
    assert crc16.arc(SMALLEST[:12]) == 0x488D


@given(st.binary(max_size=70))
def test_crc_equals_the_bit_by_bit_definition(data: bytes) -> None:
    assert crc16.arc(data) == fit_bytes.compute_crc(data)


@given(st.binary(max_size=70))
def test_crc_over_data_with_its_own_checksum_is_zero(data: bytes) -> None:
    assert crc16.arc(data + crc16.arc(data).to_bytes(2, "little")) == 0


def test_crc_of_nothing_is_zero() -> None:
    assert crc16.arc(b"") == 0


@pytest.mark.parametrize("head", [b"", b"\x0e\x20", SMALLEST[:11], b"PK\x03\x04" + bytes(20)])
def test_bytes_without_a_header_do_not_look_like_fit(head: bytes) -> None:
    assert not looks_like_fit(head)
    with pytest.raises(FrameError):
        split_parts(head)


def test_a_header_of_fewer_than_twelve_bytes_is_none() -> None:
    assert not looks_like_fit(b"\x0b" + SMALLEST[1:])


def test_the_smallest_file_is_one_whole_part() -> None:
    (part,), n_trailing = split_parts(SMALLEST)
    assert (part.state, part.end, n_trailing) == ("whole", 16, 0)
    assert has_right_crc(part, SMALLEST)


def test_a_chain_is_split_into_its_parts() -> None:
    first, second = make_run(2).build(), make_run(3).build(header_size=12)
    found, n_trailing = split_parts(first + second)
    assert [(part.start, part.end) for part in found] == [
        (0, len(first)),
        (len(first), len(first) + len(second)),
    ]
    assert n_trailing == 0
    assert all(has_right_crc(part, first + second) for part in found)


def test_a_cut_part_knows_how_long_it_should_be() -> None:
    data = make_run().build()
    (part,), _ = split_parts(data[:-10])
    assert (part.state, part.end, part.declared_end) == ("cut", len(data) - 10, len(data))


def test_a_header_that_declares_no_data_before_data_is_an_unclosed_part() -> None:
    data = make_run().build(declared_size=0)
    (part,), n_trailing = split_parts(data)
    assert (part.state, n_trailing) == ("unclosed", 0)


def test_zeros_after_an_empty_part_are_trailing_bytes() -> None:
    (part,), n_trailing = split_parts(SMALLEST + bytes(40))
    assert (part.state, n_trailing) == ("whole", 40)


@pytest.mark.parametrize(
    ("header_crc", "is_wrong"), [("right", False), ("zero", False), ("wrong", True)]
)
def test_a_header_checksum_of_zero_is_legal(
    header_crc: fit_bytes.Checksum,
    is_wrong: bool,  # noqa: FBT001 - a column of the table
) -> None:
    data = make_run().build(header_crc=header_crc)
    (part,), _ = split_parts(data)
    assert has_right_crc(part, data)
    assert has_wrong_header_crc(part, data) is is_wrong


def test_a_short_header_has_no_checksum_of_its_own() -> None:
    data = make_run().build(header_size=12)
    (part,), _ = split_parts(data)
    assert has_right_crc(part, data)
    assert not has_wrong_header_crc(part, data)


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (b"", False),
        (SMALLEST, True),
        (SMALLEST[:-1], False),
        (SMALLEST[:9], False),
        (make_run().build(), True),
        (make_run().build()[:-1], False),
        (make_run().build() + make_run().build(), True),
        (make_run().build() + make_run().build()[:-1], False),
        (make_run().build(declared_size=0xFFFFFFFF), False),
        (make_run().build() + bytes(7), True),
    ],
)
def test_a_file_is_complete_when_it_is_as_long_as_its_headers_say(
    data: bytes,
    expected: bool,  # noqa: FBT001 - a column of the table
    tmp_path: Path,
) -> None:
    path = tmp_path / "run.fit"
    path.write_bytes(data)
    assert has_all_declared_bytes(path) is expected
