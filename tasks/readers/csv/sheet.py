"""From the bytes of a CSV to text, records with their lines, and a grid of cells."""

from __future__ import annotations

import codecs
import csv
import io
import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.errors import DamagedError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import pandas as pd
    from numpy.typing import NDArray

#: Lines among which the header is looked for.
HEAD_LINES: Final = 60
#: More cells than this in one line is no table of an activity.
MAX_CELLS: Final = 500
#: Each row is filled up to the widest one, so that a small file could ask for any amount of memory:
#: no more cells than these are added, some 100 MB. Ten hours of rows that each lack 100 cells fit.
MAX_FILLED_CELLS: Final = 4_000_000

_BOMS: Final = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


@dataclass(frozen=True)
class Record:
    """One record of the text: its cells, stripped, and its first and last line (from 1)."""

    cells: tuple[str, ...]
    first_line: int
    last_line: int


@dataclass(frozen=True)
class Grid:
    """The data rows of a sheet, without blank ones and repeated headers.

    `cells` has one text column per position. `numbers` counts each row among the records of
    `body`, which begins after line `lines_before`. `ragged` marks rows with filled cells beyond
    the header's. `repeated` counts headers among the data.
    """

    cells: pd.DataFrame
    numbers: NDArray[np.int64]
    ragged: NDArray[np.bool_]
    repeated: int
    body: str
    lines_before: int
    delimiter: str

    def find_line(self, row: int) -> int:
        """Return the line of the file, from 1, on which data row `row` begins."""
        wanted = int(self.numbers[row])
        for number, record in enumerate(iterate_records(self.body, self.delimiter)):
            if number == wanted:
                return self.lines_before + record.first_line
        return self.lines_before + 1


def decode_text(raw: bytes, encodings: Sequence[str]) -> str | None:
    """Return `raw` as text with plain line ends; None when no encoding of the list fits.

    A byte-order mark decides alone; UTF-16 without one is known by its zero bytes.
    """
    for encoding in (*_guess_encodings(raw), *encodings):
        try:
            text = raw.decode(encoding)
        except UnicodeDecodeError:
            continue
        return text.replace("\r\n", "\n").replace("\r", "\n").replace("\x00", "\ufffd")
    return None


def iterate_records(text: str, delimiter: str) -> Iterator[Record]:
    """Return every record of `text`, blank ones included, with its lines."""
    rows = csv.reader(io.StringIO(text), delimiter=delimiter)
    last_line = 0
    while True:
        try:
            cells = next(rows, None)
        except csv.Error:  # a cell beyond the module's limit: an unclosed quote
            cells = []
            yield Record((), last_line + 1, rows.line_num)
            return
        if cells is None:
            return
        yield Record(tuple(cell.strip() for cell in cells), last_line + 1, rows.line_num)
        last_line = rows.line_num


def read_head(text: str, delimiter: str) -> list[Record]:
    """Return the records of the first lines of `text`, without blank ones.

    Of a line with more cells than a table has, one too many is kept.
    """
    head = "\n".join(text.split("\n", HEAD_LINES)[:HEAD_LINES])
    return [
        replace(record, cells=record.cells[: MAX_CELLS + 1])
        for record in iterate_records(head, delimiter)
        if any(record.cells)
    ]


def blank_lines(text: str, *, comment: str, skip_lines: int) -> str:
    """Empty the first `skip_lines` lines and those that begin with `comment`.

    Lines keep their numbers.
    """
    if skip_lines:
        lines = text.split("\n", skip_lines)
        text = "\n" * min(skip_lines, len(lines) - 1) + lines[-1]
    if comment and comment in text:
        text = re.sub(rf"(?m)^[ \t]*{re.escape(comment)}.*$", "", text)
    return text


def read_grid(text: str, delimiter: str, *, header: Record | None, width: int, name: str) -> Grid:
    """Return the data rows of `text` below `header` (None: from the top).

    `width` is how many cells a row may fill. Raises: DamagedError with the line.
    """
    import pandas as pd  # noqa: PLC0415 - slow to import, and most commands read no CSV

    if header is not None and len(header.cells) > MAX_CELLS:
        raise DamagedError(
            name,
            found=f"line {header.first_line} has more than {MAX_CELLS} columns",
            remedy="this is no table of an activity; export it again",
        )
    lines_before = 0 if header is None else header.last_line
    body = text.split("\n", lines_before)[-1] if lines_before else text
    if header is not None and text.count("\n") < lines_before:
        body = ""
    sizes = [line.count(delimiter) + 1 for line in body.split("\n")]
    most = max(sizes)
    widest = max(most, width)
    if most > MAX_CELLS or widest * len(sizes) - sum(sizes) > MAX_FILLED_CELLS:
        is_header = header is not None and width > most
        line = lines_before if is_header else lines_before + sizes.index(most) + 1
        raise DamagedError(
            name,
            found=f"line {line} has {widest} cells, and the {len(sizes)} lines below "
            f"line {lines_before} hold {sum(sizes)} in all",
            remedy="this is no table of an activity; export it again",
        )
    if not body.strip():
        cells = pd.DataFrame({position: pd.Series(dtype=str) for position in range(width)})
    else:
        try:
            # Names for every position and no index column: else a trailing comma would shift
            # all columns by one without a word.
            cells = pd.read_csv(
                io.StringIO(body),
                sep=delimiter,
                header=None,
                names=list(range(widest)),
                index_col=False,
                dtype=str,
                keep_default_na=False,
                na_values=[],
                skip_blank_lines=False,
                engine="c",
            )
        except pd.errors.ParserError as error:
            last = 0
            for record in iterate_records(body, delimiter):
                last = record.first_line
            raise DamagedError(
                name,
                found=f"line {lines_before + last}: a quoted cell that begins here never ends",
                remedy="close the quote or export the file again",
            ) from error
    return _clean(cells, delimiter, header, width=width, body=body, lines_before=lines_before)


def _clean(
    cells: pd.DataFrame,
    delimiter: str,
    header: Record | None,
    *,
    width: int,
    body: str,
    lines_before: int,
) -> Grid:
    stripped = cells.apply(lambda column: column.str.strip()) if len(cells) else cells
    filled: NDArray[np.bool_] = (stripped != "").to_numpy(dtype=bool)
    keep: NDArray[np.bool_] = np.asarray(filled.any(axis=1), dtype=bool)
    repeated: NDArray[np.bool_] = np.zeros(len(cells), dtype=bool)
    if header is not None and len(cells):
        repeated = keep.copy()
        for position, title in enumerate(header.cells):
            if not repeated.any():
                break
            if position < stripped.shape[1]:
                repeated &= stripped[position].eq(title).to_numpy(dtype=bool)
    keep &= ~repeated
    return Grid(
        cells=stripped.loc[keep].reset_index(drop=True),
        numbers=np.flatnonzero(keep).astype(np.int64),
        ragged=np.asarray(filled[keep, width:].any(axis=1), dtype=bool),
        repeated=int(repeated.sum()),
        body=body,
        lines_before=lines_before,
        delimiter=delimiter,
    )


def is_cut(text: str, delimiter: str, *, width: int) -> bool:
    """Say whether the text stops inside its last row: no line end, and cells are lacking.

    A cut inside the very last cell cannot be seen.
    """
    lines = text.rstrip(" \t").rsplit("\n", 2)
    if len(lines) < 3 or not lines[-1]:  # noqa: PLR2004 - header, a whole row, the last row
        return False
    last, before = lines[-1].count(delimiter), lines[-2].count(delimiter)
    return last < before and last < width - 1


def _guess_encodings(raw: bytes) -> tuple[str, ...]:
    for mark, encoding in _BOMS:
        if raw.startswith(mark):
            return (encoding,)
    start = raw[:400]
    if len(start) >= 4 and start[1::2].count(0) > len(start) // 4:  # noqa: PLR2004 - two signs
        return ("utf-16-le",)
    if len(start) >= 4 and start[0::2].count(0) > len(start) // 4:  # noqa: PLR2004 - two signs
        return ("utf-16-be",)
    return ()
