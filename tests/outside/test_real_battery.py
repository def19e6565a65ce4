"""Battery readings of real bike computers: rates worked out by hand from another decoder's output.

Sources of the files: the source archive of pyfitness 0.2.1, the wheel of sweat 0.25.0. fitdecode
0.11 lists their messages 104 (field 253 time, field 2 percent); the instants below are the readings
before and at the first and the last change of the percentage, in seconds of the FIT epoch.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import fitdecode
import pytest

from config.devices import Device
from config.settings import load_settings
from tasks.align import align_workout
from tasks.core.reading import read_export
from tasks.core.recording import ExportFile
from tasks.core.registers import ReadOptions
from tasks.metrics.battery.use import (
    battery_from_pct,
    battery_projected_h,
    battery_rate_pct_per_h,
    battery_to_pct,
    battery_vs_claim_pct,
)
from tasks.normalise import normalise_recording
from tasks.pair import Member, WorkoutMembers
from tasks.workout.case import Case, Segment, Workout

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

ARCHIVES = {"pyfitness": ("pyfitness==0.2.1", "sdist"), "sweat": ("sweat==0.25.0", "wheel")}


@dataclass(frozen=True)
class Ride:
    """First and last change: reading before, reading at it [s], level after it [%]."""

    archive: str
    name: str
    first: tuple[int, int, int]
    last: tuple[int, int, int]
    #: By hand: drop * 3600 / (middle - middle), / (at - before), / (before - at).
    rate: float
    low: float
    high: float


RIDES = (
    # 98 to 96 %: one percent between its two changes, in 2,040 s (1,980 to 2,100 s).
    Ride(
        "pyfitness",
        "Garmin_assioma_160_wrong_Dec_19_2022.fit",
        (1040429500, 1040429560, 97),
        (1040431540, 1040431600, 96),
        1.764706,
        1.714286,
        1.818182,
    ),
    # 88 to 85 %: two percent in 2,102 s (2,042 to 2,162 s).
    Ride(
        "pyfitness",
        "Garmin_Assioma_200mm_test_Dec_20_2022.fit",
        (1040523699, 1040523759, 87),
        (1040525801, 1040525861, 85),
        3.425309,
        3.330250,
        3.525955,
    ),
    # 98 to 84 %, beside sensors that stay at 100 %: 13 percent in 6,300 s.
    Ride(
        "pyfitness",
        "Luciano_indoor_climb_599m_distance_42.809km_power5_NA.fit",
        (1028567941, 1028568001, 97),
        (1028574241, 1028574301, 84),
        7.428571,
        7.358491,
        7.5,
    ),
    # 95 to 75 %, a reading each five minutes: 19 percent in 8,084 s (7,800 to 8,368 s).
    Ride(
        "sweat",
        "4078723797.fit",
        (937923004, 937923304, 94),
        (937931104, 937931372, 75),
        8.461158,
        8.173996,
        8.769231,
    ),
    # 97 to 92 %: four percent in an hour.
    Ride(
        "sweat",
        "4801048867.fit",
        (956143298, 956143598, 96),
        (956146898, 956147198, 92),
        4.0,
        3.692308,
        4.363636,
    ),
)


@pytest.fixture(scope="module")
def find(registry_archive: Callable[..., Path]) -> Callable[[Ride], Path]:
    def find_one(ride: Ride) -> Path:
        requirement, kind = ARCHIVES[ride.archive]
        (path,) = registry_archive(requirement, kind=kind).rglob(ride.name)
        return path

    return find_one


def make_case(path: Path, claimed_h: float | None = None) -> Case:
    (read,) = read_export(ExportFile(path, path.name), ReadOptions())
    recording = normalise_recording(read, name=path.name)
    settings = load_settings()
    aligned = align_workout(
        "ride",
        {"r": recording},
        workout=WorkoutMembers((Member("r"),), recording.start_utc, recording.end_utc),
        devices={"r": Device(id="computer", name="Computer", claimed_gnss_hours=claimed_h)},
        settings=settings,
    )
    (subject,) = aligned.subjects
    workout = Workout("ride", aligned.grid, "cycling", None, (subject,), None, settings)
    return Case(workout, subject, None, Segment("all", subject.covered))


def list_changes(path: Path) -> list[tuple[int, int, int]]:
    """Return reading before, reading at and new level of each change, as fitdecode sees them."""
    readings: list[tuple[int, int]] = []
    with fitdecode.FitReader(path, processor=None) as reader:
        for frame in reader:
            if frame.frame_type == fitdecode.FIT_FRAME_DATA and frame.global_mesg_num == 104:
                values = {field.def_num: field.raw_value for field in frame.fields}
                if values.get(2) is not None:
                    readings.append((values[253], values[2]))
    return [(before[0], at[0], at[1]) for before, at in pairwise(readings) if at[1] != before[1]]


@pytest.mark.parametrize("ride", RIDES, ids=lambda ride: ride.name)
def test_another_decoder_sees_these_changes(find: Callable[[Ride], Path], ride: Ride) -> None:
    changes = list_changes(find(ride))
    assert (changes[0], changes[-1]) == (ride.first, ride.last)


@pytest.mark.parametrize("ride", RIDES, ids=lambda ride: ride.name)
def test_the_rate_and_its_bounds_are_those_worked_out_by_hand(
    find: Callable[[Ride], Path], ride: Ride
) -> None:
    case = make_case(find(ride))
    found = battery_rate_pct_per_h(case)
    assert found.value == pytest.approx(ride.rate, abs=1e-5)
    assert found.ci_low == pytest.approx(ride.low, abs=1e-5)
    assert found.ci_high == pytest.approx(ride.high, abs=1e-5)
    assert battery_from_pct(case).value == ride.first[2]
    assert battery_to_pct(case).value == ride.last[2]
    projected = battery_projected_h(case)
    assert projected.value == pytest.approx(100.0 / ride.rate, rel=1e-5)
    assert projected.ci_low == pytest.approx(100.0 / ride.high, rel=1e-5)


def test_a_battery_that_lasts_less_than_claimed_is_below_zero(find: Callable[[Ride], Path]) -> None:
    # 4 %/h are 25 h; a claim of 50 h would be missed by half. The claim is an invented one.
    found = battery_vs_claim_pct(make_case(find(RIDES[4]), claimed_h=50.0))
    assert found.value == pytest.approx(-50.0)
    assert found.ci_low is not None
    assert found.ci_high is not None
    assert found.ci_low < found.value < found.ci_high


def test_a_recorder_that_gives_one_reading_has_no_rate(
    registry_archive: Callable[..., Path],
) -> None:
    folder = registry_archive("activity_parser==0.12.1", kind="sdist")
    (path,) = folder.rglob("garmin-edge-820-bike.fit")
    found = battery_rate_pct_per_h(make_case(path))
    assert found.value is None
    assert found.reason == "one reading of the recorder's battery is no rate"
