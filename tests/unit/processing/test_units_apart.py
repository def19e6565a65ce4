"""Two units that one rule of `devices.toml` catches: named, and not published as one."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pyarrow as pa

from config.devices import Identified
from tasks.archive.lake import read_recording, write_recording
from tasks.tables.arrow import read_floats
from tests.unit.processing.test_plan import lake, make_known, make_plan

if TYPE_CHECKING:
    from pathlib import Path

    from tasks.processing.known import KnownRecording

__all__ = ["lake"]


def make_unit(
    lake: Path, recording_id: str, *, above_bpm: float, serial: str | None = None, rule: str
) -> KnownRecording:
    """Write a recording under the name of `alder-2`; all hold one heart rate, but for a shift."""
    known = make_known(lake, recording_id, "alder-2")
    recording = read_recording(make_known(lake, "zz-0", "alder-2").recording_id, lake=lake)
    rates = read_floats(recording.samples, "heart_rate_bpm") + above_bpm
    place = recording.samples.column_names.index("heart_rate_bpm")
    field = recording.samples.schema.field(place)
    samples = recording.samples.set_column(place, field, pa.array(rates))
    header = replace(recording.header, serial=serial)
    write_recording(replace(recording, header=header, samples=samples), recording_id, lake=lake)
    identified = Identified(known.device, rule)
    return replace(known, header=header, identified=identified)


def test_two_units_of_one_rule_are_named_and_count_as_unknown(lake: Path) -> None:
    made = make_plan(
        lake,
        [
            make_unit(lake, "aa-0", above_bpm=0.0, rule="folder"),
            make_unit(lake, "bb-0", above_bpm=4.0, rule="folder"),
        ],
    )
    (planned,) = made.workouts
    ids = {known.recording_id: known.device.id for known in planned.recordings}
    assert len(set(ids.values())) == 2
    assert set(ids.values()) == {"alder-2-unit", "alder-2-unit-2"}
    (complaint,) = made.complaints
    assert complaint.startswith("device alder-2: aa-0.csv and bb-0.csv were recorded at once")


def test_the_unit_that_a_serial_number_names_keeps_its_name(lake: Path) -> None:
    made = make_plan(
        lake,
        [
            make_unit(lake, "aa-0", above_bpm=0.0, serial="41", rule="serial"),
            make_unit(lake, "bb-0", above_bpm=0.0, serial="42", rule="folder"),
        ],
    )
    (planned,) = made.workouts
    ids = {known.recording_id: known.device.id for known in planned.recordings}
    assert ids["aa-0"] == "alder-2"
    assert ids["bb-0"] == "alder-2-unit"
    assert "bb-0.csv (serial number 42)" in made.complaints[0]


def test_two_exports_of_one_unit_keep_its_name(lake: Path) -> None:
    made = make_plan(
        lake,
        [
            make_unit(lake, "aa-0", above_bpm=0.0, rule="folder"),
            make_unit(lake, "bb-0", above_bpm=0.0, rule="folder"),
        ],
    )
    (planned,) = made.workouts
    assert {known.device.id for known in planned.recordings} == {"alder-2"}
    assert made.complaints == ()
