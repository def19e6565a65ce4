"""Homes of many workouts, made by copying the rows of one that was measured."""

from __future__ import annotations

import os
import sqlite3
from typing import TYPE_CHECKING, Final

from config.settings import load_settings
from tasks import steps
from tasks.report import read
from tasks.report.keys import KeyMaker, PageKeys
from tasks.store import connect_for_reading, open_store, publish
from tasks.tables.tables import STORE_TABLES

if TYPE_CHECKING:
    from config.home import Home
    from tasks.tables.tables import Table

#: Ids that begin with the digits of a file.
_BY_FILE: Final = {"recording_id", "file_id", "duplicate_of", "continues"}
#: Tables that have one row for the whole home.
_SHARED: Final = {"devices", "metric_definitions", "runs", "plan", "plan_history"}
_ANSWERS: Final = {"verdicts", "levels", "limits"}


def clone_workouts(home: Home, n_clones: int) -> None:
    """Copy everything that store, ledger and lake hold of the home's workouts `n_clones` times.

    Copy `k` is `k` days older. The lake's files are links to the first ones: what is in them keeps
    the time that it was recorded at.
    """
    if not n_clones:
        return
    with open_store(home) as connection:
        for table in STORE_TABLES:
            if table.name in _SHARED | _ANSWERS:
                continue
            chosen = ", ".join(_copy_column(table, name) for name in table.column_names)
            connection.execute(
                f"INSERT INTO {table.name} "  # noqa: S608 - declared names only
                f"SELECT {chosen} FROM {table.name}, range(1, {n_clones + 1}) AS copies(k)"
            )
    _clone_ledger(home, n_clones)
    _clone_lake(home, n_clones)
    publish(home, load_settings())
    _mark_pages(home)
    # Lists and pages of devices, as an earlier drop would have left them.
    steps.write_report(home, load_settings())


def _mark_pages(home: Home) -> None:
    """Write for each copy a page that holds nothing but the key by which it counts as written."""
    settings = load_settings()
    connection = connect_for_reading(home)
    try:
        workouts = read.read_workouts(connection)
        devices, definitions = read.read_devices(connection), read.read_definitions(connection)
    finally:
        connection.close()
    maker = KeyMaker(devices=devices, definitions=definitions, settings=settings)
    for facts in workouts.values():
        path = home.report / "workouts" / f"{facts.workout_id}.html"
        if not path.exists():
            key = maker.of_workout(facts)
            path.write_text(f'<meta name="coworn-key" content="{key}">')
    PageKeys(home.report / "workouts").save()


def _copy_column(table: Table, name: str) -> str:
    column = next(one for one in table.columns if one.name == name)
    if name == "workout_id":
        return f"{_shift_workout('workout_id', 'k')} AS workout_id"
    if name in _BY_FILE:
        return f"printf('%08x', k) || substr({name}, 9) AS {name}"
    if column.kind == "instant" and name != "computed_at":
        return f"{name} - to_days(k::INTEGER) AS {name}"
    return name


def _shift_workout(name: str, copy: str) -> str:
    """Return the SQL of an id like 20260110T0800Z-4b8a91, so many days earlier."""
    begun = f"strptime({name}[:14], '%Y%m%dT%H%MZ') - to_days({copy}::INTEGER)"
    return f"strftime({begun}, '%Y%m%dT%H%MZ') || '-' || printf('%06x', {copy})"


def _clone_ledger(home: Home, n_clones: int) -> None:
    with sqlite3.connect(home.ledger) as ledger:
        ledger.execute("CREATE TEMPORARY TABLE copies (k INTEGER)")
        ledger.executemany("INSERT INTO copies VALUES (?)", [(k,) for k in range(1, n_clones + 1)])
        for table, others in (
            (
                "files",
                "received_at, bytes, format, status, reason, inside, n_recordings",
            ),
            ("names", "name, folder, seen_at"),
        ):
            ledger.execute(
                f"INSERT INTO {table} (file_id, {others}) "  # noqa: S608 - names from above
                f"SELECT printf('%08x', k) || substr(file_id, 9), {others} FROM {table}, copies"
            )
        ledger.execute(
            "INSERT INTO recordings (recording_id, file_id, workout_id, settled) "
            "SELECT printf('%08x', k) || substr(recording_id, 9), "
            "printf('%08x', k) || substr(file_id, 9), "
            "strftime('%Y%m%dT%H%MZ', substr(workout_id, 1, 4) || '-' || substr(workout_id, 5, 2) "
            "|| '-' || substr(workout_id, 7, 2) || ' ' || substr(workout_id, 10, 2) || ':' "
            "|| substr(workout_id, 12, 2), printf('-%d days', k)) || '-' || printf('%06x', k), "
            "settled FROM recordings, copies"
        )


def _clone_lake(home: Home, n_clones: int) -> None:
    folders = [path for path in home.lake.glob("*/recording_id=*") if path.is_dir()]
    for folder in folders:
        _, _, recording_id = folder.name.partition("=")
        for k in range(1, n_clones + 1):
            place = folder.with_name(f"recording_id={k:08x}{recording_id[8:]}")
            place.mkdir()
            for path in folder.iterdir():
                os.link(path, place / path.name)
