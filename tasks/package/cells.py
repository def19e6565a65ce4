"""Rows as tidy CSV: RFC 4180, UTF-8, instants in UTC, nothing for what is missing.

Numbers are written in full, so that they read back as the same numbers.
"""

from __future__ import annotations

import contextlib
import csv
import gzip
import io
from typing import TYPE_CHECKING, Final, cast

import pyarrow as pa
import pyarrow.compute as pc

from tasks.core.errors import CowornError
from tasks.core.spreadsheets import escape_formula

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from pathlib import Path
    from typing import IO, Any

    from tasks.tables.column import Column

#: Rows that are text at one time.
CHUNK_ROWS: Final = 20_000
#: Decimals of the seconds, and the type that has them.
_RESOLUTIONS: Final = {0: "s", 3: "ms", 6: "us"}
_COMPRESSION: Final = 6


@contextlib.contextmanager
def open_for_text(path: Path) -> Iterator[io.TextIOWrapper]:
    """Open a new file for text in UTF-8, gzipped where its name says so.

    The same text gives the same bytes: neither name nor time stand in the gzip header.
    """
    with contextlib.ExitStack() as stack:
        file: IO[bytes] = stack.enter_context(path.open("xb"))
        if path.suffix == ".gz":
            packed = gzip.GzipFile("", "wb", compresslevel=_COMPRESSION, fileobj=file, mtime=0)
            file = cast("IO[bytes]", stack.enter_context(packed))
        yield stack.enter_context(io.TextIOWrapper(file, encoding="utf-8", newline=""))


def write_csv(
    path: Path,
    tables: Iterable[pa.Table],
    *,
    columns: Sequence[Column],
    decimals: Mapping[str, int],
) -> int:
    """Write `tables`, which all have `columns`, under one header; return the number of rows.

    `decimals` says, by name, with how many decimals the seconds of an instant are written: 0, 3
    or 6.
    """
    n_rows = 0
    with open_for_text(path) as text:
        writer = csv.writer(text, lineterminator="\r\n")
        writer.writerow([column.name for column in columns])
        for table in tables:
            for batch in table.to_batches(max_chunksize=CHUNK_ROWS):
                spelled = [
                    spell_column(batch.column(column.name), column, decimals.get(column.name, 6))
                    for column in columns
                ]
                writer.writerows(zip(*spelled, strict=True))
            n_rows += table.num_rows
    return n_rows


def spell_column(values: pa.Array, column: Column, decimals: int) -> list[str | None]:
    """Return each value as a cell; None is an empty one. A number that is not finite is missing.

    Raises: CowornError for an instant that `decimals` cannot hold.
    """
    if column.kind == "instant":
        return _spell_instants(values, decimals)
    if column.kind == "float":
        finite = pc.if_else(pc.is_finite(values), values, None)
        return _list(finite.cast(pa.string()))
    if column.kind == "text":
        coded = values.dictionary_encode()
        words = [None if word is None else escape_formula(word) for word in _list(coded.dictionary)]
        return [None if code is None else words[code] for code in _list(coded.indices)]
    return _list(values.cast(pa.string()))


def _spell_instants(values: pa.Array, decimals: int) -> list[str | None]:
    try:
        fitting = values.cast(pa.timestamp(_RESOLUTIONS[decimals], tz="UTC"))
    except pa.ArrowInvalid as error:
        # Somebody takes in exports meanwhile: these rows were not there when they were looked over.
        raise CowornError(
            "recordings changed while they were exported, and nothing was written; export again"
        ) from error
    return _list(pc.strftime(fitting, format="%Y-%m-%dT%H:%M:%SZ"))


def _list(values: Any) -> list[Any]:  # noqa: ANN401 - an Arrow array has no types
    found: list[Any] = values.to_pylist()
    return found
