"""Which unit recorded, and whose battery a reading is of."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from tasks.core.recording import ExportFile, Recording
from tasks.core.registers import ReadOptions
from tasks.readers.fit import read_fit
from tests.simulate.fit_activity import (
    BATTERY,
    DEVICE_INFO,
    START,
    TIMESTAMP,
    add_record,
    add_session,
    at,
    begin,
    describe_developer_field,
    make_run,
)
from tests.simulate.fit_bytes import FitBytes

if TYPE_CHECKING:
    from pathlib import Path

    from tests.simulate.fit_bytes import Value

AUX_BATTERY, FILE_CREATOR = 375, 49


def read(file: FitBytes, folder: Path) -> tuple[Recording, ...]:
    path = folder / "run.fit"
    path.write_bytes(file.build())
    return read_fit(ExportFile(path, "run.fit"), ReadOptions())


def read_one(file: FitBytes, folder: Path) -> Recording:
    (recording,) = read(file, folder)
    return recording


def add_info(
    file: FitBytes, index: int, seconds: int = 0, *, more: dict[int, tuple[str, Value]]
) -> None:
    fields: dict[int, tuple[str, Value]] = {
        TIMESTAMP: ("uint32", START + seconds),
        0: ("uint8", index),
        **more,
    }
    file.add(DEVICE_INFO, fields, local=8)


def list_battery(recording: Recording) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = recording.battery.to_pylist()
    return rows


# --- the unit --------------------------------------------------------------------------------
def test_serial_and_maker_are_those_of_file_id(tmp_path: Path) -> None:
    header = read_one(make_run(2), tmp_path).header
    assert (header.manufacturer, header.product) == ("development", "7")
    assert (header.serial, header.creator) == ("3141592653", "development 7")
    assert header.firmware is None


def test_a_missing_serial_comes_from_the_creator_s_device_info(tmp_path: Path) -> None:
    file = begin(serial=0)
    add_record(file, 0, {3: 100})
    add_info(file, 1, more={3: ("uint32z", 111), 5: ("uint16", 999)})
    more: dict[int, tuple[str, Value]] = {
        3: ("uint32z", 222),
        5: ("uint16", 750),
        27: ("string", "Alder 2"),
    }
    add_info(file, 0, more=more)
    header = read_one(file, tmp_path).header
    assert (header.serial, header.firmware) == ("222", "7.50")
    assert (header.creator, header.product) == ("Alder 2", "Alder 2")


def test_firmware_falls_back_to_the_plain_number_of_file_creator(tmp_path: Path) -> None:
    file = make_run(2).add(FILE_CREATOR, {0: ("uint16", 510)}, local=9)
    assert read_one(file, tmp_path).header.firmware == "510"


def test_products_of_the_maker_that_the_profile_lists_are_named(tmp_path: Path) -> None:
    # FIT profile: manufacturer 1, product 1836 is edge1000.
    file = FitBytes().add(0, {0: ("enum", 4), 1: ("uint16", 1), 2: ("uint16", 1836)})
    add_record(file, 0, {3: 100})
    header = read_one(file, tmp_path).header
    assert (header.manufacturer, header.product) == ("garmin", "edge1000")


def test_a_maker_of_whom_the_profile_knows_nothing_stays_a_number(tmp_path: Path) -> None:
    file = begin(manufacturer=60000)
    add_record(file, 0, {3: 100})
    assert read_one(file, tmp_path).header.manufacturer == "60000"


def test_a_barometer_of_the_recorder_makes_the_altitude_barometric(tmp_path: Path) -> None:
    # FIT profile: source_type 5 is local, local_device_type 4 is barometer.
    file = make_run(2)
    add_info(file, 3, more={1: ("uint8", 4), 25: ("enum", 5)})
    assert read_one(file, tmp_path).header.altitude_kind == "barometric"


def test_a_paired_sensor_of_type_four_is_no_barometer(tmp_path: Path) -> None:
    file = make_run(2)
    add_info(file, 3, more={1: ("uint8", 4), 25: ("enum", 1)})
    assert read_one(file, tmp_path).header.altitude_kind == "unknown"


# --- batteries -------------------------------------------------------------------------------
def test_device_info_of_the_creator_is_the_recorder_s_battery(tmp_path: Path) -> None:
    # Field 32 is the level in per cent, field 10 the voltage / 256.
    file = make_run(2)
    add_info(file, 0, 1, more={32: ("uint8", 83), 10: ("uint16", 1024)})
    assert list_battery(read_one(file, tmp_path)) == [
        {
            "time_utc": at(1),
            "battery_pct": 83.0,
            "battery_v": 4.0,
            "battery_source": "device_info",
            "battery_of": "recorder",
        }
    ]


@pytest.mark.parametrize(
    ("more", "name"),
    [
        ({1: ("uint8", 120), 3: ("uint32z", 55)}, "heart rate 55"),
        ({1: ("uint8", 11), 21: ("uint16z", 4711)}, "power 4711"),
        ({27: ("string", "Birch strap"), 3: ("uint32z", 55)}, "Birch strap 55"),
        ({}, "sensor 2"),
    ],
)
def test_a_sensor_s_battery_is_kept_under_its_own_name(
    more: dict[int, tuple[str, Value]], name: str, tmp_path: Path
) -> None:
    file = make_run(2)
    add_info(file, 2, more={10: ("uint16", 768), **more})
    (row,) = list_battery(read_one(file, tmp_path))
    assert (row["battery_of"], row["battery_v"], row["battery_pct"]) == (name, 3.0, None)


def test_message_104_is_read_as_seen_in_files_of_several_devices(tmp_path: Path) -> None:
    # Field 0 in mV, field 2 in per cent; an old watch writes the voltage alone.
    file = make_run(4)
    stamp = ("uint32", START + 2)
    file.add(BATTERY, {TIMESTAMP: stamp, 0: ("uint16", 4100), 2: ("uint8", 80)}, local=9)
    file.add(BATTERY, {TIMESTAMP: ("uint32", START + 3), 0: ("uint16", 4090)}, local=9)
    rows = list_battery(read_one(file, tmp_path))
    assert [(row["battery_v"], row["battery_pct"]) for row in rows] == [(4.1, 80.0), (4.09, None)]
    assert {row["battery_of"] for row in rows} == {"recorder"}
    assert {row["battery_source"] for row in rows} == {"message 104"}


def test_the_auxiliary_battery_names_its_device_and_its_number(tmp_path: Path) -> None:
    file = make_run(2)
    add_info(file, 1, more={1: ("uint8", 11), 3: ("uint32z", 9)})
    for index in (0, 1, 5):
        file.add(
            AUX_BATTERY,
            {
                TIMESTAMP: ("uint32", START + index),
                0: ("uint8", index),
                1: ("uint16", 768),
                3: ("uint8", 2),
            },
            local=9,
        )
    rows = list_battery(read_one(file, tmp_path))
    assert [row["battery_of"] for row in rows] == [
        "recorder, battery 2",
        "power 9, battery 2",
        "sensor 5, battery 2",
    ]


@pytest.mark.parametrize("name", ["battery", "Battery Level", "BATTERY_PCT", "battery percent"])
def test_a_developer_battery_is_known_by_name_in_any_case(name: str, tmp_path: Path) -> None:
    file = begin()
    describe_developer_field(file, 0, name, units="percent")
    for second, level in enumerate((91, 90)):
        add_record(file, second, {3: 100}, developer={(0, 0): ("uint8", level)})
    rows = list_battery(read_one(file, tmp_path))
    assert [(row["time_utc"], row["battery_pct"]) for row in rows] == [(at(0), 91.0), (at(1), 90.0)]
    assert {row["battery_source"] for row in rows} == {"developer field"}


def test_a_developer_battery_in_volts_is_a_voltage(tmp_path: Path) -> None:
    file = begin()
    describe_developer_field(file, 0, "Battery", base=0x84, units="mV")
    add_record(file, 0, {3: 100}, developer={(0, 0): ("uint16", 3950)})
    (row,) = list_battery(read_one(file, tmp_path))
    assert (row["battery_pct"], row["battery_v"]) == (None, 3.95)


def test_levels_beyond_a_hundred_and_readings_without_a_date_are_left_out(tmp_path: Path) -> None:
    file = make_run(2)
    add_info(file, 0, more={32: ("uint8", 101)})
    add_info(file, 0, -START + 99, more={32: ("uint8", 50)})
    file.add(DEVICE_INFO, {0: ("uint8", 0), 32: ("uint8", 60)}, local=9)
    assert list_battery(read_one(file, tmp_path)) == []


def test_readings_go_to_the_session_that_they_were_made_in(tmp_path: Path) -> None:
    file = begin()
    for second in range(20):
        add_record(file, second, {3: 100})
    for seconds, level in ((1, 90), (12, 88), (19, 87)):
        add_info(file, 0, seconds, more={32: ("uint8", level)})
    add_session(file, 0, 9)
    add_session(file, 10, 19)
    first, second_session = read(file, tmp_path)
    assert [row["battery_pct"] for row in list_battery(first)] == [90.0]
    assert [row["battery_pct"] for row in list_battery(second_session)] == [88.0, 87.0]
