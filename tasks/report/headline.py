"""The headline of a workout's page: what happened, and the numbers of the whole in a sentence."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from tasks.core.wording import join_words, name_unit, write_number
from tasks.report.facts import ALL
from tasks.report.outcome import say_what_stood_out
from tasks.report.summary import name_reference

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tasks.report.facts import RecordingFacts, Result, WorkoutData

#: Devices that are named in the sentence of a headline; the table has the others.
_MOST_NAMED: Final = 3
_AFTER_LOCK: Final = "after_lock"


def write_headline(data: WorkoutData) -> str:
    """Return what a workout showed in one line; empty where nothing can be said."""
    if data.facts.is_excluded:
        return f"Set aside: {data.facts.excluded_because or 'see the notes'}"
    if len(data.devices) == 1:
        return f"{data.devices[0].label} was worn alone: there is nothing to compare it with"
    return say_what_stood_out(data).removesuffix(".")


def write_dek(data: WorkoutData) -> str:
    """Return the numbers behind a headline, of devices under test and their predecessors."""
    if data.facts.is_excluded:
        return ""
    named = [one for one in data.recordings if one.device.role in {"test", "predecessor"}]
    named = (named or [*data.recordings])[:_MOST_NAMED]
    return " ".join(
        part for part in (_say_heart_rate(data, named), _say_track(data, named)) if part
    )


def _say_heart_rate(data: WorkoutData, named: Sequence[RecordingFacts]) -> str:
    """Return e.g. "Against Hazel A was off by 7.7 bpm on average and B by 2.2; once locked ..."."""
    whole = _find_each(data, named, "hr_mae_bpm")
    if not whole:
        return ""
    labels = [label for label, _ in whole]
    if any(one.is_difference for _, one in whole):
        if len(labels) != 2:  # noqa: PLR2004 - two devices differ from each other by one number
            return ""
        return f"On average their heart rates differed by {_list_values(data, whole[:1])}."
    names = dict.fromkeys(name_reference(data, one.reference or "") for _, one in whole)
    first, *others = [
        f"{label} {{}}by {_list_values(data, [(label, one)])}" for label, one in whole
    ]
    said = join_words([first.format("was off on average "), *(one.format("") for one in others)])
    locked = _find_each(data, named, "hr_mae_bpm", segment=_AFTER_LOCK)
    later = ""
    if [label for label, _ in locked] == labels and _list_values(data, locked) != _list_values(
        data, whole
    ):
        later = f"; once locked by {_list_values(data, locked)}"
    return f"Against {' and '.join(names)} {said}{later}."


def _say_track(data: WorkoutData, named: Sequence[RecordingFacts]) -> str:
    found = _find_each(data, named, "track_cross_median_m")
    if not found or any(one.is_difference for _, one in found):
        return ""
    lines = dict.fromkeys(name_reference(data, one.reference or "") for _, one in found)
    whose = join_words([label for label, _ in found])
    tracks = f"the track of {whose}" if len(found) == 1 else f"the tracks of {whose}"
    values = _list_values(data, found)
    return f"Half of the time {tracks} lay within {values} of {' and '.join(lines)}."


def _find_each(
    data: WorkoutData, named: Sequence[RecordingFacts], metric: str, *, segment: str = ALL
) -> list[tuple[str, Result]]:
    found = []
    for recording in named:
        result = data.find(recording.recording_id, metric, segment=segment)
        if result is not None and result.value is not None and not result.is_excluded:
            found.append((recording.device.label, result))
    return found


def _list_values(data: WorkoutData, found: Sequence[tuple[str, Result]]) -> str:
    """Return numbers in the order of their devices, the unit once: "5.6 and 2.0 bpm"."""
    units = data.settings.units
    unit = name_unit(found[0][1].unit, units=units)
    numbers = [
        write_number(one.value, one.unit, units=units, metric=one.metric) for _, one in found
    ]
    return f"{join_words(numbers)}\N{NO-BREAK SPACE}{unit}"
