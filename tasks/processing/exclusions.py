"""Rows that say what was set aside of a workout and of its recordings."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from tasks.core.notes import Exclusion
    from tasks.processing.plan import PlannedWorkout

Row = dict[str, Any]


def make_exclusion_rows(planned: PlannedWorkout) -> Iterator[Row]:
    """Return one row of `exclusions` for each thing that the notes set aside."""
    for number, one in enumerate(_list(planned), start=1):
        yield {
            "workout_id": planned.workout_id,
            "number": number,
            "device_id": one.device,
            "domain": one.domain,
            "start_utc": one.from_utc,
            "end_utc": one.until_utc,
            "because": one.because,
            "file_id": one.file_id or None,
        }


def mark_workout(planned: PlannedWorkout) -> Row:
    """Return what the row of a workout says of being set aside."""
    return _mark([one for one in _list(planned) if one.device is None])


def mark_recording(planned: PlannedWorkout, device_id: str) -> Row:
    """Return what the row of a recording says of being set aside."""
    return _mark([one for one in _list(planned) if one.concerns(device_id)])


def describe_exclusion(one: Exclusion) -> str:
    """Say what of a device or workout is set aside, and why."""
    parts = [] if one.domain is None else [one.domain.replace("_", " ")]
    if one.from_utc is not None:
        parts.append(f"from {one.from_utc:%H:%M:%S} UTC")
    if one.until_utc is not None:
        parts.append(f"until {one.until_utc:%H:%M:%S} UTC")
    return f"{' '.join(parts)}: {one.because}" if parts else one.because


def _list(planned: PlannedWorkout) -> Sequence[Exclusion]:
    """Return what is set aside of devices that took part."""
    if planned.notes is None:
        return ()
    living = {known.device.id for known in planned.recordings}
    return [one for one in planned.notes.exclusions if one.device is None or one.device in living]


def _mark(found: Iterable[Exclusion]) -> Row:
    several = tuple(found)
    return {
        "is_excluded": any(one.domain is None and not one.is_partial for one in several),
        "excluded_because": "; ".join(dict.fromkeys(map(describe_exclusion, several))) or None,
    }
