"""The store: DuckDB tables that results are appended to, and the copies that people read.

`open_store` and `read_store` reach the private store; `publish` makes the copy behind
`results.duckdb`; `connect_for_reading` and what follows answer a person's SQL.
"""

from __future__ import annotations

from tasks.store.connect import open_store, read_store
from tasks.store.ddl import StoreSchemaError, create_tables
from tasks.store.publish import Published, find_published, publish
from tasks.store.write import (
    append_if_changed,
    append_rows,
    delete_rows,
    find_newest_run,
    replace_rows,
)

__all__ = [
    "Published",
    "StoreSchemaError",
    "append_if_changed",
    "append_rows",
    "create_tables",
    "delete_rows",
    "find_newest_run",
    "find_published",
    "open_store",
    "publish",
    "read_store",
    "replace_rows",
]
