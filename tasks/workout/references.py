"""Against what is each device held, decided here and nowhere else.

The order is that of the methods: truth from the notes, a course, the designated reference device,
a consensus that leaves the judged device out and whose members agree, another device. A reference
device is judged by truth, course and other references only: what it judges does not judge it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.maths.geodesy import compute_leg_lengths, compute_path_length_m
from tasks.maths.resample import interpolate_to_grid
from tasks.tables.arrow import read_floats
from tasks.workout.battery_levels import list_levels
from tasks.workout.case import Reference, refer_to
from tasks.workout.consensus import CHANNELS, CONSENSUS_DEVICES, build_consensus
from tasks.workout.shared_signals import DECIDING, find_shared, leave_one_each
from tasks.workout.swim_lengths import has_lengths
from tasks.workout.tracks import get_fixes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tasks.core.registers import Against, ReferenceKind
    from tasks.workout.case import Subject, Workout

    Floats = NDArray[np.float64]

#: Of devices that are no references the one that is known longest goes first.
_ROLES: Final = ("reference", "predecessor", "peer", "test")
#: Where positions are invented, or where nobody moves over ground.
_PLACES_WITHOUT_WAY: Final = ("treadmill", "trainer", "gym", "pool")
_NOT_JUDGED: Final = "a reference device is not judged by devices that are none"
_VIRTUAL: Final = "a virtual ride is not compared by position, speed or distance"
_PERCENT: Final = 100.0
#: Share of the seconds between its first and last value in which a steady device has one.
_STEADY_SHARE: Final = 0.9
_FEWEST_FIXES: Final = 2


@dataclass(frozen=True)
class Choice:
    """The references of a device for one channel, the best first, or why there is none."""

    references: tuple[Reference, ...]
    reason: str | None = None


def choose_references(workout: Workout, test: Subject, kind: Against) -> Choice:
    """Choose what `test` is compared with for `kind`.

    Truth and course come first and, for distance, the device reference is given beside them. A
    device is never part of the consensus that judges it.
    """
    if kind == "truth":
        return _choose_truth(workout)
    if kind in {"lengths", "battery"}:
        return _choose_holders(workout, test, kind)
    reason = _explain_no_way(workout, test, kind)
    if reason is not None:
        return Choice((), reason)
    references: list[Reference] = []
    if kind == "distance" and _knows_distance(workout):
        references += _choose_truth(workout).references
    if kind in {"position", "distance"} and workout.course is not None:
        references.append(_refer_to_course(workout, kind))
        if kind == "position":
            return Choice(tuple(references))
    device = _choose_device(workout, test, kind)
    return Choice((*references, *device.references), None if references else device.reason)


def _explain_no_way(workout: Workout, test: Subject, kind: Against) -> str | None:
    """Say why a way over ground cannot be compared; None where it can."""
    is_virtual = test.recording.header.position_kind == "virtual"
    if kind in {"position", "speed", "distance"} and is_virtual:
        return _VIRTUAL
    if kind == "position" and workout.place in _PLACES_WITHOUT_WAY:
        return f"positions are not compared where the place is {workout.place!r}"
    return None


# --- truth and course -------------------------------------------------------------------------
def _choose_truth(workout: Workout) -> Choice:
    notes = workout.notes
    if notes is None:
        return Choice((), "the notes give no true value: there are no notes for this workout")
    truth = notes.truth
    uncertainty = None
    if truth.distance_m is not None and truth.distance_tolerance_pct is not None:
        uncertainty = truth.distance_m * truth.distance_tolerance_pct / _PERCENT
    return Choice((Reference("truth", "truth", why="the notes state it", uncertainty=uncertainty),))


def _knows_distance(workout: Workout) -> bool:
    """Say whether the notes hold a true distance of the whole or of a part."""
    notes = workout.notes
    if notes is None:
        return False
    parts = (part.distance_m for part in notes.segments)
    return notes.truth.distance_m is not None or any(part is not None for part in parts)


def _refer_to_course(workout: Workout, kind: Against) -> Reference:
    """Make the course the reference, with what a course may itself be off [m]."""
    limits = workout.settings.position
    uncertainty = limits.course_side_m
    if kind == "distance" and workout.course is not None:
        length = compute_path_length_m(workout.course[:, 0], workout.course[:, 1])
        uncertainty = length * limits.course_length_pct / _PERCENT
    return Reference(
        f"course:{workout.course_name}",
        "course",
        why="course named in the notes",
        uncertainty=uncertainty,
    )


# --- devices ----------------------------------------------------------------------------------
def _choose_holders(workout: Workout, test: Subject, kind: Against) -> Choice:
    """Return the truth about lengths, then every other device that knows lengths or levels."""
    references: list[Reference] = []
    notes = workout.notes
    if (
        kind == "lengths"
        and notes is not None
        and (notes.truth.known_lengths or notes.truth.strokes)
    ):
        references += _choose_truth(workout).references
    holders = [
        subject
        for subject in workout.subjects
        if subject.recording_id != test.recording_id
        and (has_lengths(subject) if kind == "lengths" else list_levels(workout, subject).is_known)
    ]
    if test.device.role == "reference" and kind == "lengths":
        holders = [subject for subject in holders if _is_judge(subject, kind)]
    for subject in sorted(holders, key=lambda one: _rank_holder(one, kind)):
        worth: ReferenceKind = "device" if _is_judge(subject, kind) else "comparison"
        references.append(refer_to(subject, worth, why=f"another device that knows its {kind}"))
    reason = f"neither the notes nor another device of this workout know {kind}"
    return Choice(tuple(references), None if references else reason)


def _is_judge(subject: Subject, kind: Against) -> bool:
    """Say whether a device is a reference of pool lengths; of batteries none is."""
    return kind == "lengths" and subject.device.is_reference_for("distance")


def _rank_holder(subject: Subject, kind: Against) -> tuple[bool, int, str]:
    """Put references first, then devices by role; names never decide."""
    return not _is_judge(subject, kind), _ROLES.index(subject.device.role), subject.recording_id


def _choose_device(workout: Workout, test: Subject, kind: Against) -> Choice:
    subjects = workout.subjects
    if kind == "distance":
        subjects = tuple(give_distance(workout, subject) for subject in subjects)
    holders = [
        subject
        for subject in subjects
        if all(subject.has(channel) for channel in CHANNELS[kind])
        and not (kind != "heart_rate" and subject.recording.header.position_kind == "virtual")
    ]
    if kind != "heart_rate" and test.recording.header.position_kind == "virtual":
        return Choice((), _VIRTUAL)
    ranked = _rank_references(holders, kind)
    if ranked and ranked[0].recording_id == test.recording_id:
        return Choice((), "this device is the reference")
    shared = {one.other.recording_id: one for one in find_shared(workout, test, kind)}
    ranked = [one for one in ranked if one.recording_id not in shared]
    others = [
        subject
        for subject in holders
        if subject.recording_id not in {test.recording_id, *shared} and _is_meant_for(subject, kind)
    ]
    if not others:
        return Choice((), _explain_nobody(workout, test, kind))
    if ranked:
        why = f"reference for {kind.replace('_', ' ')}"
        return Choice((_refer(ranked[0], "device", kind=kind, why=why),))
    if test.device.role == "reference":
        return Choice((), _NOT_JUDGED)
    return Choice((_compare_with_others(workout, others, kind),))


def _explain_nobody(workout: Workout, test: Subject, kind: Against) -> str:
    """Say that nobody else knows what is asked for, and whose channel is not used."""
    shared = find_shared(workout, test, kind)
    if shared:
        same = " and ".join(one.describe(kind) for one in shared)
        return f"{same}: that is no comparison"
    nobody = f"no other device of this workout recorded {kind.replace('_', ' ')}"
    unused = [
        f"that of {other.device.id} is {other.explain_lack(*CHANNELS[kind], otherwise='')}"
        for other in workout.subjects
        if other.recording_id != test.recording_id
        and any(channel in other.withheld for channel in CHANNELS[kind])
    ]
    return "; ".join([f"{nobody} in a unit that fits" if unused else nobody, *unused])


def _is_meant_for(subject: Subject, kind: Against) -> bool:
    """Say whether a device may judge others: a strap without positions knows heart rate only."""
    device = subject.device
    knows_all = not device.is_strap or subject.has("latitude_deg")
    return kind == "heart_rate" or knows_all or device.is_reference_for(DECIDING[kind])


def _compare_with_others(workout: Workout, others: list[Subject], kind: Against) -> Reference:
    """Compare with what the others agree on; where they do not, with the best known of them.

    Those that show one signal count once.
    """
    others = leave_one_each(workout, others, kind)
    doubt = "the only other device"
    if len(others) >= CONSENSUS_DEVICES:
        consensus, doubt = _refer_to_consensus(workout, others, kind)
        if consensus is not None:
            return consensus
    chosen = min(
        others,
        key=lambda subject: (
            _ROLES.index(subject.device.role),
            -np.isfinite(subject.values(CHANNELS[kind][0])).sum(),
            subject.recording_id,
        ),
    )
    why = f"{doubt}; which of the two is right is not known"
    return _refer(chosen, "comparison", kind=kind, why=why)


def _rank_references(holders: list[Subject], kind: Against) -> list[Subject]:
    """Return the reference devices of `kind`, best first.

    Ecg goes before optical, then what holds more seconds. Names never decide.
    """
    channel = DECIDING[kind]
    references = [subject for subject in holders if subject.device.is_reference_for(channel)]
    return sorted(
        references,
        key=lambda subject: (
            kind == "heart_rate" and subject.device.heart_rate != "ecg",
            -np.isfinite(subject.values(CHANNELS[kind][0])).sum(),
            subject.recording_id,
        ),
    )


def _refer(subject: Subject, worth: ReferenceKind, *, kind: Against, why: str) -> Reference:
    """Make one device the reference; for positions with its own estimate of its error [m]."""
    uncertainty = None
    if (
        kind == "distance"
        and not np.isfinite(read_floats(subject.recording.samples, "distance_m")).any()
    ):
        why = f"{why}; its distance is the sum of its fixes"
    if kind == "position":
        accuracy = read_floats(subject.recording.samples, "position_accuracy_m")
        known = accuracy[np.isfinite(accuracy)]
        uncertainty = float(np.median(known)) if known.size else None
    return refer_to(subject, worth, why=why, uncertainty=uncertainty)


def _refer_to_consensus(
    workout: Workout, others: list[Subject], kind: Against
) -> tuple[Reference | None, str]:
    """Return the consensus, or why the others do not make one."""
    others = _leave_out_intermittent(others, CHANNELS[kind][0])
    consensus = build_consensus(workout, others, kind)
    known = np.isfinite(next(iter(consensus.on_grid.values())))
    names = ", ".join(sorted(subject.device.id for subject in others))
    if consensus.doubt is not None:
        return None, f"{names} do not agree: {consensus.doubt}"
    middle = "geometric median" if kind == "position" else "median"
    reference = Reference(
        "consensus",
        "consensus",
        why=f"{middle} of {names}",
        on_grid=consensus.on_grid,
        covered=known,
        uncertainty=consensus.uncertainty,
    )
    return reference, ""


def give_distance(workout: Workout, subject: Subject) -> Subject:
    """Return a recording without a distance counter the running sum of its fixes as one [m].

    Many exports hold positions only. Pauses count nothing, gaps over what is bridged are missing.
    """
    if subject.has("distance_m"):
        return subject
    fixes = get_fixes(workout, subject)
    if fixes.n < _FEWEST_FIXES or subject.recording.header.position_kind == "virtual":
        return subject
    legs = compute_leg_lengths(fixes.latitude_deg, fixes.longitude_deg)
    counted = np.where(np.diff(fixes.piece) == 0, legs, 0.0)
    way = np.concatenate([[0.0], np.cumsum(counted)])
    second, first = np.unique(fixes.second, return_index=True)
    on_grid = interpolate_to_grid(
        np.arange(workout.grid.n_seconds),
        second,
        way[first],
        max_gap_s=workout.settings.align.max_gap_position_s,
    )
    return replace(subject, on_grid={**subject.on_grid, "distance_m": on_grid})


def _leave_out_intermittent(others: list[Subject], channel: str) -> list[Subject]:
    """Leave out devices that are missing time and again, where enough steady ones remain.

    Each time that one comes or goes the middle moves a little, hundreds of times in an hour.
    """
    steady = []
    for subject in others:
        held = np.flatnonzero(np.isfinite(subject.values(channel)))
        if held.size >= _STEADY_SHARE * (held[-1] - held[0] + 1):
            steady.append(subject)
    return steady if len(steady) >= CONSENSUS_DEVICES else others
