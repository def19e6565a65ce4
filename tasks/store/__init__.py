"""The store: DuckDB tables that results are appended to, and the copies that people read.

`open_store` and `read_store` reach the private store; `publish` makes the copy behind
`results.duckdb`; `connect_for_reading` and what follows answer a person's SQL.
"""

from __future__ import annotations

from tasks.store.backup import Backup, BackupError, backup, list_backups, restore_backup
from tasks.store.connect import open_store, read_store
from tasks.store.ddl import (
    StoreSchemaError,
    create_tables,
    hash_declarations,
    recall_fact,
    remember_fact,
)
from tasks.store.forget import delete_recordings, rewrite_store
from tasks.store.present import Form, PresentError, format_rows, write_rows
from tasks.store.publish import Published, find_published, publish
from tasks.store.query import (
    QueryError,
    SavedQuery,
    connect_for_reading,
    list_columns,
    list_objects,
    load_saved_queries,
    run_query,
    save_query,
    show_lake,
)
from tasks.store.write import (
    append_if_changed,
    append_rows,
    delete_rows,
    delete_unused_devices,
    find_newest_run,
    replace_rows,
)

__all__ = [
    "Backup",
    "BackupError",
    "Form",
    "PresentError",
    "Published",
    "QueryError",
    "SavedQuery",
    "StoreSchemaError",
    "append_if_changed",
    "append_rows",
    "backup",
    "connect_for_reading",
    "create_tables",
    "delete_recordings",
    "delete_rows",
    "delete_unused_devices",
    "find_newest_run",
    "find_published",
    "format_rows",
    "hash_declarations",
    "list_backups",
    "list_columns",
    "list_objects",
    "load_saved_queries",
    "open_store",
    "publish",
    "read_store",
    "recall_fact",
    "remember_fact",
    "replace_rows",
    "restore_backup",
    "rewrite_store",
    "run_query",
    "save_query",
    "show_lake",
    "write_rows",
]
