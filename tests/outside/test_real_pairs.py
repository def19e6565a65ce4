"""Recordings that others made with several devices at once: paired and aligned as they were worn.

Sources of the files, fetched from the package registry and never kept here:
source archives of pyfitness 0.2.1 (one strap, two devices), tracklib 0.8.4.2 (walks with up to five
receivers) and activity_parser 0.12.1 (two short rides); wheel of sweat 0.25.0 (one ride in four
formats).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
import pytest
from pyproj import Transformer

from config.devices import Traits, identify_device
from config.settings import load_settings
from tasks.align import Aligned, align_workout
from tasks.align.offsets import find_offset
from tasks.core.errors import NothingRecordedError
from tasks.core.members import Candidate
from tasks.core.reading import read_export
from tasks.core.recording import ExportFile, Header, Recording
from tasks.core.registers import ReadOptions
from tasks.normalise import normalise_recording
from tasks.pair import Member, WorkoutMembers, pair_recordings
from tasks.tables.arrow import make_empty, make_table
from tasks.tables.tables import BATTERY, BEATS, EVENTS, LAPS, LENGTHS, SAMPLES

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from config.devices import Device
    from config.settings import Settings

SETTINGS = load_settings()
#: No confidence reaches 1: the clocks stay as they are.
WITHOUT_OFFSETS = SETTINGS.model_copy(
    update={"align": SETTINGS.align.model_copy(update={"min_confidence": 1.0})}
)


@dataclass(frozen=True)
class Drop:
    """Recordings of some files, by file name (and number), with the workouts they make."""

    recordings: dict[str, Recording]
    devices: dict[str, Device]
    workouts: tuple[WorkoutMembers, ...]

    def align(self, workout: WorkoutMembers, *, settings: Settings = SETTINGS) -> Aligned:
        return align_workout(
            "w", self.recordings, workout=workout, devices=self.devices, settings=settings
        )

    def name_groups(self) -> list[set[str]]:
        return [{member.recording_id for member in workout.members} for workout in self.workouts]

    def find(self, recording_id: str) -> tuple[WorkoutMembers, Member]:
        return next(
            (workout, member)
            for workout in self.workouts
            for member in workout.members
            if member.recording_id == recording_id
        )


def take(paths: Iterable[Path]) -> Drop:
    """Read, normalise and pair files, as a newcomer without devices.toml drops them."""
    recordings: dict[str, Recording] = {}
    for path in paths:
        for recording in read_export(ExportFile(path, path.name), ReadOptions()):
            index = recording.header.index
            key = path.name if index == 0 else f"{path.name}-{index}"
            recordings[key] = normalise_recording(recording, name=path.name)
    return pair(recordings)


def pair(recordings: dict[str, Recording]) -> Drop:
    devices = {key: name_device(key, recording) for key, recording in recordings.items()}
    candidates = [
        Candidate(
            key,
            devices[key].id,
            recording.start_utc,
            recording.end_utc,
            recording.header.sport,
            recording.header.time_basis,
            recording.header.position_kind,
            key,
            recording.samples.num_rows,
        )
        for key, recording in recordings.items()
    ]
    workouts = pair_recordings(candidates, recordings.__getitem__, settings=SETTINGS.pair)
    return Drop(recordings, devices, workouts)


def name_device(name: str, recording: Recording) -> Device:
    header = recording.header
    traits = Traits(header.serial, None, name, header.creator, header.manufacturer, header.product)
    return identify_device(traits, ()).device


# --- one strap, two devices -------------------------------------------------------------------
@pytest.fixture(scope="module")
def trainer_rides(registry_archive: Callable[..., Path]) -> Drop:
    folder = registry_archive("pyfitness==0.2.1", kind="sdist")
    return take(sorted(folder.rglob("pedal_calibration/*.fit")))


RIDES = [
    # Files, difference of the starts [s], heart-rate MAE on the clocks as they are, and the most
    # that may be left. Source: computed apart from this project on the same files.
    ("Garmin_assioma_160_wrong_Dec_19_2022.fit", "Zwift_Kickr_true_Dec+19_2022.fit", 31, 1.98, 0.1),
    (
        "Garmin_Assioma_200mm_test_Dec_20_2022.fit",
        "Zwift_KickrBikeV1_TruePower_Dec_20_2022.fit",
        33,
        1.55,
        0.25,
    ),
]


def compute_mae(aligned: Aligned) -> float:
    one, other = (subject.values("heart_rate_bpm") for subject in aligned.subjects)
    return float(np.nanmean(np.abs(one - other)))


@pytest.mark.parametrize(("head_unit", "trainer", "apart_s", "before_bpm", "after_bpm"), RIDES)
def test_one_strap_on_two_devices_is_one_workout_and_agrees_when_the_clocks_do(
    trainer_rides: Drop,
    head_unit: str,
    trainer: str,
    apart_s: int,
    before_bpm: float,
    after_bpm: float,
) -> None:
    workout, _ = trainer_rides.find(head_unit)
    assert {member.recording_id for member in workout.members} == {head_unit, trainer}
    assert all(member.duplicate_of is None for member in workout.members)
    starts = [trainer_rides.recordings[name].start_utc for name in (head_unit, trainer)]
    assert abs((starts[1] - starts[0]).total_seconds()) == pytest.approx(apart_s, abs=3)
    aligned = trainer_rides.align(workout)
    moved = next(one for one in aligned.subjects if one.alignment.offset_s != 0.0)
    assert moved.alignment.method in {"power", "cadence"}
    assert abs(moved.alignment.offset_s) == pytest.approx(7, abs=0.5)
    assert compute_mae(aligned) <= after_bpm
    assert compute_mae(trainer_rides.align(workout, settings=WITHOUT_OFFSETS)) == pytest.approx(
        before_bpm, abs=0.01
    )


def test_virtual_places_of_a_trainer_ride_are_marked_as_such(trainer_rides: Drop) -> None:
    kinds = {
        name: recording.header.position_kind for name, recording in trainer_rides.recordings.items()
    }
    assert {kinds[trainer] for _, trainer, *_ in RIDES} == {"virtual"}
    assert "gnss" not in kinds.values()


# --- walks with up to five receivers ----------------------------------------------------------
@pytest.fixture(scope="module")
def walk_folder(registry_archive: Callable[..., Path]) -> Path:
    folder = registry_archive("tracklib==0.8.4.2", kind="sdist")
    return next(path for path in folder.rglob("data/sep/raw") if path.is_dir())


@pytest.fixture(scope="module")
def walks(walk_folder: Path) -> Drop:
    return take(sorted(walk_folder.glob("*.gpx")))


def test_the_receivers_of_each_walk_are_one_workout(walks: Drop) -> None:
    by_walk: dict[str, set[str]] = {}
    for name in walks.recordings:
        by_walk.setdefault(name.partition("_")[0], set()).add(name)
    assert sorted(map(sorted, walks.name_groups())) == sorted(map(sorted, by_walk.values()))
    assert all(
        member.duplicate_of is None for workout in walks.workouts for member in workout.members
    )


@pytest.mark.parametrize(
    ("walk", "early_s"),
    # How early one receiver's clock is. Source: computed apart from this project on the same
    # files. Under trees the receivers disagree by 10 to 20 m, 10 s of walking: hence 3 s.
    [("FC", 7194), ("FC2", 7195), ("DC2", 7207)],
)
def test_a_clock_that_is_two_hours_early_is_found(walks: Drop, walk: str, early_s: int) -> None:
    name = f"{walk}_keymaze.gpx"
    workout, member = walks.find(name)
    assert member.clock_shift_s == 7200.0
    assert "2 h 00 min slow" in (member.note or "")
    subject = next(one for one in walks.align(workout).subjects if one.recording_id == name)
    assert subject.alignment.method == "position"
    assert member.clock_shift_s + subject.alignment.offset_s == pytest.approx(early_s, abs=3)


def test_all_other_clocks_stay_as_they_are(walks: Drop) -> None:
    shifted = {
        member.recording_id
        for workout in walks.workouts
        for member in workout.members
        if member.clock_shift_s != 0.0
    }
    assert shifted == {"FC_keymaze.gpx", "FC2_keymaze.gpx", "DC2_keymaze.gpx"}


def test_solutions_of_a_bare_receiver_are_refused_and_not_guessed_at(walk_folder: Path) -> None:
    paths = sorted(walk_folder.glob("*.pos"))
    assert len(paths) == 4
    for path in paths:
        with pytest.raises(NothingRecordedError, match=f"{path.name}.*decimal degrees"):
            read_export(ExportFile(path, path.name), ReadOptions())


def test_solutions_in_degrees_are_read_in_utc(
    registry_archive: Callable[..., Path],
) -> None:
    """One drive stands in the archive twice: in degrees, and in ECEF (EPSG:4978)."""
    archive = registry_archive("tracklib==0.8.4.2", kind="sdist")
    (path,) = archive.rglob("raw_gps.pos")
    (twin,) = archive.rglob("raw_gps_ECEF.pos")
    (read,) = read_export(ExportFile(path, path.name), ReadOptions())
    hasty = read_solutions(twin)
    # GPS time is 18 s ahead of UTC since 2017 (IERS Bulletin C 52, number from memory).
    shared = min(read.samples.num_rows, hasty.samples.num_rows)
    assert shared > 500
    columns = [one.samples.slice(0, shared).to_pydict() for one in (read, hasty)]
    late = {
        second - first
        for first, second in zip(columns[0]["time_utc"], columns[1]["time_utc"], strict=True)
    }
    assert late == {timedelta(seconds=18)}
    for name, tolerance in (("latitude_deg", 2e-9), ("longitude_deg", 2e-9), ("altitude_m", 2e-4)):
        found, expected = (np.array(one[name]) for one in columns)
        assert found == pytest.approx(expected, abs=tolerance)


def read_solutions(path: Path) -> Recording:
    """Read the lines of a .pos file, their GPS time taken for UTC as a hasty tester would."""
    rows = [line.split() for line in path.read_text().splitlines() if not line.startswith("%")]
    stamps = [
        datetime.strptime(f"{row[0]} {row[1]}", "%Y/%m/%d %H:%M:%S.%f").replace(tzinfo=UTC)
        for row in rows
    ]
    places = np.array([[float(cell) for cell in row[2:5]] for row in rows])
    to_degrees = Transformer.from_crs("EPSG:4978", "EPSG:4979", always_xy=True)
    longitude, latitude, altitude = to_degrees.transform(*places.T)
    recording = Recording(
        Header("gpx", "test", position_kind="gnss", creator="bare receiver"),
        stamps[0],
        stamps[-1],
        make_table(
            SAMPLES,
            {
                "time_utc": stamps,
                "latitude_deg": latitude,
                "longitude_deg": longitude,
                "altitude_m": altitude,
            },
        ),
        *(make_empty(table) for table in (LAPS, LENGTHS, BEATS, BATTERY, EVENTS)),
    )
    return normalise_recording(recording, name=path.name)


RECEIVERS = [
    ("DC", ("garmin", "polar", "telephone")),
    ("MC", ("garmin", "polar", "telephone")),
    ("FC", ("garmin", "polar", "telephone")),
    ("FC2", ("garmin",)),
]


@pytest.mark.parametrize(("walk", "others"), RECEIVERS)
def test_gps_time_taken_for_utc_is_shown_by_every_other_track(
    walk_folder: Path, walks: Drop, walk: str, others: tuple[str, ...]
) -> None:
    bare = read_solutions(walk_folder / f"{walk}_ublox.pos")
    for other in others:
        found = find_offset(walks.recordings[f"{walk}_{other}.gpx"], bare, settings=SETTINGS.align)
        assert found.method == "position"
        # GPS time is 18 s ahead of UTC since 2017. Source: IERS Bulletin C 52. The other
        # receivers' own clocks and filters differ by up to 10 s from each other.
        assert found.offset_s == pytest.approx(-18, abs=10)


@pytest.mark.parametrize("walk", ["DC", "MC"])
def test_offsets_between_three_receivers_add_up(walk_folder: Path, walks: Drop, walk: str) -> None:
    receivers = {
        name: walks.recordings[f"{walk}_{name}.gpx"] for name in ("garmin", "polar", "telephone")
    }
    receivers["bare"] = read_solutions(walk_folder / f"{walk}_ublox.pos")

    def find(reference: str, test: str) -> float:
        # Clocks that are not trusted give small offsets, too.
        return find_offset(
            receivers[reference],
            receivers[test],
            settings=SETTINGS.align,
            is_clock_trusted=False,
        ).offset_s

    for one, two, three in combinations(receivers, 3):
        # Own tolerance: the tracks lie 3 to 5 m apart, two to four seconds of walking.
        assert find(one, two) + find(two, three) == pytest.approx(find(one, three), abs=1.5)


# --- one ride in four formats -----------------------------------------------------------------
@pytest.mark.parametrize("ride", ["4078723797", "4801048867"])
def test_one_recording_in_four_formats_is_one_recording(
    registry_archive: Callable[..., Path], ride: str
) -> None:
    folder = registry_archive("sweat==0.25.0", kind="wheel")
    drop = take(sorted(folder.rglob(f"*{ride}*")))
    (workout,) = drop.workouts
    assert len(workout.members) == 4
    used = [member.recording_id for member in workout.members if member.duplicate_of is None]
    assert used == [f"{ride}.fit"]
    assert {member.duplicate_of for member in workout.members} == {None, f"{ride}.fit"}
    assert len(drop.align(workout).subjects) == 1


# --- two rides that follow each other ---------------------------------------------------------
def test_two_rides_that_overlap_by_eight_seconds_are_two_workouts(
    registry_archive: Callable[..., Path],
) -> None:
    folder = registry_archive("activity_parser==0.12.1", kind="sdist")
    drop = take(sorted(folder.rglob("garmin-*-bike.fit")))
    assert len(drop.workouts) == 2
    one, other = drop.workouts
    assert (other.start_utc - one.start_utc).total_seconds() == 53
    assert timedelta(0) < one.end_utc - other.start_utc < timedelta(seconds=9)
