"""What is written is read back by programs that are not ours, value by value."""

import csv
import io
import itertools
from collections.abc import Iterator
from typing import Any

import fitdecode
import fitparse
import gpxpy
import numpy as np
import pytest
from fitparse.processors import FitFileDataProcessor
from lxml import etree

from tests.simulate.demo import build_demo
from tests.simulate.demo_devices import ALDER_2, BIRCH, HAZEL
from tests.simulate.devices import Clock, Device, Recorded, record
from tests.simulate.effects_other import AutoPause, BatteryDrain, PoolCounter
from tests.simulate.effects_position import LateFirstFix, PositionGap
from tests.simulate.formats import WRITERS, write_export
from tests.simulate.script import Workout
from tests.simulate.write_fit_odd import pack_12_bits

FIT_FORMS = [form for form in WRITERS if form.rpartition(".")[2] == "fit"]
TCX = "{http://www.garmin.com/xmlschemas/TrainingCenterDatabase/v2}"
Row = tuple[int, tuple[tuple[int, object, object], ...]]


class Untouched(FitFileDataProcessor):  # type: ignore[misc]  # the library ships no types
    """Leaves dates and words as the numbers that stand in the file."""

    def run_type_processor(self, field_data: object) -> None:
        """Change nothing."""

    def run_field_processor(self, field_data: object) -> None:
        """Change nothing."""

    def run_unit_processor(self, field_data: object) -> None:
        """Change nothing."""

    def run_message_processor(self, data_message: object) -> None:
        """Change nothing."""


def read_value(field: Any) -> tuple[int, object, object]:  # noqa: ANN401  # two libraries, no types
    """Return number, raw value and scaled value; a word stands for its number (names differ)."""
    scaled = field.raw_value if isinstance(field.value, str) else field.value
    return field.def_num, settle(field.raw_value), settle(scaled)


def settle(value: object) -> object:
    """Make the two libraries' words for the same value alike: lists, rounding of floats."""
    if isinstance(value, list | tuple):
        return tuple(settle(each) for each in value)
    return round(value, 6) if isinstance(value, float) else value


def read_with_fitparse(content: bytes) -> Iterator[Row]:
    fitparse.records.DEV_TYPES.clear()
    for message in fitparse.FitFile(io.BytesIO(content), data_processor=Untouched()).get_messages():
        yield (
            message.mesg_num,
            tuple(
                read_value(field)
                for field in sorted(message.fields, key=lambda each: str(each.def_num))
                if field.field_def is not None and field.def_num is not None
            ),
        )


def read_with_fitdecode(content: bytes) -> Iterator[Row]:
    with fitdecode.FitReader(
        io.BytesIO(content), processor=None, check_crc=fitdecode.CrcCheck.RAISE
    ) as reader:
        for message in reader:
            if message.frame_type != fitdecode.FIT_FRAME_DATA:
                continue
            yield (
                message.global_mesg_num,
                tuple(
                    read_value(field)
                    for field in sorted(message.fields, key=lambda each: str(each.def_num))
                    if field.field_def is not None and field.def_num is not None
                ),
            )


def wear(device: Device, workout: Workout) -> Recorded:
    return record(device.with_effects(BatteryDrain(20.0, 90.0)), workout, seed=5)


@pytest.fixture(scope="module")
def worn(laps: Workout, lengths: Workout) -> list[Recorded]:
    computer = BIRCH.with_effects(AutoPause(), LateFirstFix(9.0), PositionGap(300.0, 320.0))
    swimmer = ALDER_2.with_effects(PoolCounter(split=(3,)))
    return [
        wear(ALDER_2, laps), wear(computer, laps), wear(HAZEL, laps), wear(swimmer, lengths),
    ]  # fmt: skip


@pytest.mark.parametrize("form", FIT_FORMS)
def test_fitparse_and_fitdecode_read_every_form_alike(form: str, worn: list[Recorded]) -> None:
    for recorded in worn:
        content = write_export(recorded, form)
        rows = list(read_with_fitparse(content))
        assert rows == list(read_with_fitdecode(content))
        assert len(rows) > len(recorded.true_s)


def test_fitparse_and_fitdecode_read_every_fit_file_of_the_demo_alike() -> None:
    files, manifest = build_demo()
    names = [name for name in files if name.endswith(".fit") and name != manifest["damaged"]]
    assert len(names) > 20
    for name in names:
        # One message in three keeps the test short; every kind of message is among them.
        rows = list(read_with_fitparse(files[name]))[::3]
        assert rows == list(read_with_fitdecode(files[name]))[::3], name


@pytest.mark.parametrize("form", ["plain.fit", "big-endian.fit"])
def test_two_writers_say_the_same(form: str, worn: list[Recorded]) -> None:
    for recorded in worn:
        bulk = list(read_with_fitdecode(write_export(recorded, "fit")))
        ours = list(read_with_fitdecode(write_export(recorded, form)))
        assert [(kind, [field[::2] for field in row]) for kind, row in ours] == [
            (kind, [field[::2] for field in row]) for kind, row in bulk
        ]


def test_compressed_time_stamps_say_the_same_times(worn: list[Recorded]) -> None:
    for recorded in worn:
        reader = fitparse.FitFile(
            io.BytesIO(write_export(recorded, "compressed.fit")), data_processor=Untouched()
        )
        stamps = [message.get_value("timestamp") for message in reader.get_messages("record")]
        assert (np.array(stamps) + 631065600).tolist() == recorded.clock_unix_s.tolist()


def test_a_fit_record_holds_the_device_s_values_to_its_resolution(worn: list[Recorded]) -> None:
    recorded = worn[0]
    reader = fitparse.FitFile(io.BytesIO(write_export(recorded, "fit")), data_processor=Untouched())
    for row, message in enumerate(reader.get_messages("record")):
        values = message.get_values()
        assert values["heart_rate"] == round(recorded.channels["heart_rate_bpm"][row])
        assert values["distance"] == pytest.approx(recorded.channels["distance_m"][row], abs=0.006)
        assert values["enhanced_altitude"] == pytest.approx(
            recorded.channels["altitude_m"][row], abs=0.21
        )
        # One semicircle is 180 / 2^31 degrees.
        assert values["position_lat"] * 180 / 2**31 == pytest.approx(
            recorded.latitude_deg[row], abs=0.6 * 180 / 2**31
        )
    assert row + 1 == len(recorded.true_s)


def test_beats_stored_by_a_strap_come_back_at_their_instants(worn: list[Recorded]) -> None:
    recorded = worn[2]
    with fitdecode.FitReader(io.BytesIO(write_export(recorded, "stored-beats.fit"))) as reader:
        instants = [
            field.value.timestamp()
            for message in reader
            if message.frame_type == fitdecode.FIT_FRAME_DATA and message.name == "hr"
            for field in message.fields
            if field.name == "event_timestamp" and hasattr(field.value, "timestamp")
        ]
    # The reader expands the 12-bit times itself; 1/1024 s is their resolution.
    expected = recorded.beats_unix_s[1 : len(instants) + 1]
    assert len(instants) > len(recorded.beats_unix_s) - 9
    np.testing.assert_allclose(instants, expected, atol=0.0015)


def test_two_12_bit_numbers_fill_three_bytes() -> None:
    # By hand: 0x123 and 0xABC, low bits first: 23, C1, AB.
    assert pack_12_bits([0x123, 0xABC]) == bytes((0x23, 0xC1, 0xAB))


def test_a_developer_field_carries_the_charge(worn: list[Recorded]) -> None:
    recorded = worn[0]
    fitparse.records.DEV_TYPES.clear()
    reader = fitparse.FitFile(
        io.BytesIO(write_export(recorded, "developer.fit")), data_processor=Untouched()
    )
    charge = [message.get_value("battery") for message in reader.get_messages("record")]
    assert len(charge) == len(recorded.true_s)
    times = np.array([at for at, _, _ in recorded.battery])
    levels = np.array([percent for _, percent, _ in recorded.battery])
    expected = levels[np.searchsorted(times, recorded.true_s, side="right") - 1]
    assert charge == expected.tolist()


def test_gpxpy_reads_the_points_that_have_a_position(worn: list[Recorded]) -> None:
    recorded = worn[1]
    parsed = gpxpy.parse(write_export(recorded, "gpx").decode())
    points = [point for segment in parsed.tracks[0].segments for point in segment.points]
    known = np.isfinite(recorded.latitude_deg)
    assert len(parsed.tracks[0].segments) == 2
    assert [point.latitude for point in points] == pytest.approx(
        recorded.latitude_deg[known], abs=1e-7
    )
    times = [point.time.timestamp() for point in points if point.time is not None]
    assert times == recorded.clock_unix_s[known].tolist()


def test_a_tcx_lap_begins_with_the_last_point_of_the_one_before(worn: list[Recorded]) -> None:
    recorded = worn[0]
    tree = etree.fromstring(write_export(recorded, "tcx"))
    laps = tree.findall(f".//{TCX}Lap")
    points = [lap.findall(f".//{TCX}Trackpoint") for lap in laps]
    assert len(laps) == len(recorded.laps)
    assert sum(len(part) for part in points) == len(recorded.true_s) + len(laps) - 1
    for before, after in itertools.pairwise(points):
        assert before[-1].find(f"{TCX}Time").text == after[0].find(f"{TCX}Time").text
    # Order of elements: TrainingCenterDatabasev2.xsd, Trackpoint_t.
    order = ["Time", "Position", "AltitudeMeters", "DistanceMeters", "HeartRateBpm", "Extensions"]
    assert [etree.QName(child).localname for child in points[0][5]] == order


@pytest.mark.parametrize(
    ("form", "separator", "header"),
    [
        ("iso.csv", ",", ["time", "heart_rate"]),
        ("elapsed.csv", ";", ["seconds", "bpm"]),
        ("epoch.csv", "\t", ["timestamp_ms", "hr"]),
    ],
)
def test_a_csv_has_one_row_per_sample(
    form: str, separator: str, header: list[str], worn: list[Recorded]
) -> None:
    recorded = worn[2]
    rows = list(csv.reader(io.StringIO(write_export(recorded, form).decode()), delimiter=separator))
    assert rows[0] == header
    assert [int(row[1]) for row in rows[1:]] == np.round(
        recorded.channels["heart_rate_bpm"]
    ).astype(int).tolist()


def test_a_csv_of_beats_has_one_row_per_interval(worn: list[Recorded]) -> None:
    recorded = worn[2]
    rows = list(csv.reader(io.StringIO(write_export(recorded, "beats.csv").decode())))
    assert rows[0] == ["time", "rr_ms"]
    intervals_ms = [float(row[1]) for row in rows[1:]]
    assert intervals_ms == pytest.approx(np.diff(recorded.beats_unix_s) * 1000.0, abs=0.51)


@pytest.mark.parametrize("form", list(WRITERS))
def test_the_same_recording_gives_the_same_bytes(form: str, laps: Workout) -> None:
    first, again = (wear(ALDER_2, laps), wear(ALDER_2, laps))
    assert write_export(first, form) == write_export(again, form)


def test_the_clock_that_is_written_is_the_device_s(laps: Workout) -> None:
    fast = record(Device("hazel", "Hazel", clock=Clock(7.0)), laps, seed=5)
    first = write_export(fast, "iso.csv").decode().splitlines()[1]
    assert first.startswith("2026-01-10T08:00:07Z,")
