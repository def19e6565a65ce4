"""What a section shows, in one line: the summary of a folded section, and what stood out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from tasks.core.wording import MISSING, count, is_signed, join_words, name_unit, write_number
from tasks.report.corners import CUT_CORNER
from tasks.report.summary import name_reference
from tasks.report.words import STANDING_OUT, STANDING_OUT_IN, summarise_kind

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tasks.report.facts import FindingFacts, Result, WorkoutData

#: What is said of a section: words, and the number of each device; the first that there is.
_OUTCOMES: Final = {
    "heart_rate": (("mean absolute {deviation}", "hr_mae_bpm"),),
    "parts": (("once locked, mean absolute {deviation}", "hr_mae_bpm:after_lock"),),
    "response": (
        ("delay at half of a rise", "hr_rise_delay_s"),
        ("lag", "hr_lag_s"),
        ("missed rises", "hr_missed_rises_pct"),
    ),
    "agreement": (("mean {deviation}", "hr_bias_bpm"),),
    "track": (("median distance from the line", "track_cross_median_m"),),
    "distance": (("distance {deviation}", "distance_error_pct"), ("distance", "distance_own_m")),
    "elevation": (("ascent {deviation}", "ascent_error_pct"), ("ascent", "ascent_m")),
    "swimming": (
        ("lengths miscounted", "swim_lengths_error"),
        ("lengths", "swim_lengths"),
    ),
    "battery": (("use", "battery_rate_pct_per_h"),),
}
_MOST_STANDING_OUT: Final = 3
#: So many devices are named in a line; they come in the order of their roles.
_MOST_EACH: Final = 4
#: Sections whose figures tell their findings in the title.
_TITLED: Final = frozenset({"heart_rate", "track"})


def write_outcome(data: WorkoutData, section: str, *, n_findings: int = 0) -> str:
    """Return what a section shows in one line, e.g. "lag: Alder 2 3 s, Alder 1 5 s; 2 findings"."""
    said = next(
        (
            line
            for words, metric in _OUTCOMES.get(section, ())
            if (line := _say_each(data, words, metric))
        ),
        "",
    )
    found = count(n_findings, "finding") if n_findings else ""
    line = "; ".join(part for part in (said, found) if part)
    return f"{line[:1].upper()}{line[1:]}"


def _say_each(data: WorkoutData, words: str, metric: str) -> str:
    name, _, segment = metric.partition(":")
    found: list[tuple[str, Result]] = []
    for recording in data.recordings:
        result = data.find(recording.recording_id, name, segment=segment or "all")
        if result is not None and result.value is not None and not result.is_excluded:
            found.append((recording.device.label, result))
    if not found:
        return ""
    what = words.format(deviation=_name_deviation(data, found))
    return f"{what}: {_list_each(data, found)}"


def _list_each(data: WorkoutData, found: Sequence[tuple[str, Result]]) -> str:
    """Return the number of each device; of many the first ones, and the range of the others."""
    first = found if len(found) <= _MOST_EACH else found[: _MOST_EACH - 1]
    said = [f"{label} {_write(data, result)}" for label, result in first]
    rest = sorted((one for _, one in found[len(first) :]), key=lambda one: one.value or 0.0)
    if rest:
        low, high = _write(data, rest[0]), _write(data, rest[-1])
        said.append(f"{len(rest)} others {low if low == high else f'{low} to {high}'}")
    return ", ".join(said)


def _name_deviation(data: WorkoutData, found: Sequence[tuple[str, Result]]) -> str:
    """Return "error", or "difference from Alder 1" where nothing is a reference."""
    differing = [one.reference for _, one in found if one.is_difference and one.reference]
    if len(differing) < len(found):
        return "error"
    names = sorted({name_reference(data, one) for one in differing})
    return f"difference from {names[0]}" if len(names) == 1 else "difference"


def _write(data: WorkoutData, result: Result) -> str:
    units = data.settings.units
    signed = is_signed(result.metric)
    number = write_number(
        result.value, result.unit, units=units, metric=result.metric, signed=signed
    )
    unit = name_unit(result.unit, units=units)
    return number if number == MISSING or not unit else f"{number}\N{NO-BREAK SPACE}{unit}"


def title_figure(data: WorkoutData, section: str) -> str:
    """Return the finding of a section as the title of its figure; empty where there is none."""
    kinds = STANDING_OUT_IN[section] if section in _TITLED else ()
    if any(one.kind in kinds for one in data.findings):
        said = say_what_stood_out(data, kinds=kinds, with_quiet=False)
        if said:
            return said.removesuffix(".")
    return write_outcome(data, section)


def say_what_stood_out(
    data: WorkoutData,
    *,
    kinds: Sequence[str] = STANDING_OUT,
    with_quiet: bool = True,
) -> str:
    """Return what happened to the devices under test, or to all where none is, as one sentence.

    Only findings of `kinds` count; `with_quiet` names the devices of which nothing stood out.
    """
    tested = [one for one in data.recordings if one.device.role == "test"] or [*data.recordings]
    said, quiet = [], []
    for recording in tested:
        own = [one for one in data.findings if one.recording_id == recording.recording_id]
        words = [
            _summarise(kind, [one for one in own if one.kind == kind])
            for kind in kinds
            if any(one.kind == kind for one in own)
        ]
        if words:
            said.append(f"{recording.device.label} {join_words(words[:_MOST_STANDING_OUT])}")
        elif with_quiet and recording.device.role == "test":
            quiet.append(recording.device.label)
    if quiet:
        said.append(f"nothing stood out of {join_words(quiet)}")
    text = "; ".join(said)
    return f"{text[:1].upper()}{text[1:]}." if text else ""


def _summarise(kind: str, found: Sequence[FindingFacts]) -> str:
    # A corner may be cut from two references at once; the first one counts.
    if kind == CUT_CORNER:
        found = [one for one in found if one.reference == found[0].reference]
    return summarise_kind(kind, len(found), sum(one.end_s - one.start_s for one in found))
