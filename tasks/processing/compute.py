"""One planned workout: align, measure, write its pairs; everything but the store."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from math import isfinite
from typing import TYPE_CHECKING, Any

from tasks.align import align_workout
from tasks.archive.lake import read_recording, write_pairs
from tasks.core.activities import find_surroundings
from tasks.guard import read_line_isolated
from tasks.processing.activity import Activity, name_activity_of
from tasks.processing.exclusions import make_exclusion_rows, mark_recording, mark_workout
from tasks.processing.measure import measure_workout
from tasks.workout.case import Workout
from tasks.workout.courses import load_course
from tasks.workout.named_segments import find_ends

if TYPE_CHECKING:
    import pyarrow as pa

    from config.home import Home
    from config.settings import Settings
    from tasks.align import Aligned
    from tasks.core.notes import Notes
    from tasks.pair import Member
    from tasks.processing.known import KnownRecording
    from tasks.processing.plan import PlannedWorkout

Row = dict[str, Any]


@dataclass(frozen=True)
class WorkoutOutcome:
    """What one workout adds to the store: rows by table, results and findings apart.

    `complaints` are one line each, e.g. a course that is not there.
    """

    workout_id: str
    workout: Row
    recordings: tuple[Row, ...]
    alignments: tuple[Row, ...]
    segments: tuple[Row, ...]
    setups: tuple[Row, ...]
    devices: tuple[Row, ...]
    results: pa.Table
    findings: pa.Table
    exclusions: tuple[Row, ...] = ()
    complaints: tuple[str, ...] = ()


def measure_planned(planned: PlannedWorkout, *, home: Home, settings: Settings) -> WorkoutOutcome:
    """Measure one planned workout; its pairs go to the lake, the rest is given back."""
    used = [member for member in planned.workout.members if member.duplicate_of is None]
    recordings = {
        member.recording_id: read_recording(member.recording_id, lake=home.lake) for member in used
    }
    aligned = align_workout(
        planned.workout_id,
        recordings,
        workout=planned.workout,
        devices={known.recording_id: known.device for known in planned.recordings},
        settings=settings,
    )
    activity = name_activity_of(aligned.subjects, planned.notes)
    course = load_course(
        planned.notes,
        courses=home.courses,
        read=lambda path: read_line_isolated(path, settings=settings.read),
    )
    workout = Workout(
        workout_id=planned.workout_id,
        grid=aligned.grid,
        activity=activity.name,
        place=activity.place,
        subjects=aligned.subjects,
        notes=planned.notes,
        settings=settings,
        course=course.line,
        course_name=course.name,
    )
    measured = measure_workout(workout)
    write_pairs(measured.pairs, planned.workout_id, lake=home.lake)
    return WorkoutOutcome(
        workout_id=planned.workout_id,
        workout=_make_workout_row(planned, aligned, activity),
        recordings=tuple(
            _make_recording_row(planned, member) for member in planned.workout.members
        ),
        alignments=tuple(_make_alignment_rows(planned.workout_id, aligned)),
        segments=tuple(_make_segment_rows(workout)),
        setups=tuple(_make_setup_rows(planned, planned.notes)),
        devices=tuple(_make_device_row(known) for known in planned.recordings),
        results=measured.results,
        findings=measured.findings,
        exclusions=tuple(make_exclusion_rows(planned)),
        complaints=() if course.complaint is None else (course.complaint,),
    )


def _make_workout_row(planned: PlannedWorkout, aligned: Aligned, activity: Activity) -> Row:
    notes = planned.notes
    return {
        "workout_id": planned.workout_id,
        "start_utc": planned.workout.start_utc,
        "end_utc": planned.workout.end_utc,
        "activity": activity.name,
        "activity_from": activity.source,
        "place": activity.place,
        "surroundings": find_surroundings(activity.place),
        "n_devices": len({subject.device.id for subject in aligned.subjects}),
        "course": None if notes is None else notes.course,
        "notes_file_id": None if notes is None else notes.file_id,
        "local_offset_s": _find_local_offset(planned),
        "fingerprint": planned.fingerprint,
        "note": None if notes is None else notes.note,
        **mark_workout(planned),
    }


def _find_local_offset(planned: PlannedWorkout) -> int | None:
    """Return local time minus UTC [s]: from the notes, else from the first device that knows it."""
    if planned.notes is not None and planned.notes.local_offset_s is not None:
        return planned.notes.local_offset_s
    known = (one.header.local_offset_s for one in planned.recordings)
    return next((offset for offset in known if offset is not None), None)


def _make_recording_row(planned: PlannedWorkout, member: Member) -> Row:
    known = planned.find(member.recording_id)
    header = known.header
    remarks = [text for text in (known.remarks, member.note) if text]
    return {
        "recording_id": known.recording_id,
        "file_id": known.file.file_id,
        "device_id": known.device.id,
        "workout_id": planned.workout_id,
        "start_utc": known.start_utc,
        "end_utc": known.end_utc,
        "sport": header.sport,
        "sub_sport": header.sub_sport,
        "device_distance_m": header.device_distance_m,
        "device_ascent_m": header.device_ascent_m,
        "device_descent_m": header.device_descent_m,
        "n_samples": known.n_samples,
        "duplicate_of": member.duplicate_of,
        "continues": member.continues,
        "firmware": header.firmware,
        "clock_shift_s": member.clock_shift_s,
        "status": header.status,
        "reason": header.reason,
        "creator": header.creator,
        "manufacturer": header.manufacturer,
        "product": header.product,
        "serial": header.serial,
        "reader": header.reader,
        "time_basis": header.time_basis,
        "position_kind": header.position_kind,
        "altitude_kind": header.altitude_kind,
        "pool_length_m": header.pool_length_m,
        "local_offset_s": header.local_offset_s,
        "known_by": known.identified.rule,
        "remarks": "\n".join(remarks) or None,
        **mark_recording(planned, known.device.id),
    }


def _none_if_nan(value: float) -> float | None:
    return value if isfinite(value) else None


def _make_alignment_rows(workout_id: str, aligned: Aligned) -> list[Row]:
    return [
        {
            "workout_id": workout_id,
            "recording_id": subject.recording_id,
            "offset_s": subject.alignment.offset_s,
            "method": subject.alignment.method,
            "confidence": subject.alignment.confidence,
            "reference_timeline": aligned.reference_timeline,
            "offset_error_s": _none_if_nan(subject.alignment.standard_error_s),
            "doubt_s": subject.alignment.doubt_s,
            "clock": subject.alignment.describe_clock(),
            "note": subject.alignment.note,
        }
        for subject in aligned.subjects
    ]


def _make_segment_rows(workout: Workout) -> list[Row]:
    if workout.notes is None:
        return []
    rows = []
    for part in workout.notes.segments:
        begin, end = find_ends(workout, part)
        rows.append(
            {
                "workout_id": workout.workout_id,
                "segment": part.name,
                "start_utc": _to_instant(begin),
                "end_utc": _to_instant(end),
            }
        )
    return rows


def _make_setup_rows(planned: PlannedWorkout, notes: Notes | None) -> list[Row]:
    """Return the setups of the devices that took part; a setup of another one says nothing."""
    if notes is None:
        return []
    living = {known.device.id for known in planned.recordings}
    return [
        {
            "workout_id": planned.workout_id,
            "device_id": device_id,
            "key": key,
            "value": _word_setup(value),
        }
        for device_id, setup in notes.setup.items()
        for key, value in setup.items()
        if device_id in living
    ]


def _word_setup(value: str | float | bool) -> str:  # noqa: FBT001 - a setup value may be one
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _make_device_row(known: KnownRecording) -> Row:
    device = known.device
    return {
        "device_id": device.id,
        "name": device.name,
        "role": device.role,
        "site": device.site,
        "heart_rate": device.heart_rate,
        "reference_for": ", ".join(device.channels_as_reference) or None,
        "claimed_gnss_hours": device.claimed_gnss_hours,
    }


def _to_instant(seconds: float) -> datetime:
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds)
