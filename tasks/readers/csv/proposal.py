"""A layout for an unknown CSV, guessed from its titles and first rows, for a person to finish."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from pathlib import PurePath
from typing import Final, get_args

from config.layouts import TimeForm
from tasks.core.units import UNITS
from tasks.readers.csv.cells import is_number
from tasks.readers.csv.fitting import VOCABULARY, fold_name
from tasks.readers.csv.sheet import Record, read_head

_DELIMITERS: Final = (",", ";", "\t", "|")
#: Words in a title, and the column that they mean; the first that stands in it counts.
_WORDS: Final = (
    (r"\b(rr|r-r|ibi|beat interval|inter ?beat)\b", "rr_s", "ms"),
    (r"\b(heart ?rate|heart|hr|bpm|pulse)\b", "heart_rate_bpm", "bpm"),
    (r"\b(lat|latitude)\b", "latitude_deg", "deg"),
    (r"\b(lon|lng|long|longitude)\b", "longitude_deg", "deg"),
    (r"\b(alt|altitude|ele|elev|elevation|height)\b", "altitude_m", "m"),
    (r"\b(dist|distance)\b", "distance_m", "m"),
    (r"\b(pace)\b", "speed_mps", "min/km"),
    (r"\b(speed|velocity)\b", "speed_mps", "m/s"),
    (r"\b(cad|cadence)\b", "cadence_rpm", "rpm"),
    (r"\b(power|watts?)\b", "power_w", "W"),
    (r"\b(temp|temperature)\b", "temperature_degc", "degC"),
    (r"\b(pressure)\b", "pressure_pa", "Pa"),
    (r"\b(accuracy)\b", "position_accuracy_m", "m"),
    (r"\b(course|bearing|heading)\b", "course_deg", "deg"),
)
#: How units are written in titles, and their names here.
_UNIT_WORDS: Final = {
    "kmh": "km/h",
    "kph": "km/h",
    "km/h": "km/h",
    "mps": "m/s",
    "m/s": "m/s",
    "mph": "mph",
    "meters": "m",
    "metres": "m",
    "feet": "ft",
    "miles": "mi",
    "watts": "W",
    "w": "W",
    "spm": "steps/min",
    "c": "degC",
    "celsius": "degC",
    "f": "degF",
    "fahrenheit": "degF",
    "sec": "s",
    "seconds": "s",
    "milliseconds": "ms",
    "degrees": "deg",
    **{unit.casefold(): unit for unit in UNITS},
}
_TIME_WORDS: Final = r"\b(time|timestamp|datetime|date ?time|utc|elapsed|seconds|secs?|duration)\b"
_EPOCH_MS: Final = 1e11
_EPOCH_S: Final = 1e8


@dataclass(frozen=True)
class _Time:
    form: str
    title: str
    date_title: str | None = None


def find_header(text: str) -> tuple[Record | None, str]:
    """Return the record that looks most like a header, and the delimiter of the text.

    The header is the first record of the commonest width whose cells are words; None when the
    rows are numbers from the top.
    """
    heads = {delimiter: read_head(text, delimiter) for delimiter in _DELIMITERS}
    delimiter = max(_DELIMITERS, key=lambda sign: _rate(heads[sign]))
    records = heads[delimiter]
    if not records:
        return None, delimiter
    widths = [len(record.cells) for record in records]
    width = max(set(widths), key=lambda candidate: (widths.count(candidate), candidate))
    for record in records:
        if len(record.cells) >= width and not any(
            is_number(cell) or is_number(cell, ",") for cell in record.cells
        ):
            return record, delimiter
        if len(record.cells) >= width:
            return None, delimiter
    return None, delimiter


def propose_layout(text: str, *, name: str) -> str:
    """Return the TOML text of a layout for the file `name`; what is not sure is marked there."""
    header, delimiter = find_header(text)
    records = read_head(text, delimiter)
    if header is None:
        width = max((len(record.cells) for record in records), default=1)
        titles = tuple(f"column {number + 1}" for number in range(width))
        rows = records
    else:
        titles = header.cells
        rows = [record for record in records if record.first_line > header.first_line]
    decimal = _guess_decimal(rows, delimiter)
    time = _guess_time(titles, rows, decimal)
    lines = [
        f"# A layout for {json.dumps(PurePath(name).name)}.",
        "# Check every line marked CHECK, then put this file under columns/ in the home folder and",
        "# drop the export again.",
        f"name = {json.dumps(_make_name(name))}",
        f"about = {json.dumps('Columns as in ' + PurePath(name).name)}",
        f"delimiters = [{json.dumps(delimiter)}]",
        f"decimal = {json.dumps(decimal)}",
        "",
        "[time]",
    ]
    if time is None:
        lines += [
            "# CHECK: which column is the time, and in which form?",
            f"# Forms: {' '.join(get_args(TimeForm))}",
            'form = "stamp"',
            f"column = [{_quote(titles[0] if titles else 'time')}]",
        ]
    else:
        lines += [f"form = {json.dumps(time.form)}", f"column = [{_quote(time.title)}]"]
        if time.date_title is not None:
            lines.append(f"date_column = [{_quote(time.date_title)}]")
    times = _Time("", titles[0] if titles else "") if time is None else time
    lines += _propose_columns(titles, times={times.title, times.date_title})
    return "\n".join(lines) + "\n"


def _propose_columns(titles: tuple[str, ...], *, times: set[str | None]) -> list[str]:
    lines: list[str] = []
    unknown: list[str] = []
    taken: set[str] = set()
    for title in titles:
        if title in times or not title:
            continue
        guess = _guess_column(title)
        if guess is None or guess[0] in taken:
            unknown.append(title)
            continue
        ours, unit, is_sure = guess
        taken.add(ours)
        mark = "" if is_sure else "  # CHECK: the title does not say"
        lines += [
            "",
            "[[column]]",
            f"theirs = [{_quote(title)}]",
            f"ours = {json.dumps(ours)}",
            f"unit = {json.dumps(unit)}{mark}",
        ]
    for title in unknown:
        lines += [
            "",
            "# CHECK: remove the signs # below if this column is needed.",
            "# [[column]]",
            f"# theirs = [{_quote(title)}]",
            f'# ours = ""  # one of {", ".join(sorted(VOCABULARY.columns))}',
            f'# unit = ""  # one of {", ".join(sorted(UNITS))}',
        ]
    return lines


def _guess_column(title: str) -> tuple[str, str, bool] | None:
    """Return our column, its unit, and whether the title names the unit."""
    folded = fold_name(title)
    for pattern, ours, usual in _WORDS:
        if re.search(pattern, folded):
            target = VOCABULARY.columns[ours]
            words = re.findall(r"[a-z/%]+", folded)
            for word in reversed(words):
                unit = _UNIT_WORDS.get(word)
                if unit is not None and UNITS[unit].to_table == target:
                    return ours, unit, True
            return ours, usual, UNITS[usual].to_table in {"bpm", "deg"}
    return None


def _guess_time(titles: tuple[str, ...], rows: list[Record], decimal: str) -> _Time | None:
    folded = [fold_name(title) for title in titles]
    cells = [_first_cell(rows, position) for position in range(len(titles))]
    for position, cell in enumerate(cells):
        if re.match(r"\d{4}-?\d{2}-?\d{2}[T ]\s*\d{2}:?\d{2}", cell):
            return _Time("stamp", titles[position])
    dates = [n for n, cell in enumerate(cells) if re.fullmatch(r"\d{4}-\d{2}-\d{2}", cell)]
    clocks = [n for n, cell in enumerate(cells) if re.fullmatch(r"(\d+:)?\d+:\d+([.,]\d+)?", cell)]
    if dates and clocks:
        return _Time("stamp", titles[clocks[0]], titles[dates[0]])
    if clocks:
        return _Time("elapsed_hms", titles[clocks[0]])
    for position, name in enumerate(folded):
        if re.search(_TIME_WORDS, name) and is_number(cells[position], decimal):
            value = abs(float(cells[position].replace(",", ".")))
            form = "elapsed_s" if value < _EPOCH_S else "epoch_s"
            return _Time("epoch_ms" if value > _EPOCH_MS else form, titles[position])
    return None


def _first_cell(rows: list[Record], position: int) -> str:
    return next((r.cells[position] for r in rows if position < len(r.cells)), "")


def _guess_decimal(rows: list[Record], delimiter: str) -> str:
    if delimiter == ",":
        return "."
    cells = [cell for record in rows for cell in record.cells]
    commas = sum("," in cell and is_number(cell, ",") for cell in cells)
    points = sum("." in cell and is_number(cell, ".") for cell in cells)
    return "," if commas > points else "."


def _rate(records: list[Record]) -> tuple[int, int]:
    """Rate a delimiter: how many rows share the commonest width above one, then that width."""
    widths = [len(record.cells) for record in records if len(record.cells) > 1]
    if not widths:
        return 0, 0
    width = max(set(widths), key=lambda candidate: (widths.count(candidate), candidate))
    return widths.count(width), width


def _make_name(name: str) -> str:
    stem = PurePath(name).name.split(".")[0]
    return re.sub(r"[^a-z0-9]+", "-", stem.lower()).strip("-") or "my-layout"


def _quote(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)
