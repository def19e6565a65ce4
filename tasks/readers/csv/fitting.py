"""Which layouts fit a CSV: by the names in its header, or by the shape of its rows."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from config.layouts import LayoutColumn, Vocabulary
from tasks.core.units import UNITS
from tasks.readers.csv.cells import is_number
from tasks.readers.csv.sheet import Record, blank_lines, decode_text, read_head
from tasks.readers.csv.titles import (
    PLAUSIBLE,
    TARGETS,
    Meaning,
    read_title,
    suspect_title,
    unify_title,
)

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence

    from config.layouts import Layout

#: What a layout may name.
VOCABULARY: Final = Vocabulary(
    columns=TARGETS,
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
    `unused` names columns of the file that nothing reads; `skipped` those of them that probably
    hold a quantity that no other column gives. `doubled` are read columns whose title stands more
    than once (the first is read). `preamble` is what stands above the header or the first row.
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
    skipped: tuple[str, ...] = ()
    doubled: tuple[str, ...] = ()
    preamble: str = ""

    @property
    def n_used(self) -> int:
        """How many columns of the file are read."""
        times = (self.time_position, self.date_position)
        return len(self.uses) + sum(position is not None for position in times)

    @property
    def first_line(self) -> int:
        """Line of the header, or of the first row that holds something."""
        if self.header is not None:
            return self.header.first_line
        lines = self.text.split("\n")
        return next((n for n, line in enumerate(lines, start=1) if line.strip()), 1)


def find_fits(raw: bytes, layouts: Sequence[Layout]) -> tuple[Fit, ...]:
    """Return how the layouts that fit the bytes `raw` read them."""
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
                preamble = "\n".join(whole.split("\n", fit.first_line - 1)[: fit.first_line - 1])
                fits.append(replace(fit, preamble=preamble))
    return tuple(fits)


def keep_fullest(fits: Sequence[Fit]) -> tuple[Fit, ...]:
    """Return those of `fits` that use most columns."""
    most = max((fit.n_used for fit in fits), default=0)
    return tuple(fit for fit in fits if fit.n_used == most)


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
    titles = [unify_title(title) for title in header.cells]
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
    if layout.known_titles:
        uses += _use_known_titles(header.cells, taken, {use.column.ours for use in uses})
        taken.update(use.position for use in uses)
    if not uses:
        return None
    unused = [n for n, title in enumerate(header.cells) if n not in taken and title]
    read = {use.column.ours for use in uses}
    suspected = {n: suspect_title(header.cells[n]) for n in unused}
    return Fit(
        layout=layout,
        text=text,
        delimiter=delimiter,
        header=header,
        width=len(header.cells),
        time_position=time_position,
        date_position=date_position,
        uses=tuple(uses),
        unused=tuple(header.cells[n] for n in unused),
        skipped=tuple(
            header.cells[n]
            for n, meaning in suspected.items()
            if layout.known_titles and meaning is not None and meaning.ours not in read
        ),
        doubled=tuple(header.cells[n] for n in sorted(taken) if titles.count(titles[n]) > 1),
    )


def _use_known_titles(
    titles: Sequence[str], taken: Collection[int], named: Collection[str]
) -> list[Use]:
    """Return how columns are read whose title is a known word: one column for each quantity."""
    best: dict[str, tuple[tuple[int, int], int, Meaning]] = {}
    for position, title in enumerate(titles):
        meaning = None if position in taken else read_title(title)
        if meaning is None or meaning.ours in named:
            continue
        claim = (meaning.rank, position, meaning)
        if meaning.ours not in best or claim[:2] < best[meaning.ours][:2]:
            best[meaning.ours] = claim
    return [
        Use(position, titles[position], _describe(titles[position], meaning))
        for _, position, meaning in sorted(best.values(), key=lambda claim: claim[1])
    ]


def _describe(title: str, meaning: Meaning) -> LayoutColumn:
    return LayoutColumn(
        theirs=(title,),
        ours=meaning.ours,
        unit=meaning.unit,
        unit_assumed=not meaning.is_stated,
        plausible=PLAUSIBLE.get((meaning.ours, meaning.unit)),
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
        unified = unify_title(name)
        if unified in titles:
            return titles.index(unified)
    return None


def _trim(cells: tuple[str, ...]) -> tuple[str, ...]:
    """Leave out empty cells at the end, as trailing commas make them."""
    while cells and not cells[-1]:
        cells = cells[:-1]
    return cells
