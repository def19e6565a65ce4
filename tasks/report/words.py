"""Numbers, times and findings in plain language.

Every number is written by `write_number`, with the unit that the settings ask for; times of day
are on the wall clock of the workout's zone.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from tasks.report.facts import FindingFacts, WorkoutData

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MINUTE_S: Final = 60
_HOUR_S: Final = 3600
#: Statute units by metric ones: the unit, and by what a value is multiplied. The foot is 0.3048 m
#: and the mile 1609.344 m by definition (NIST Handbook 44, appendix C).
_STATUTE: Final[Mapping[str, tuple[str, float]]] = {
    "m": ("ft", 1 / 0.3048),
    "km": ("mi", 1 / 1.609344),
    "m/s": ("mi/h", 3600 / 1609.344),
    "m/h": ("ft/h", 1 / 0.3048),
    "1/km": ("1/mi", 1.609344),
}
#: Decimals of a unit; others have one.
_DECIMALS: Final[Mapping[str, int]] = {
    "s": 0,
    "m/s": 2,
    "mi/h": 2,
    "ft": 0,
    "km": 2,
    "mi": 2,
}
#: Below this a foot is too coarse, as a metre is with no decimal [ft].
_FEW_FT: Final = 100.0
#: Metrics that are shares or coefficients from 0 to 1 and need more decimals.
_FINE: Final = ("hr_ccc", "hr_pearson_r", "track_turn_retention", "start_credit_pct")
#: Metrics whose sign says which way.
_SIGNED: Final = ("bias", "error", "lag", "delay", "drift", "closure", "loa")
#: Metrics that have such a word in their name and yet no sign.
_UNSIGNED: Final = ("hr_own_error_sd_bpm", "hr_lag_spread_s")
MISSING: Final = "\N{EN DASH}"
MINUS: Final = "\N{MINUS SIGN}"
_THIN_SPACE: Final = "\N{NARROW NO-BREAK SPACE}"

#: How deep a corner was cut, at the beginning of a note; and amounts that have a statute unit.
_DEPTH: Final = re.compile(r"^-?[\d.]+ m inside")
_AMOUNT: Final = re.compile(r"(?<![\w.])(-?\d+(?:\.\d+)?) (km|m/s|m/h|m)(?![\w/])")

ROLES: Final[Mapping[str, str]] = {
    "test": "under test",
    "predecessor": "predecessor",
    "reference": "reference",
    "peer": "peer",
}


def convert(value: float, unit: str | None, *, units: str) -> tuple[float, str]:
    """Return a value and its unit in the units that are asked for, metric or statute."""
    if unit is None:
        return value, ""
    if units == "statute" and unit in _STATUTE:
        name, factor = _STATUTE[unit]
        return value * factor, name
    return value, unit


def write_number(
    value: float | None, unit: str | None, *, units: str, metric: str = "", signed: bool = False
) -> str:
    """Return a number as text, without its unit; an en dash where there is none."""
    if value is None or not math.isfinite(value):
        return MISSING
    shown, name = convert(value, unit, units=units)
    decimals = _DECIMALS.get(name, 1)
    if name == "ft" and abs(shown) < _FEW_FT:
        decimals = 1
    if name == "1":
        decimals = 3 if metric in _FINE else 0 if float(shown).is_integer() else 2
    text = f"{shown:,.{decimals}f}"
    # A rounded zero has no sign.
    if float(text.replace(",", "")) == 0.0:
        text = text.removeprefix("-")
    elif signed and shown > 0:
        text = f"+{text}"
    return text.replace("-", MINUS).replace(",", _THIN_SPACE)


def is_signed(metric: str) -> bool:
    """Say whether the sign of this metric's values says which way."""
    return metric not in _UNSIGNED and any(part in _SIGNED for part in metric.split("_"))


def name_unit(unit: str | None, *, units: str) -> str:
    """Return a unit's name for people; a bare count has none."""
    name = convert(0.0, unit, units=units)[1]
    return "" if name == "1" else name


def write_duration(seconds: float) -> str:
    """Return a duration in words: 45 s, 2 min 45 s, 1 h 5 min."""
    whole = round(seconds)
    if whole < _MINUTE_S:
        return f"{whole} s"
    minutes, rest = divmod(whole, _MINUTE_S)
    if whole < _HOUR_S:
        return f"{minutes} min {rest} s" if rest else f"{minutes} min"
    hours, minutes = divmod(minutes, _MINUTE_S)
    return f"{hours} h {minutes} min" if minutes else f"{hours} h"


def write_clock(local_s: float, *, seconds: bool = True) -> str:
    """Return a time of day: 18:20:05, or 18:20."""
    return f"{_EPOCH + timedelta(seconds=round(local_s)):{'%H:%M:%S' if seconds else '%H:%M'}}"


def write_date(local_s: float) -> str:
    """Return a date: 2026-05-02."""
    return f"{_EPOCH + timedelta(seconds=local_s):%Y-%m-%d}"


def describe_finding(finding: FindingFacts, data: WorkoutData) -> str:
    """Say in plain words what happened and when, e.g. "read about 14 bpm low from ... to ..."."""
    return describe_event(
        finding, local_offset_s=data.facts.local_offset_s or 0, units=data.settings.units
    )


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
        "position_jump": f"jumped {amount} in position {at}",
        "position_gap": f"gave no position {when}",
        "altitude_jump": f"jumped {amount} in height {at}",
        "false_pause": f"had paused {when} while the others moved",
        "frozen": f"stayed at one value {when}",
        "stroke_misread": f"misread the stroke {when}",
        "battery_range": "was compared over another range of charge, so its rates are not quite "
        "comparable",
        "references_disagree": "has two references of its distance that disagree",
        "battery_contradiction": "has battery levels that contradict each other",
    }
    plain = finding.kind.replace("_", " ")
    text = sentences.get(
        finding.kind, f"{plain}, {amount}, {when}" if amount else f"{plain} {when}"
    )
    note = _word_note(finding, units=units)
    return f"{text}; {note}" if note and note not in text else text


def _word_note(finding: FindingFacts, *, units: str) -> str:
    """Return a finding's note without what its sentence says, in the units that are asked for."""
    note = finding.note or ""
    if finding.kind == "cut_corner":
        note = _DEPTH.sub("inside", note)
    if units == "metric":
        return note

    def rewrite(found: re.Match[str]) -> str:
        shown, name = convert(float(found[1]), found[2], units=units)
        return f"{shown:.{_DECIMALS.get(name, 1)}f} {name}"

    return _AMOUNT.sub(rewrite, note)


def _write_size(size: float | None, unit: str | None, *, units: str) -> str:
    if size is None:
        return ""
    shown, name = convert(size, unit, units=units)
    digits = 0 if shown >= 10 or name in {"s", "bpm"} else 1  # noqa: PLR2004 - two digits will do
    return f"{shown:.{digits}f} {name}".strip()


def name_kind(kind: str) -> str:
    """Return the plain name of a kind of finding or of any id."""
    return kind.replace("_", " ")


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


def join_words(words: list[str]) -> str:
    """Return "a", "a and b" or "a, b and c"."""
    if len(words) < 2:  # noqa: PLR2004 - nothing to join
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"
