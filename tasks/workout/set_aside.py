"""What the notes set aside of a workout: who is left out of comparisons, and which seconds.

What is set aside for a whole device or domain is measured and marked; nothing else is compared
with it. A part of the time is left out of what is measured.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, get_args

import numpy as np

from tasks.core.registers import Domain
from tasks.workout.case import GRID_CHANNELS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from tasks.core.notes import Exclusion
    from tasks.core.registers import Metric
    from tasks.workout.case import Case, Subject, Workout

    Booleans = NDArray[np.bool_]

_DOMAINS: Final[tuple[Domain, ...]] = get_args(Domain)
#: Channels of which the values of left-out seconds are hidden from comparisons.
_CHANNELS: Final[Mapping[Domain, tuple[str, ...]]] = {
    "heart_rate": ("heart_rate_bpm",),
    "track": ("latitude_deg", "longitude_deg"),
    "distance": ("distance_m", "speed_mps", "latitude_deg", "longitude_deg"),
    "indoor": ("distance_m", "speed_mps"),
    "elevation": ("altitude_m", "pressure_pa"),
}
#: Metrics that are taken second by second, or from parts that a gap only makes shorter.
_BY_SECONDS: Final = ("hr_", "track_", "speed_", "pace_", "altitude_")
#: Metrics of the whole series of heart rate that leave out what is missing.
_FROM_START: Final = ("hr_lock_s", "hr_first_value_s")


@dataclass(frozen=True)
class View:
    """A workout as the metrics of some domains see it.

    `left_out` marks, by recording, the seconds that are set aside; `apart` are recordings that
    nothing is compared with; `reasons` say, by recording, why its values are marked.
    """

    workout: Workout
    domains: frozenset[Domain]
    left_out: Mapping[str, Booleans]
    apart: frozenset[str]
    reasons: Mapping[str, str]

    def show(self, test: Subject) -> Workout:
        """Return the workout with `test` and all that it may be compared with."""
        if not self.apart - {test.recording_id}:
            return self.workout
        return replace(
            self.workout,
            subjects=tuple(
                one
                for one in self.workout.subjects
                if one.recording_id not in self.apart or one.recording_id == test.recording_id
            ),
            memo={},
        )

    def find(self, recording_id: str) -> Subject:
        """Return a recording as these domains see it."""
        return next(one for one in self.workout.subjects if one.recording_id == recording_id)

    def decline(self, metric: Metric, case: Case) -> str | None:
        """Say why a number cannot be had without the seconds that are left out; None if it can."""
        masks = [
            self.left_out[side.recording_id]
            for side in case.sides
            if side.recording_id in self.left_out
        ]
        if not masks:
            return None
        left_out = np.logical_or.reduce(masks) & case.test.covered
        if not left_out.any():
            return None
        if metric.id in _FROM_START:
            first = int(np.flatnonzero(case.test.covered)[0])
            return _AT_START if left_out[first] else None
        if metric.whole_only:
            return None if metric.domain == "heart_rate" else _WHOLE
        if metric.id.startswith(_BY_SECONDS) or case.segment.name != "all":
            return None
        is_total = case.reference is not None and case.reference.kind in {"truth", "course"}
        rest = case.test.covered & ~left_out
        is_one_piece = int(np.count_nonzero(np.diff(rest.astype(np.int8)) == 1) + rest[0]) <= 1
        return None if is_one_piece and not is_total else _WHOLE


_AT_START: Final = "the beginning of the recording is set aside"
_WHOLE: Final = "a part of the workout is set aside, and this number needs the whole"


def divide_domains(workout: Workout) -> tuple[View, ...]:
    """Return the workout as each group of domains sees it; one view where nothing is set aside."""
    exclusions = () if workout.notes is None else workout.notes.exclusions
    groups: dict[tuple[Exclusion, ...], set[Domain]] = defaultdict(set)
    for domain in _DOMAINS:
        groups[tuple(one for one in exclusions if one.domain in {None, domain})].add(domain)
    return tuple(
        _make_view(workout, found, frozenset(domains)) for found, domains in groups.items()
    )


def _make_view(
    workout: Workout, exclusions: Sequence[Exclusion], domains: frozenset[Domain]
) -> View:
    left_out: dict[str, Booleans] = {}
    reasons: dict[str, str] = {}
    apart: set[str] = set()
    for subject in workout.subjects:
        own = [one for one in exclusions if one.concerns(subject.device.id)]
        whole = [one for one in own if not one.is_partial]
        parts = [_find_seconds(workout, one) for one in own if one.is_partial]
        if whole:
            reasons[subject.recording_id] = "; ".join(dict.fromkeys(one.because for one in whole))
        if any(one.device is not None for one in whole):
            apart.add(subject.recording_id)
        if parts:
            left_out[subject.recording_id] = np.logical_or.reduce(parts)
    if not exclusions:
        return View(workout, domains, {}, frozenset(), {})
    subjects = tuple(
        _hide(subject, left_out.get(subject.recording_id), domains) for subject in workout.subjects
    )
    hidden = replace(workout, subjects=subjects, memo={})
    return View(hidden, domains, left_out, frozenset(apart), reasons)


def _find_seconds(workout: Workout, exclusion: Exclusion) -> Booleans:
    seconds = workout.grid.seconds
    found = np.ones(seconds.shape, dtype=np.bool_)
    if exclusion.from_utc is not None:
        found &= seconds >= exclusion.from_utc.timestamp()
    if exclusion.until_utc is not None:
        found &= seconds < exclusion.until_utc.timestamp()
    return found


def _hide(subject: Subject, left_out: Booleans | None, domains: frozenset[Domain]) -> Subject:
    """Return a recording as if it had paused in the seconds that are left out."""
    if left_out is None:
        return subject
    hidden = {channel for domain in domains for channel in _CHANNELS.get(domain, ())}
    if len(domains) == len(_DOMAINS):
        hidden = set(GRID_CHANNELS)
    return replace(
        subject,
        on_grid={
            channel: np.where(left_out, np.nan, values) if channel in hidden else values
            for channel, values in subject.on_grid.items()
        },
        paused=subject.paused | left_out,
    )
