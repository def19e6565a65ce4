"""Writes the FIT files of the contract tests, message by message; all of it is invented.

Run as `python -m tests.simulate.fit_contract_files FOLDER`. The values that the contract expects
are those typed here, brought to our units by pencil.
"""

from __future__ import annotations

import sys
from pathlib import Path

from tests.simulate.fit_activity import (
    ACTIVITY,
    BATTERY,
    DEVICE_INFO,
    EVENT,
    LAP,
    LENGTH,
    RECORD,
    START,
    TIMESTAMP,
    add_intervals,
    add_record,
    add_session,
    begin,
)


def build_run() -> bytes:
    """Return a run of four records with everything around it."""
    file = begin()
    file.add(EVENT, {TIMESTAMP: ("uint32", START), 0: ("enum", 0), 1: ("enum", 0)}, local=6)
    file.add(
        DEVICE_INFO,
        {
            TIMESTAMP: ("uint32", START),
            0: ("uint8", 0),
            3: ("uint32z", 3_141_592_653),
            5: ("uint16", 750),
            27: ("string", "Alder 2"),
        },
        local=7,
    )
    places = ((2**29, -(2**30)), (2**29 + 100, -(2**30) + 100), (None, None), (2**29, -(2**30)))
    for second, (latitude, longitude) in enumerate(places):
        add_record(
            file,
            second,
            {
                0: latitude,
                1: longitude,
                3: None if second == 2 else 101 + second,
                4: 85,
                5: 325 * second,
                6: 3250,
                2: 2505,
                7: 250,
                13: -4,
            },
        )
        if second == 1:
            add_intervals(file, 600, 400)
    stamp = ("uint32", START + 2)
    file.add(BATTERY, {TIMESTAMP: stamp, 0: ("uint16", 4100), 2: ("uint8", 80)}, local=8)
    file.add(EVENT, {TIMESTAMP: ("uint32", START + 3), 0: ("enum", 0), 1: ("enum", 4)}, local=6)
    file.add(
        LAP,
        {
            TIMESTAMP: ("uint32", START + 3),
            2: ("uint32", START),
            7: ("uint32", 3000),
            8: ("uint32", 2750),
            9: ("uint32", 975),
            24: ("enum", 7),
        },
        local=9,
    )
    add_session(
        file, 0, 3, sub_sport=4, more={9: ("uint32", 980), 22: ("uint16", 12), 23: ("uint16", 11)}
    )
    file.add(
        ACTIVITY,
        {TIMESTAMP: ("uint32", START + 3), 5: ("uint32", START + 3 + 7200)},
        local=10,
    )
    return file.build()


def build_swim_and_ride() -> bytes:
    """Return a chain, big-endian: a pool swim of lengths alone, then a ride in two records."""
    swim = begin(big_endian=True)
    for number, (stroke, strokes) in enumerate(((0, 14), (2, 9))):
        swim.add(
            LENGTH,
            {
                TIMESTAMP: ("uint32", START + 30 * number + 25),
                2: ("uint32", START + 30 * number),
                3: ("uint32", 25_000),
                5: ("uint16", strokes),
                7: ("enum", stroke),
                12: ("enum", 1),
            },
        )
    add_session(swim, 0, 55, sport=5, sub_sport=17, more={44: ("uint16", 2500)})
    ride = begin(big_endian=True)
    for second in (100, 101):
        add_record(ride, second, {3: 120, 73: 9_876, 5: 1000 * (second - 100)})
    add_session(ride, 100, 101, sport=2, sub_sport=8)
    return swim.build() + ride.build(header_size=12, header_crc="zero")


def build_damaged_run() -> bytes:
    """Return the run with one heart rate changed after the checksum was made."""
    data = bytearray(build_run())
    place = data.index(bytes((101, 85)))
    data[place] = 111
    return bytes(data)


def build_run_without_clock() -> bytes:
    """Return records stamped with the seconds since the device's start-up."""
    file = begin()
    for second in range(3):
        file.add(RECORD, {TIMESTAMP: ("uint32", 17_217_864 + second), 3: ("uint8", 120)})
    return file.build()


FILES = {
    "good.fit": build_run,
    "good-chain.fit": build_swim_and_ride,
    "broken.fit": build_damaged_run,
    "broken-clock.fit": build_run_without_clock,
}


def main() -> None:
    """Write all files into the folder named on the command line."""
    for name, build in FILES.items():
        Path(sys.argv[1], name).write_bytes(build())


if __name__ == "__main__":
    main()
