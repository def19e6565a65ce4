"""Two rides of which each was recorded by two devices with one and the same chest strap."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import pytest

from config.devices import Device
from config.settings import load_settings
from tasks.align import align_workout
from tasks.core.reading import read_export
from tasks.core.recording import ExportFile
from tasks.core.registers import ReadOptions
from tasks.normalise import normalise_recording
from tasks.pair import Candidate, pair_recordings
from tasks.processing.measure import measure_workout
from tasks.workout.case import Workout

if TYPE_CHECKING:
    from pathlib import Path
    from typing import Any

    from tests.outside.conftest import RegistryArchive

ARCHIVE = "pyfitness==0.2.1"
#: Day of the ride in the file names, and the mean absolute error left by clocks that are set
#: right: measured once with a general-purpose library at a shift of 7 s, rounded up.
RIDES = {"Dec_20_2022": 0.25, "19_2022": 0.10}
KINDS = {
    "late_lock", "dropout", "spike", "biased_stretch", "missed_rise", "cadence_lock", "frozen",
}  # fmt: skip


@pytest.fixture(scope="module", params=RIDES)
def ride(
    request: pytest.FixtureRequest, registry_archive: RegistryArchive
) -> tuple[str, list[dict[str, Any]], list[dict[str, Any]], dict[str, str]]:
    (folder,) = registry_archive(ARCHIVE, kind="sdist").rglob("pedal_calibration")
    paths = sorted(path for path in folder.glob("*.fit") if request.param in path.name)
    assert len(paths) == 2
    results, findings, methods = measure(paths)
    return request.param, results, findings, methods


def measure(
    paths: list[Path],
) -> tuple[list[dict[str, Any]], list[dict[str, Any]], dict[str, str]]:
    settings = load_settings()
    recordings, devices, candidates = {}, {}, []
    for number, path in enumerate(paths):
        file_id = hashlib.sha256(path.read_bytes()).hexdigest()
        (read,) = read_export(ExportFile(path, path.name, file_id), ReadOptions())
        recording = normalise_recording(read, name=path.name)
        key = f"{file_id[:16]}-0"
        recordings[key] = recording
        devices[key] = Device(
            id=f"computer-{number}", name=path.stem, role="test" if number else "reference"
        )
        candidates.append(
            Candidate(
                recording_id=key,
                device_id=devices[key].id,
                start_utc=recording.start_utc,
                end_utc=recording.end_utc,
                sport=recording.header.sport,
                time_basis=recording.header.time_basis,
                position_kind=recording.header.position_kind,
                file_name=path.name,
                n_samples=recording.samples.num_rows,
            )
        )
    (workout,) = pair_recordings(candidates, recordings.__getitem__, settings=settings.pair)
    aligned = align_workout("ride", recordings, workout=workout, devices=devices, settings=settings)
    measured = measure_workout(
        Workout(
            workout_id="ride",
            grid=aligned.grid,
            activity="cycling",
            place="trainer",
            subjects=aligned.subjects,
            notes=None,
            settings=settings,
        )
    )
    methods = {one.device.id: one.alignment.method for one in aligned.subjects}
    return measured.results.to_pylist(), measured.findings.to_pylist(), methods


def read_value(results: list[dict[str, Any]], metric: str) -> float:
    (value,) = (
        row["value"]
        for row in results
        if row["metric"] == metric and row["segment"] == "all" and row["device_id"] == "computer-1"
    )
    assert value is not None
    return float(value)


def test_clocks_are_set_by_another_signal_and_the_error_is_next_to_none(
    ride: tuple[str, list[dict[str, Any]], list[dict[str, Any]], dict[str, str]],
) -> None:
    name, results, _, methods = ride
    assert methods["computer-1"] in {"power", "cadence", "speed"}
    assert read_value(results, "hr_mae_bpm") <= RIDES[name]
    assert abs(read_value(results, "hr_bias_bpm")) < 0.05
    assert abs(read_value(results, "hr_lag_s")) <= 1


def test_nothing_is_found_wrong_with_the_heart_rate(
    ride: tuple[str, list[dict[str, Any]], list[dict[str, Any]], dict[str, str]],
) -> None:
    _, _, findings, _ = ride
    assert [row for row in findings if row["kind"] in KINDS] == []


def test_both_devices_are_said_to_show_one_signal(
    ride: tuple[str, list[dict[str, Any]], list[dict[str, Any]], dict[str, str]],
) -> None:
    _, results, _, _ = ride
    assert read_value(results, "hr_same_signal") == 1
    assert read_value(results, "hr_equal_pct") > 70
