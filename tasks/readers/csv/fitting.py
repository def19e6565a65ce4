"""Which layouts fit a CSV: by the names in its header, or by the shape of its rows."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from config.layouts import Vocabulary
from tasks.core.units import UNITS
from tasks.readers.csv.cells import is_number
from tasks.readers.csv.sheet import Record, blank_lines, decode_text, read_head
from tasks.tables.tables import BEATS, SAMPLES

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from config.layouts import Layout, LayoutColumn

#: What a layout may name.
VOCABULARY: Final = Vocabulary(
    columns={
        column.name: column.unit or ""
        for column in (*SAMPLES.columns, *BEATS.columns)
        if column.kind == "float"
    },
    units={unit.name: unit.to_table for unit in UNITS.values()},
)
#: Share of the first rows of a file without a header whose number must have the layout's size.
_SHAPE_SHARE: Final = 0.8


@dataclass(frozen=True)
class Use:
    """One column of the file and what the layout says of it."""

    position: int
    title: str
    column: LayoutColumn


@dataclass(frozen=True)
class Fit:
    """A layout laid over a file.

    `header` is None for a file without one. `width` is how many cells a row may fill.
    `unused` names columns of the file that nothing reads, `doubled` those read columns whose title
    stands more than once (the first is read).
    """

    layout: Layout
    text: str
    delimiter: str
    header: Record | None
    width: int
    time_position: int | None
    date_position: int | None
    uses: tuple[Use, ...]
    unused: tuple[str, ...]
    doubled: tuple[str, ...] = ()

    @property
    def n_used(self) -> int:
        """How many columns of the file are read."""
        times = (self.time_position, self.date_position)
        return len(self.uses) + sum(position is not None for position in times)


def find_fits(raw: bytes, layouts: Sequence[Layout]) -> tuple[Fit, ...]:
    """Give, of the layouts that fit the bytes `raw`, those that use most columns."""
    texts: dict[tuple[str, ...], str | None] = {}
    heads: dict[tuple[str, str], list[Record]] = {}
    fits: list[Fit] = []
    for layout in layouts:
        if layout.encodings not in texts:
            texts[layout.encodings] = decode_text(raw, layout.encodings)
        whole = texts[layout.encodings]
        if whole is None:
            continue
        text = blank_lines(whole, comment=layout.comment, skip_lines=layout.skip_lines or 0)
        for delimiter in layout.delimiters:
            if (text, delimiter) not in heads:
                heads[text, delimiter] = read_head(text, delimiter)
            fit = _lay_over(layout, text, delimiter, head=heads[text, delimiter])
            if fit is not None:
                fits.append(fit)
    most = max((fit.n_used for fit in fits), default=0)
    return tuple(fit for fit in fits if fit.n_used == most)


def fold_name(name: str) -> str:
    """Make names comparable: case, outer blanks, and `_` for a blank do not matter."""
    return re.sub(r"[\s_]+", " ", name).strip().casefold()


def _lay_over(layout: Layout, text: str, delimiter: str, *, head: Sequence[Record]) -> Fit | None:
    if not layout.header:
        return _fit_shape(layout, text, delimiter, head=head)
    candidates = head if layout.skip_lines is None else head[:1]
    for record in candidates:
        fit = _fit_header(layout, text, delimiter, header=record)
        if fit is not None:
            return fit
    return None


def _fit_header(layout: Layout, text: str, delimiter: str, *, header: Record) -> Fit | None:
    titles = [fold_name(title) for title in header.cells]
    time_position = _find(titles, layout.time.column)
    date_position = _find(titles, layout.time.date_column)
    if layout.time.column and time_position is None:
        return None
    if layout.time.date_column and date_position is None:
        return None
    taken = {position for position in (time_position, date_position) if position is not None}
    uses: list[Use] = []
    for column in layout.column:
        position = _find(titles, column.theirs)
        if position is None or position in taken:
            if column.required:
                return None
            continue
        if any(use.column.ours == column.ours for use in uses):
            continue
        taken.add(position)
        uses.append(Use(position, header.cells[position], column))
    if not uses:
        return None
    unused = tuple(
        title for position, title in enumerate(header.cells) if position not in taken and title
    )
    return Fit(
        layout=layout,
        text=text,
        delimiter=delimiter,
        header=header,
        width=len(header.cells),
        time_position=time_position,
        date_position=date_position,
        uses=tuple(uses),
        unused=unused,
        doubled=tuple(header.cells[n] for n in sorted(taken) if titles.count(titles[n]) > 1),
    )


def _fit_shape(layout: Layout, text: str, delimiter: str, *, head: Sequence[Record]) -> Fit | None:
    """Fit a layout without header: every row has its width, and the numbers have its size."""
    has_date, has_time = bool(layout.time.date_column), bool(layout.time.column)
    offset = has_date + has_time
    width = offset + len(layout.column)
    rows = [_trim(record.cells) for record in head]
    if not rows or any(len(row) != width for row in rows[:1]) or any(len(r) > width for r in rows):
        return None
    for number, column in enumerate(layout.column):
        low, high = column.plausible or (-math.inf, math.inf)
        cells = [row[offset + number] if offset + number < len(row) else "" for row in rows]
        numbers = [
            float(cell.replace(",", ".")) for cell in cells if is_number(cell, layout.decimal)
        ]
        fitting = sum(low <= value <= high for value in numbers)
        if fitting < _SHAPE_SHARE * len(rows) or not is_number(cells[0], layout.decimal):
            return None
    return Fit(
        layout=layout,
        text=text,
        delimiter=delimiter,
        header=None,
        width=width,
        time_position=offset - 1 if has_time else None,
        date_position=0 if has_date else None,
        uses=tuple(
            Use(offset + number, column.theirs[0], column)
            for number, column in enumerate(layout.column)
        ),
        unused=(),
    )


def _find(titles: Sequence[str], names: Iterable[str]) -> int | None:
    """Return the position of the first of `names` that stands in the header."""
    for name in names:
        folded = fold_name(name)
        if folded in titles:
            return titles.index(folded)
    return None


def _trim(cells: tuple[str, ...]) -> tuple[str, ...]:
    """Leave out empty cells at the end, as trailing commas make them."""
    while cells and not cells[-1]:
        cells = cells[:-1]
    return cells
