"""Pairs recordings into workouts and finds those that something has changed for."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from dataclasses import asdict, dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING, Any, Final

from tasks.archive.lake import read_recording
from tasks.core.discovery import load_metrics
from tasks.core.registers import FINDING_KINDS, METRICS
from tasks.pair import Candidate, Grouping, WorkoutMembers, pair_recordings
from tasks.processing.assign import DAY, assign_notes, check_exclusions, check_segments
from tasks.processing.automatic import AUTOMATIC_RULE, AutomaticNames
from tasks.processing.units import part_units
from tasks.processing.whole_notes import take_out_wholes

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime
    from pathlib import Path

    from config.devices import Device
    from config.settings import Settings
    from tasks.core.notes import Notes
    from tasks.core.recording import Header
    from tasks.processing.known import KnownRecording

#: Goes up when pairing, alignment or the choice of references may give other results.
LINE_VERSION: Final = 9
#: Stands between the halves of a fingerprint.
_SEPARATOR: Final = "-"


@dataclass(frozen=True)
class PlannedWorkout:
    """A workout to be measured: who took part, whose notes apply, and what all of it hangs on.

    `fingerprint` changes whenever something changes that the results depend on.
    """

    workout_id: str
    workout: WorkoutMembers
    recordings: tuple[KnownRecording, ...]
    notes: Notes | None
    fingerprint: str

    def find(self, recording_id: str) -> KnownRecording:
        """Return the recording of that id."""
        return next(known for known in self.recordings if known.recording_id == recording_id)


@dataclass(frozen=True)
class Plan:
    """What to measure, which workouts are gone, and what was left as it is.

    `vanished` are workouts whose recordings have all gone, to others or for good; `gone` are
    recordings whose export is refused by now; `unchanged` are workouts whose fingerprint is that
    of their newest results; `unclaimed_notes` fit no workout; `unplaced` are recordings that only
    count from a start that nothing gave: they are no workout; `considered` are all recordings that
    were looked at; `complaints` are one line each, and so are `hints`.
    """

    workouts: tuple[PlannedWorkout, ...]
    considered: frozenset[str] = frozenset()
    vanished: tuple[str, ...] = ()
    gone: tuple[str, ...] = ()
    unchanged: tuple[str, ...] = ()
    unclaimed_notes: tuple[str, ...] = ()
    unplaced: tuple[str, ...] = ()
    complaints: tuple[str, ...] = ()
    hints: tuple[str, ...] = ()


def plan(
    recordings: Sequence[KnownRecording],
    notes: Sequence[Notes],
    *,
    lake: Path,
    settings: Settings,
    fingerprints: Mapping[str, str | None],
    course_marks: Mapping[str, str] | None = None,
    gone: Mapping[str, str] | None = None,
    names: AutomaticNames | None = None,
) -> Plan:
    """Pair `recordings` and find the workouts whose fingerprint differs from `fingerprints`.

    `fingerprints` holds those of the stored workouts by id; `course_marks` a content hash per
    course name; `gone` the workouts of recordings that are stored and no longer there. `notes` are
    in the order in which they came: of two for one workout the later one applies. `names` deals
    ids to units that nobody described.
    """
    by_id = {known.recording_id: known for known in recordings}
    workouts = pair_recordings(
        [_make_candidate(known) for known in recordings],
        lambda recording_id: read_recording(recording_id, lake=lake),
        settings=settings.pair,
        starts_of_notes=[one.start_utc for one in notes if not one.whole_day and not one.adds],
        grouping=Grouping(tuple(found for one in notes for found in one.groups)),
    )
    unplaced = _find_unplaced(workouts, by_id)
    named = _name_workouts([one for one in workouts if not unplaced & _list_ids(one)], by_id)
    marks = course_marks or {}
    names = names or AutomaticNames()
    planned: list[PlannedWorkout] = []
    unchanged: list[str] = []
    complaints: list[str] = []
    assigned = assign_notes(notes, named, by_id)
    noted, of_wholes = take_out_wholes(assigned.applies, named, by_id)
    for workout_id, workout in named.items():
        members, doubts = part_units(workout, _share_names(workout, by_id), names)
        applies = noted.get(workout_id)
        fingerprint = _fingerprint(workout, members, applies, settings=settings, marks=marks)
        if fingerprints.get(workout_id) == fingerprint:
            unchanged.append(workout_id)
        else:
            planned.append(PlannedWorkout(workout_id, workout, members, applies, fingerprint))
            complaints += doubts
    before = {
        known.workout_id
        for known in recordings
        if known.workout_id is not None
        and (known.recording_id not in unplaced or known.workout_id in fingerprints)
    }
    before.update((gone or {}).values())
    return Plan(
        workouts=tuple(planned),
        considered=frozenset(by_id),
        vanished=tuple(sorted(before - set(named))),
        gone=tuple(gone or ()),
        unchanged=tuple(unchanged),
        unclaimed_notes=assigned.unclaimed,
        unplaced=tuple(sorted(unplaced)),
        hints=tuple(of_wholes[one.workout_id] for one in planned if one.workout_id in of_wholes),
        complaints=(
            *complaints,
            *assigned.complaints,
            *(
                complaint
                for one in planned
                if one.notes is not None
                for complaint in (
                    *check_segments(one.notes, one.workout),
                    *check_exclusions(
                        one.notes, one.workout, {known.device.id for known in one.recordings}
                    ),
                )
            ),
        ),
    )


def _find_unplaced(
    workouts: Sequence[WorkoutMembers], by_id: Mapping[str, KnownRecording]
) -> frozenset[str]:
    """Return the recordings that only count from their start and found no place in time."""
    return frozenset(
        member.recording_id
        for workout in workouts
        for member in workout.members
        if not member.clock_shift_s and by_id[member.recording_id].header.time_basis == "elapsed"
    )


def _list_ids(workout: WorkoutMembers) -> frozenset[str]:
    return frozenset(member.recording_id for member in workout.members)


def _make_candidate(known: KnownRecording) -> Candidate:
    return Candidate(
        recording_id=known.recording_id,
        device_id=known.device.id,
        start_utc=known.start_utc,
        end_utc=known.end_utc,
        sport=known.header.sport,
        time_basis=known.header.time_basis,
        position_kind=known.header.position_kind,
        file_name=known.file.name,
        n_samples=known.n_samples,
        known_workout_id=known.workout_id,
        is_described=known.identified.rule != AUTOMATIC_RULE,
    )


def _name_workouts(
    workouts: Sequence[WorkoutMembers], by_id: Mapping[str, KnownRecording]
) -> dict[str, WorkoutMembers]:
    """Return each workout its id: the one that most of its members had, else a new one.

    An id goes to one workout only: to the one that it was made for, when workouts that were joined
    part again, else to the one that holds more of its former members.
    """
    made = [_make_workout_id(workout) for workout in workouts]
    claims = sorted(
        (
            (workout_id != made[number], -count, workout.start_utc, workout_id, number)
            for number, workout in enumerate(workouts)
            for workout_id, count in _count_former_ids(workout, by_id).items()
        ),
    )
    names: dict[int, str] = {}
    for _, _, _, workout_id, number in claims:
        if number not in names and workout_id not in names.values():
            names[number] = workout_id
    return {names.get(number) or made[number]: workout for number, workout in enumerate(workouts)}


def _share_names(
    workout: WorkoutMembers, by_id: Mapping[str, KnownRecording]
) -> tuple[KnownRecording, ...]:
    """Return the members of a workout; exports of one recording are of one device.

    A rule that knows one of them names all of them: a GPX holds no serial number, a FIT file may
    lie in no folder. Where rules know several, the one of the export that is used counts.
    """
    names: dict[str, KnownRecording] = {}
    for member in sorted(workout.members, key=lambda member: member.duplicate_of is not None):
        used = member.duplicate_of or member.recording_id
        known = by_id[member.recording_id]
        if used not in names or names[used].identified.rule == AUTOMATIC_RULE:
            names[used] = known
    return tuple(
        replace(
            by_id[member.recording_id],
            identified=names[member.duplicate_of or member.recording_id].identified,
        )
        for member in workout.members
    )


def _count_former_ids(workout: WorkoutMembers, by_id: Mapping[str, KnownRecording]) -> Counter[str]:
    former = (by_id[member.recording_id].workout_id for member in workout.members)
    return Counter(workout_id for workout_id in former if workout_id is not None)


def _make_workout_id(workout: WorkoutMembers) -> str:
    """Name a new workout by its start and its first recording."""
    first = min(member.recording_id for member in workout.members)
    return f"{workout.start_utc:%Y%m%dT%H%MZ}-{first[:6]}"


def _fingerprint(
    workout: WorkoutMembers,
    members: Sequence[KnownRecording],
    notes: Notes | None,
    *,
    settings: Settings,
    marks: Mapping[str, str],
) -> str:
    course = None if notes is None else notes.course
    facts = {
        "members": sorted(
            (asdict(replace(member, note=None)) for member in workout.members),
            key=lambda member: str(member["recording_id"]),
        ),
        "devices": sorted(_mark_device(known.device, known.recording_id) for known in members),
        "files": sorted((known.recording_id, *_mark_reading(known.header)) for known in members),
        "notes": None if notes is None else notes.mark,
    }
    circumstances = mark_circumstances(settings, course, marks=marks)
    return f"{circumstances}{_SEPARATOR}{_hash(facts)}"


def mark_circumstances(settings: Settings, course: str | None, *, marks: Mapping[str, str]) -> str:
    """Return the first half of a fingerprint: what results hang on beside recordings and notes.

    Computed without a look at any recording, which tells quickly what a new setting, metric or
    course has made outdated.
    """
    load_metrics()
    return _hash(
        {
            "line": LINE_VERSION,
            "course": None if course is None else marks.get(course),
            "settings": settings.hash_of_values,
            "metrics": sorted((metric.id, metric.version) for metric in METRICS.values()),
            "findings": sorted((kind.kind, kind.version) for kind in FINDING_KINDS.values()),
        }
    )


def read_circumstances(fingerprint: str | None) -> str:
    """Return the first half of a fingerprint that was stored."""
    return (fingerprint or "").partition(_SEPARATOR)[0]


def _hash(facts: Mapping[str, Any]) -> str:
    return hashlib.sha256(json.dumps(facts, sort_keys=True).encode()).hexdigest()[:12]


def _mark_reading(header: Header) -> tuple[str, ...]:
    """Return what the times and values of a recording depend on beside the bytes of its export."""
    part = () if header.part is None else (header.part,)
    if header.time_basis == "notes":
        return header.reader, f"{header.local_offset_s} s", *part
    return (header.reader, *part)


def _mark_device(device: Device, recording_id: str) -> tuple[str, str]:
    """Return what results depend on in a device: everything but what found or finds it."""
    return recording_id, device.model_dump_json(exclude={"match", "was"})


def find_windows(
    recordings: Sequence[KnownRecording],
    notes: Sequence[Notes],
    *,
    former: Sequence[tuple[datetime, datetime]] = (),
    settings: Settings,
) -> list[tuple[datetime, datetime]]:
    """Return the spans in which partners of new `recordings` and `notes` can lie.

    `former` are spans that recordings had which lie elsewhere by now, or are gone.
    """
    reach = timedelta(hours=settings.pair.max_clock_shift_h + 1.0)
    own = [(known.start_utc, known.end_utc) for known in recordings]
    spans = [(begin - reach, end + reach) for begin, end in (*own, *former)]
    spans += [(one.start_utc - reach, one.start_utc + reach) for one in notes]
    return spans + [(one.start_utc, one.start_utc + DAY + reach) for one in notes if one.whole_day]
