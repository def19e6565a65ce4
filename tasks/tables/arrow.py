"""From a declared table to its Arrow schema, and from plain columns to a checked Arrow table."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, is_dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyarrow as pa

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tasks.tables.column import Column
    from tasks.tables.tables import Table

INSTANT: Final = pa.timestamp("us", tz="UTC")
_ARROW_TYPES: Final = {
    "float": pa.float64(),
    "integer": pa.int64(),
    "text": pa.string(),
    "boolean": pa.bool_(),
    "instant": INSTANT,
}


def build_schema(table: Table) -> pa.Schema:
    """Return the Arrow schema of `table`, meaning and unit in the field metadata."""
    fields = [
        pa.field(column.name, _ARROW_TYPES[column.kind], metadata=_field_metadata(column))
        for column in table.columns
    ]
    return pa.schema(fields, metadata={"table": table.name, "grain": table.grain})


def make_empty(table: Table) -> pa.Table:
    """Return `table` with no rows."""
    return build_schema(table).empty_table()


def make_table(table: Table, columns: Mapping[str, Any]) -> pa.Table:
    """Build `table` from arrays or lists by column name; absent columns are all missing.

    NaN and NaT become null. Instants may be `datetime64`, integers of microseconds since
    1970-01-01T00:00:00Z, or aware datetimes. Raises ValueError for a column that the table does
    not have, or for columns of different lengths.
    """
    unknown = sorted(set(columns) - set(table.column_names))
    if unknown:
        raise ValueError(f"table {table.name} has no column {', '.join(unknown)}")
    lengths = {len(values) for values in columns.values()}
    if len(lengths) > 1:
        raise ValueError(f"columns of {table.name} differ in length: {sorted(lengths)}")
    n_rows = lengths.pop() if lengths else 0
    schema = build_schema(table)
    arrays = [
        _make_array(columns[field.name], field.type)
        if field.name in columns
        else pa.nulls(n_rows, field.type)
        for field in schema
    ]
    return pa.Table.from_arrays(arrays, schema=schema)


def make_rows(table: Table, rows: Sequence[Any]) -> pa.Table:
    """Build `table` from dataclasses or mappings, one per row."""
    dictionaries = [
        asdict(row) if is_dataclass(row) and not isinstance(row, type) else row for row in rows
    ]
    return make_table(
        table,
        {
            name: [dictionary.get(name) for dictionary in dictionaries]
            for name in table.column_names
        },
    )


def read_floats(table: pa.Table, name: str) -> NDArray[np.float64]:
    """Return column `name` as float64, shape (n_rows,), NaN where missing."""
    values = table.column(name).to_numpy(zero_copy_only=False)
    return np.asarray(values, dtype=np.float64)


def read_micros(table: pa.Table, name: str = "time_utc") -> NDArray[np.float64]:
    """Return an instant column as microseconds since 1970-01-01T00:00:00Z, NaN where missing.

    A float64 holds whole microseconds exactly up to the year 2255.
    """
    micros = table.column(name).cast(pa.int64()).to_numpy(zero_copy_only=False)
    return np.asarray(micros, dtype=np.float64)


def read_seconds(table: pa.Table, name: str = "time_utc") -> NDArray[np.float64]:
    """Return an instant column as seconds since 1970-01-01T00:00:00Z, NaN where missing.

    A float64 holds today's instants to better than a microsecond's half.
    """
    return read_micros(table, name) / 1e6


def concatenate(table: Table, parts: Iterable[pa.Table]) -> pa.Table:
    """Stack tables of the same schema; no parts give the empty table."""
    return pa.concat_tables([make_empty(table), *parts])


def _make_array(values: Any, arrow_type: pa.DataType) -> pa.Array:  # noqa: ANN401 - arrays or lists
    if isinstance(values, (pa.Array, pa.ChunkedArray)):
        array = values.cast(arrow_type)
        return array.combine_chunks() if isinstance(array, pa.ChunkedArray) else array
    if arrow_type == INSTANT:
        return _make_instants(values)
    if isinstance(values, np.ndarray) and pa.types.is_integer(arrow_type):
        floats = np.asarray(values, dtype=np.float64)
        return pa.array(floats, from_pandas=True).cast(arrow_type)
    return pa.array(values, type=arrow_type, from_pandas=True)


def _make_instants(values: Any) -> pa.Array:  # noqa: ANN401 - arrays or lists
    if isinstance(values, np.ndarray) and values.dtype.kind == "M":
        micros = values.astype("datetime64[us]")
        return pa.array(micros, from_pandas=True).cast(pa.timestamp("us")).cast(INSTANT)
    if isinstance(values, np.ndarray):
        return pa.array(values.astype(np.int64)).cast(INSTANT)
    return pa.array(values, type=INSTANT, from_pandas=True)


def _field_metadata(column: Column) -> dict[str, str]:
    facts = {
        "meaning": column.meaning,
        "unit": column.unit,
        "low": None if column.low is None else str(column.low),
        "high": None if column.high is None else str(column.high),
    }
    return {key: value for key, value in facts.items() if value is not None}
