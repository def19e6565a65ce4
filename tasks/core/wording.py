"""Numbers, units and times in words.

Every number is written by `write_number`, with the unit that is asked for, metric or statute.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Final

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


def count(number: int, thing: str) -> str:
    """Return e.g. "1 file" or "2,000 files"."""
    return f"{number:,} {thing}{'' if number == 1 else 's'}"


def convert(value: float, unit: str | None, *, units: str) -> tuple[float, str]:
    """Return a value and its unit in the units that are asked for, metric or statute."""
    if unit is None:
        return value, ""
    if units == "statute" and unit in _STATUTE:
        name, factor = _STATUTE[unit]
        return value * factor, name
    return value, unit


def find_decimals(unit: str) -> int:
    """Return how many decimals a number of that unit has for people."""
    return _DECIMALS.get(unit, 1)


def write_number(
    value: float | None, unit: str | None, *, units: str, metric: str = "", signed: bool = False
) -> str:
    """Return a number as text, without its unit; an en dash where there is none."""
    if value is None or not math.isfinite(value):
        return MISSING
    shown, name = convert(value, unit, units=units)
    decimals = find_decimals(name)
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


def name_kind(kind: str) -> str:
    """Return the plain name of a kind of finding or of any id."""
    return kind.replace("_", " ")


def write_day(local_s: float) -> str:
    """Return a day without its year: 2 May."""
    day = _EPOCH + timedelta(seconds=local_s)
    return f"{day.day}\N{NO-BREAK SPACE}{day:%b}"


def join_words(words: list[str]) -> str:
    """Return "a", "a and b" or "a, b and c"."""
    if len(words) < 2:  # noqa: PLR2004 - nothing to join
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"
