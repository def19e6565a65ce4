"""What the titles of a CSV say: the quantity of a column and its unit.

The words of quantities stand here, those of units in `tasks.core.units`; every shipped layout
reads by them, and proposals are made of them.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Final

from tasks.core.units import UNITS, find_unit
from tasks.tables.tables import BEATS, SAMPLES

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

#: Table unit of every column that a CSV can fill.
TARGETS: Final = {
    column.name: column.unit or ""
    for column in (*SAMPLES.columns, *BEATS.columns)
    if column.kind == "float"
}


@dataclass(frozen=True)
class Quantity:
    """A quantity: its column, the words that are its whole name, and its unit without one stated.

    Of several columns the one whose word stands earlier is read. `is_usual` says that a title
    without a unit leaves no doubt. With `unit` empty the title must state one. `hint` finds titles
    that probably mean the quantity.
    """

    ours: str
    words: tuple[str, ...]
    unit: str
    hint: str
    is_usual: bool = False


QUANTITIES: Final = (
    Quantity(
        "rr_s",
        ("rr", "r-r", "rr interval", "rr-interval", "r-r interval", "rr intervals", "ibi"),
        "",
        r"\b(rr|r-r|ibi|beat interval|inter ?beat)\b",
    ),
    Quantity(
        "heart_rate_bpm",
        ("heart rate", "heartrate", "hr", "pulse", "pulse rate", "bpm"),
        "bpm",
        r"\b(heart ?rate|heart|hr|bpm|pulse)\b",
        is_usual=True,
    ),
    Quantity(
        "latitude_deg",
        ("latitude", "lat", "position lat", "gps latitude"),
        "deg",
        r"\b(lat|latitude)\b",
        is_usual=True,
    ),
    Quantity(
        "longitude_deg",
        ("longitude", "lon", "lng", "long", "position long", "gps longitude"),
        "deg",
        r"\b(lon|lng|long|longitude)\b",
        is_usual=True,
    ),
    Quantity(
        "altitude_m",
        ("enhanced altitude", "altitude", "elevation", "ele", "elev", "alt", "gps altitude"),
        "m",
        r"\b(alt|altitude|ele|elev|elevation|height)\b",
    ),
    Quantity(
        "distance_m",
        ("distance", "dist", "total distance", "cumulative distance"),
        "m",
        r"\b(dist|distance)\b",
    ),
    Quantity(
        "speed_mps",
        ("enhanced speed", "speed", "velocity", "gps speed"),
        "m/s",
        r"\b(speed|velocity)\b",
    ),
    Quantity("speed_mps", ("pace",), "", r"\bpace\b"),
    Quantity(
        "cadence_rpm",
        ("cadence", "cad", "running cadence", "run cadence", "bike cadence"),
        "rpm",
        r"\b(cad|cadence)\b",
    ),
    Quantity("power_w", ("power",), "W", r"\b(power|watts?)\b", is_usual=True),
    Quantity("temperature_degc", ("temperature", "temp"), "degC", r"\b(temp|temperature)\b"),
    Quantity("pressure_pa", ("pressure", "air pressure"), "", r"\bpressure\b"),
    Quantity(
        "position_accuracy_m",
        ("accuracy", "position accuracy", "horizontal accuracy", "gps accuracy"),
        "",
        r"\baccuracy\b",
    ),
    Quantity("course_deg", ("course", "bearing", "heading"), "", r"\b(course|bearing|heading)\b"),
)
#: Titles that are a unit alone, where the unit measures one thing only.
_BARE: Final = {
    "watts": ("power_w", "W"),
    "watt": ("power_w", "W"),
    "rpm": ("cadence_rpm", "rpm"),
    "spm": ("cadence_rpm", "steps/min"),
    "steps per min": ("cadence_rpm", "steps/min"),
}
#: Where the median of intervals between beats lies, by unit: seconds are no milliseconds.
PLAUSIBLE: Final = {("rr_s", "ms"): (250.0, 3000.0), ("rr_s", "s"): (0.25, 3.0)}
#: Unit of a quantity for which a title states none and a person must say it.
_PROPOSED: Final = {
    "rr_s": "ms",
    "pressure_pa": "Pa",
    "position_accuracy_m": "m",
    "course_deg": "deg",
}
_BRACKETS: Final = re.compile(
    r"^(?P<name>[^()\[\]{}]*?)\s*[(\[{]\s*(?P<unit>[^()\[\]{}]*?)\s*[)\]}]$"
)
_COMMA: Final = re.compile(r"^(?P<name>[^,;]*?)\s*(?:[,;:]|\bin\b)\s*(?P<unit>\S.*)$")


@dataclass(frozen=True)
class Meaning:
    """What a title means. `is_stated` says that it names the unit or leaves no doubt of it.

    `rank` orders columns of one quantity: the least is the one to read.
    """

    ours: str
    unit: str
    is_stated: bool
    rank: tuple[int, int]


def fold_name(name: str) -> str:
    """Make names comparable: case, outer blanks, and `_` for a blank do not matter."""
    return re.sub(r"[\s_]+", " ", name).strip().casefold()


@lru_cache(maxsize=4096)
def unify_title(title: str) -> str:
    """Make titles comparable in which one unit is spelled differently: `time [sec]`, `Time (s)`."""
    folded = fold_name(title)
    for name, text in _split_unit(folded):
        unit = find_unit(text)
        if unit is not None and name:
            return f"{name} ({unit})"
    return folded


@lru_cache(maxsize=4096)
def read_title(title: str) -> Meaning | None:
    """Return what a title means that is a known word, alone or with a known unit."""
    folded = fold_name(title)
    bare = _BARE.get(folded)
    if bare is not None:
        return Meaning(*bare, is_stated=True, rank=(0, len(QUANTITIES)))
    for number, quantity in enumerate(QUANTITIES):
        if folded in quantity.words and quantity.unit:
            place = number * 100 + quantity.words.index(folded)
            rank = (0 if quantity.is_usual else 1, place)
            return Meaning(quantity.ours, quantity.unit, is_stated=quantity.is_usual, rank=rank)
        for name, text in _split_unit(folded, quantity.words):
            unit = find_unit(text, target=TARGETS[quantity.ours])
            if name in quantity.words and unit is not None:
                place = number * 100 + quantity.words.index(name)
                return Meaning(quantity.ours, unit, is_stated=True, rank=(0, place))
    return None


@lru_cache(maxsize=4096)
def suspect_title(title: str) -> Meaning | None:
    """Return what a title probably means, for a person to check; a unit that it names counts."""
    known = read_title(title)
    if known is not None:
        return known
    folded = fold_name(title)
    for quantity in QUANTITIES:
        if re.search(quantity.hint, folded):
            target = TARGETS[quantity.ours]
            words = (word for word in reversed(re.findall(r"[a-z/%°]+", folded)))
            named = (find_unit(word, target=target) for word in words)
            unit = next((unit for unit in named if unit is not None), None)
            if unit is not None:
                return Meaning(quantity.ours, unit, is_stated=True, rank=(2, 0))
            usual = quantity.unit or _PROPOSED.get(quantity.ours, "min/km")
            is_stated = UNITS[usual].to_table in {"bpm", "deg"}
            return Meaning(quantity.ours, usual, is_stated=is_stated, rank=(2, 0))
    return None


def _split_unit(folded: str, words: Sequence[str] = ()) -> Iterator[tuple[str, str]]:
    """Return the ways to split a folded title into a name and the text of a unit.

    The unit stands in brackets, after a comma, after `in`, or as the last words.
    """
    for pattern in (_BRACKETS, _COMMA):
        match = pattern.match(folded)
        if match is not None:
            yield match["name"], match["unit"]
    for word in words:
        if folded.startswith(f"{word} "):
            yield word, folded[len(word) + 1 :]
    if not words and " " in folded:
        name, _, last = folded.rpartition(" ")
        yield name, last
