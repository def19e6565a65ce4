"""The plain functions of the line, joined without tasks and store: bytes in, results out."""

import hashlib
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from config.devices import Device, MatchRule, Traits, identify_device
from config.settings import load_settings
from tasks.align import Aligned, align_workout
from tasks.core.reading import read_export
from tasks.core.recording import ExportFile, Recording
from tasks.core.registers import ReadOptions
from tasks.normalise import normalise_recording
from tasks.pair import Candidate, WorkoutMembers, pair_recordings
from tasks.processing.activity import name_activity_of
from tasks.processing.measure import measure_workout
from tasks.readers.notes import read_notes
from tasks.workout.case import Workout
from tasks.workout.courses import load_course
from tests.recovery.expect import Prepared, Worn
from tests.simulate.formats import write_export

Row = dict[str, Any]


@dataclass(frozen=True)
class Outcome:
    """What the line made of one workout: results, findings, and how it was put together."""

    results: tuple[Row, ...]
    findings: tuple[Row, ...]
    aligned: Aligned
    workout: WorkoutMembers
    device_ids: Mapping[str, str]

    def find_value(self, device_id: str, metric: str, segment: str = "all") -> float | None:
        """Return the value of a metric; against the truth, where there is one."""
        rows = [
            row
            for row in self.results
            if row["device_id"] == device_id
            and row["metric"] == metric
            and row["segment"] == segment
            and row["value"] is not None
        ]
        rows.sort(key=lambda row: row["reference"] != "truth")
        return float(rows[0]["value"]) if rows else None

    def find_reason(self, device_id: str, metric: str, segment: str = "all") -> str:
        """Return the reasons why a metric has no value."""
        return "; ".join(
            str(row["reason"])
            for row in self.results
            if row["device_id"] == device_id
            and row["metric"] == metric
            and row["segment"] == segment
        )

    def find_findings(self, device_id: str, kind: str) -> list[Row]:
        """Return the findings of one kind of one device."""
        return [
            row for row in self.findings if row["device_id"] == device_id and row["kind"] == kind
        ]


def make_device(worn: Worn) -> Device:
    """Return the device as `devices.toml` would describe it."""
    own = worn.device
    return Device(
        id=own.device_id,
        name=own.name,
        role=worn.role,
        site="chest" if own.site == "chest" else "wrist",
        heart_rate="ecg" if own.site == "chest" else "optical",
        claimed_gnss_hours=worn.claimed_gnss_hours,
        reference_for=worn.reference_for,  # type: ignore[arg-type]  # pydantic checks the words
        match=(MatchRule(serial=own.serial), MatchRule(filename=f"{own.device_id}.*")),
    )


def write_exports(prepared: Prepared) -> dict[str, bytes]:
    """Return the export of every device, by file name."""
    return {
        f"{worn.device.device_id}.{worn.form.rpartition('.')[2]}": write_export(
            prepared.recorded[worn.device.device_id], worn.form
        )
        for worn in prepared.worn
    }


def run_line(prepared: Prepared, exports: Mapping[str, bytes] | None = None) -> Outcome:
    """Run the exports of one workout through the line; they must become one workout."""
    return run_exports(
        exports or write_exports(prepared),
        devices=tuple(make_device(worn) for worn in prepared.worn),
        notes=prepared.notes,
        courses={prepared.course_name: prepared.course} if prepared.course else {},
    )


def run_exports(
    exports: Mapping[str, bytes],
    *,
    devices: tuple[Device, ...],
    notes: str = "",
    courses: Mapping[str, bytes] | None = None,
) -> Outcome:
    """Run exports, by file name, through the line; they must become one workout."""
    with tempfile.TemporaryDirectory() as folder:
        for name, content in (courses or {}).items():
            (Path(folder) / f"{name}.gpx").write_bytes(content)
        return _run(exports, devices, notes, Path(folder))


def _run(
    exports: Mapping[str, bytes], known: tuple[Device, ...], text: str, folder: Path
) -> Outcome:
    settings = load_settings()
    recordings: dict[str, Recording] = {}
    devices: dict[str, Device] = {}
    candidates = []
    for name, content in exports.items():
        (folder / name).write_bytes(content)
        file_id = hashlib.sha256(content).hexdigest()
        for read in read_export(ExportFile(folder / name, name, file_id), ReadOptions()):
            recording = normalise_recording(read, name=name)
            key = f"{file_id[:16]}-{recording.header.index}"
            header = recording.header
            traits = Traits(header.serial, None, name, header.creator)
            recordings[key] = recording
            devices[key] = identify_device(traits, known).device
            candidates.append(
                Candidate(
                    recording_id=key,
                    device_id=devices[key].id,
                    start_utc=recording.start_utc,
                    end_utc=recording.end_utc,
                    sport=header.sport,
                    time_basis=header.time_basis,
                    position_kind=header.position_kind,
                    file_name=name,
                    n_samples=recording.samples.num_rows,
                )
            )
    notes = read_notes(text, name="notes.toml") if text else None
    workouts = pair_recordings(
        candidates,
        recordings.__getitem__,
        settings=settings.pair,
        starts_of_notes=[notes.start_utc] if notes else [],
    )
    if len(workouts) != 1:
        raise AssertionError(
            f"{len(exports)} exports of one workout became {len(workouts)} workouts"
        )
    aligned = align_workout(
        "workout", recordings, workout=workouts[0], devices=devices, settings=settings
    )
    activity = name_activity_of(aligned.subjects, notes)
    course = load_course(notes, courses=folder)
    measured = measure_workout(
        Workout(
            workout_id="workout",
            grid=aligned.grid,
            activity=activity.name,
            place=activity.place,
            subjects=aligned.subjects,
            notes=notes,
            settings=settings,
            course=course.line,
            course_name=course.name,
        )
    )
    return Outcome(
        results=tuple(measured.results.to_pylist()),
        findings=tuple(measured.findings.to_pylist()),
        aligned=aligned,
        workout=workouts[0],
        device_ids={key: device.id for key, device in devices.items()},
    )
