"""A layout for an unknown CSV, guessed from its titles and first rows, for a person to finish."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from pathlib import PurePath
from typing import TYPE_CHECKING, Final, get_args

from config.layouts import TimeForm
from tasks.core.units import UNITS
from tasks.readers.csv.cells import is_number
from tasks.readers.csv.sheet import Record, read_head
from tasks.readers.csv.titles import TARGETS, fold_name, suspect_title

if TYPE_CHECKING:
    from collections.abc import Mapping

_DELIMITERS: Final = (",", ";", "\t", "|")
_TIME_WORDS: Final = r"\b(time|timestamp|datetime|date ?time|utc|elapsed|seconds|secs?|duration)\b"
#: Numbers beyond these are epochs of that form.
_EPOCHS: Final = ((1e17, "epoch_ns"), (1e14, "epoch_us"), (1e11, "epoch_ms"), (1e8, "epoch_s"))
_DATE: Final = re.compile(
    r"(?:(?P<first>[0-9]{4})(?P<sign>[-/.])[0-9]{1,2}(?P=sign)[0-9]{1,2}|"
    r"(?P<one>[0-9]{1,2})(?P<mark>[-/.])(?P<two>[0-9]{1,2})(?P=mark)(?P<year>[0-9]{4}|[0-9]{2}))"
    r"(?![0-9])"
)
_CLOCK: Final = re.compile(
    r"[0-9]+:[0-9]+(?P<second>:[0-9]+(?P<fraction>[.,][0-9]+)?)?(?P<half>\s*[apAP]\.?[mM]\.?)?"
)
_ISO: Final = r"\d{4}-?\d{2}-?\d{2}[T ]\s*\d{2}:?\d{2}(:?\d{2}([.,]\d+)?)?\s*(Z|[+-][\d:]+)?"
_MONTHS: Final = 12


@dataclass(frozen=True)
class _Time:
    form: str
    title: str
    date_title: str | None = None
    formats: tuple[str, ...] = ()
    check: str = ""


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


def propose_layout(text: str, *, name: str, units: Mapping[str, str] | None = None) -> str:
    """Return the TOML text of a layout for the file `name`; what is not sure is marked there.

    `units` are those that the numbers below a title fit.
    """
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
        if time.formats:
            lines.append(
                f"formats = [{', '.join(_quote(one) for one in time.formats)}]{time.check}"
            )
    times = _Time("", titles[0] if titles else "") if time is None else time
    lines += _propose_columns(titles, times={times.title, times.date_title}, units=units or {})
    return "\n".join(lines) + "\n"


def _propose_columns(
    titles: tuple[str, ...], *, times: set[str | None], units: Mapping[str, str]
) -> list[str]:
    lines: list[str] = []
    unknown: list[str] = []
    taken: set[str] = set()
    for title in titles:
        if title in times or not title:
            continue
        meaning = suspect_title(title)
        if meaning is None or meaning.ours in taken:
            unknown.append(title)
            continue
        ours, unit = meaning.ours, meaning.unit
        taken.add(ours)
        mark = "" if meaning.is_stated else "  # CHECK: the title does not say"
        if title in units:
            unit, mark = units[title], "  # CHECK: the numbers fit this unit"
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
            f'# ours = ""  # one of {", ".join(sorted(TARGETS))}',
            f'# unit = ""  # one of {", ".join(sorted(UNITS))}',
        ]
    return lines


def _guess_time(titles: tuple[str, ...], rows: list[Record], decimal: str) -> _Time | None:
    folded = [fold_name(title) for title in titles]
    cells = [_first_cell(rows, position) for position in range(len(titles))]
    for position, cell in enumerate(cells):
        if re.fullmatch(_ISO, cell):
            return _Time("stamp", titles[position])
    dates = [n for n, cell in enumerate(cells) if _DATE.match(cell)]
    clocks = [n for n, cell in enumerate(cells) if _CLOCK.fullmatch(cell)]
    for n in dates:
        rest = cells[n][_match_end(cells[n]) :]
        clock = rest.lstrip(" ,T")
        if _CLOCK.fullmatch(clock):
            between = rest[: len(rest) - len(clock)]
            formats, check = _guess_formats(cells[n], clock, between)
            return _Time("stamp", titles[n], formats=formats, check=check)
    if dates and clocks:
        formats, check = _guess_formats(cells[dates[0]], cells[clocks[0]], " ")
        return _Time("stamp", titles[clocks[0]], titles[dates[0]], formats, check)
    if clocks and _CLOCK.fullmatch(cells[clocks[0]])["half"] is None:  # type: ignore[index] # matched
        return _Time("elapsed_hms", titles[clocks[0]])
    for position, name in enumerate(folded):
        if re.search(_TIME_WORDS, name) and is_number(cells[position], decimal):
            value = abs(float(cells[position].replace(",", ".")))
            form = next((form for least, form in _EPOCHS if value > least), "elapsed_s")
            return _Time(form, titles[position])
    return None


def _match_end(cell: str) -> int:
    match = _DATE.match(cell)
    return 0 if match is None else match.end()


def _guess_formats(date: str, clock: str, between: str) -> tuple[tuple[str, ...], str]:
    """Return the `strptime` format of a date and a time of day, and a mark where it is not sure."""
    match, hands = _DATE.match(date), _CLOCK.fullmatch(clock)
    if match is None or hands is None:
        return (), ""
    sign, check = match["sign"] or match["mark"], ""
    if match["first"] is not None:
        order = ("%Y", "%m", "%d")
    else:
        order = ("%d", "%m", "%Y" if len(match["year"]) > 2 else "%y")  # noqa: PLR2004 - 26 or 2026
        if sign != ".":
            order = (order[1], order[0], order[2])
            if int(match["one"]) > _MONTHS:
                order = (order[1], order[0], order[2])
            elif int(match["two"]) <= _MONTHS:
                check = "  # CHECK: the day may stand first"
    parts = "%H:%M" if hands["half"] is None else "%I:%M"
    parts += "" if hands["second"] is None else ":%S"
    parts += "" if hands["fraction"] is None else f"{hands['fraction'][0]}%f"
    half = "" if hands["half"] is None else " %p"
    if sign == "-" and match["first"] is not None and not half and between in {" ", "T"}:
        return (), ""
    return (f"{sign.join(order)}{between}{parts}{half}",), check


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
