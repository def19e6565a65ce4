"""Findings in plain language; times of day are on the wall clock of the workout's zone."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, Final

from tasks.core.wording import (
    MINUS,
    convert,
    count,
    find_decimals,
    name_kind,
    write_clock,
    write_duration,
)

if TYPE_CHECKING:
    from tasks.report.facts import FindingFacts, WorkoutData


#: How deep a corner was cut, at the beginning of a note; and amounts that have a statute unit.
_DEPTH: Final = re.compile(r"^-?[\d.]+ m inside")
#: The blank between a number and its unit.
_UNIT: Final = re.compile(r"(?<=\d) (?=(?:bpm|%|km|m|mi|ft|s|min|h)\b|%)")
#: The blank in a name that ends in a number.
_NAME: Final = re.compile(
    r"(?<=[a-z]) (?=\d{1,2}(?:[,;.' )]|$))(?<!by )(?<!of )(?<!after )(?<!or )"
)
#: A hyphen that stands for a minus.
_HYPHEN: Final = re.compile(r"(?<![\w.])-(?=\d)")
_AMOUNT: Final = re.compile(r"(?<![\w.])(-?\d+(?:\.\d+)?) (km|m/s|m/h|m)(?![\w/])")

#: Kinds of finding that stand out, by section, the first ones first.
STANDING_OUT_IN: Final[Mapping[str, tuple[str, ...]]] = {
    "heart_rate": (
        "late_lock",
        "cadence_lock",
        "biased_stretch",
        "missed_rise",
        "dropout",
        "spike",
        "frozen",
    ),
    "distance": ("false_pause",),
    "track": ("cut_corner", "position_jump", "position_gap"),
    "elevation": ("altitude_jump",),
    "swimming": ("stroke_misread",),
}
STANDING_OUT: Final = tuple(kind for kinds in STANDING_OUT_IN.values() for kind in kinds)
ROLES: Final[Mapping[str, str]] = {
    "test": "under test",
    "predecessor": "predecessor",
    "reference": "reference",
    "peer": "peer",
}


def describe_finding(finding: FindingFacts, data: WorkoutData) -> str:
    """Say in plain words what happened and when, e.g. "read about 14 bpm low from ... to ..."."""
    words = describe_event(
        finding, local_offset_s=data.facts.local_offset_s or 0, units=data.settings.units
    )
    if finding.kind == "shared_signal":
        for device in data.devices:
            if words.endswith(f" of {device.device_id}"):
                return words.removesuffix(device.device_id) + device.label
    return words


def describe_event(finding: FindingFacts, *, local_offset_s: int, units: str) -> str:
    """Say in plain words what a finding is, on the wall clock of a zone."""
    start, end = finding.start_s + local_offset_s, finding.end_s + local_offset_s
    lasted = write_duration(finding.end_s - finding.start_s)
    when = f"from {write_clock(start)} to {write_clock(end)} ({lasted})"
    at = f"at {write_clock(start)}"
    size = abs(finding.size) if finding.size is not None else None
    amount = _write_size(size, finding.unit, units=units)
    side = "high" if (finding.size or 0.0) > 0 else "low"
    sentences = {
        "late_lock": f"locked only after {lasted}, at {write_clock(end)}",
        "dropout": f"gave no heart rate {when}",
        "spike": f"jumped {amount} {side} {at} for {lasted}",
        "biased_stretch": f"read about {amount} {side} {when}",
        "missed_rise": f"missed a rise {when} and ended it {amount} {side}",
        "cadence_lock": f"followed the cadence instead of the heart {when}, {amount} {side}",
        "cut_corner": f"cut a corner by {amount} {at}",
        # Its note says it all, in the units that are asked for.
        "cut_corners": "",
        "position_jump": f"jumped {amount} in position {at}",
        "position_gap": f"gave no position {when}",
        "altitude_jump": f"jumped {amount} in height {at}",
        "false_pause": f"had paused {when} while the others moved",
        "frozen": f"stayed at one value {when}",
        "stuck_position": f"stood at one position {when} while it moved",
        "unit_mismatch": "seems to hold values in another unit",
        # Its note names the signal and the device.
        "shared_signal": "" if finding.note else "shows a signal of another device",
        "stroke_misread": f"misread the stroke {when}",
        "references_disagree": "has two references of its distance that disagree",
        "ascent_references_disagree": "was compared with an ascent that another reference "
        "contradicts",
        "heart_rate_references_disagree": f"contradicts the other reference of heart rate {when}",
        "battery_contradiction": "has battery levels that contradict each other",
    }
    plain = finding.kind.replace("_", " ")
    text = sentences.get(
        finding.kind, f"{plain}, {amount}, {when}" if amount else f"{plain} {when}"
    )
    note = _word_note(finding, units=units)
    words = f"{text}; {note}" if text and note and note not in text else text or note
    return use_minus(words)


def use_minus(text: str) -> str:
    """Return a text whose negative numbers have a minus instead of a hyphen."""
    return _HYPHEN.sub(MINUS, text)


def summarise_kind(kind: str, n: int, seconds: float) -> str:
    """Say in a few words how often a kind of finding happened in a workout, and for how long."""
    times = {1: "once", 2: "twice"}.get(n, f"{n} times")
    lasted = write_duration(seconds)
    several = f"{times}, {lasted} in all" if n > 1 else f"for {lasted}"
    words = {
        "late_lock": f"locked after {lasted}",
        "cadence_lock": f"followed the cadence {several}",
        "biased_stretch": f"read high or low {several}",
        "missed_rise": f"missed a rise {times}",
        "dropout": f"gave no heart rate {several}",
        "spike": f"jumped in heart rate {times}",
        "frozen": f"stayed at one value {several}",
        "false_pause": f"paused wrongly {several}",
        "cut_corner": f"cut {count(n, 'corner')}",
        "position_jump": f"jumped in position {times}",
        "position_gap": f"gave no position {several}",
        "altitude_jump": f"jumped in height {times}",
        "stroke_misread": f"misread the stroke {times}",
    }
    return words.get(kind, f"{name_kind(kind)} {times}")


def _word_note(finding: FindingFacts, *, units: str) -> str:
    """Return a finding's note without what its sentence says, in the units that are asked for."""
    note = finding.note or ""
    if finding.kind == "cut_corner":
        note = _DEPTH.sub("inside", note)
    if units == "metric":
        return note

    def rewrite(found: re.Match[str]) -> str:
        shown, name = convert(float(found[1]), found[2], units=units)
        return f"{shown:.{find_decimals(name)}f} {name}"

    return _AMOUNT.sub(rewrite, note)


def _write_size(size: float | None, unit: str | None, *, units: str) -> str:
    if size is None:
        return ""
    shown, name = convert(size, unit, units=units)
    digits = 0 if shown >= 10 or name in {"s", "bpm"} else 1  # noqa: PLR2004 - two digits will do
    return f"{shown:.{digits}f} {name}".strip()


def keep_units(text: str) -> str:
    """Return a text in which no line ends between a number and its unit, or within "Alder 2"."""
    return _NAME.sub("\N{NO-BREAK SPACE}", _UNIT.sub("\N{NO-BREAK SPACE}", text))


def name_segment(segment: str) -> str:
    """Return a segment's name for people."""
    band = segment.removeprefix("band:")
    if band != segment:
        edges = band.replace("below-", "below ").replace("above-", "above ").replace("-", " to ")
        return f"{edges} % of max"
    return {
        "all": "whole workout",
        "after_lock": "after lock",
        "reference_sure": "reference not in doubt",
    }.get(segment, segment)
