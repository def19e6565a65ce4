"""Repairs a damaged home: each part is made again from what is whole.

Lake from originals, ledger from its backup and the store, store from a backup or the lake, what is
published from the store.
"""

from __future__ import annotations

import contextlib
import shutil
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import duckdb

from flows.run_reports import Stages
from flows.runs.process_workouts import process_locked, publish_results, refresh_report
from flows.runs.read_files import finish_by_notes, finish_files
from flows.runs.rebuild import adopt_unknown_originals
from flows.session.locks import hold_run_lock
from tasks.archive.lake import ensure_lake
from tasks.archive.mend import (
    FILE_COLUMNS,
    adopt_files,
    is_ledger_whole,
    mend_lake,
    move_aside,
)
from tasks.archive.originals import list_originals
from tasks.archive.rot import explain_damage, verify_portion
from tasks.core.errors import CowornError
from tasks.core.wording import count
from tasks.ingest.exports import FileOutcome, list_unfinished
from tasks.store import find_published, list_backups, open_store, restore_backup

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from config.home import Home
    from config.session import Session
    from flows.run_reports import WorkoutRun


@dataclass(frozen=True)
class RepairReport:
    """What was damaged and what was made of it, one line each, and what the run then did."""

    mended: tuple[str, ...]
    outcomes: tuple[FileOutcome, ...]
    workout_run: WorkoutRun
    page_complaints: tuple[str, ...]


def run_repair(session: Session) -> RepairReport:
    """Look at every part of the home and make the damaged ones again. Raises: StoreBusyError."""
    home, stages = session.home, Stages()
    mended: list[str] = []
    wait_s = session.settings.run.lock_wait_s
    with hold_run_lock(home, wait_s=wait_s, purpose="coworn repair"):
        mended += _mend_store(home)
        mended += _mend_ledger(home)
        ensure_lake(home.lake)
        mended += [f"lake/{path}: damaged; made again" for path in mend_lake(home.lake, deep=True)]
        mended += _mend_published(home)
        with stages.time("read"):
            waiting = list_unfinished(home)
            outcomes = finish_by_notes(finish_files(waiting, session=session), session=session)
        mended += [f"{file.name}: read again from its original" for file in waiting]
        named = {one.file_id for one in outcomes if one.is_problem}
        outcomes += [
            FileOutcome(path.name, "failed", file_id, explain_damage(path, home=home))
            for file_id, path in verify_portion(home, nights=1)
            if file_id not in named
        ]
        mended += _measure_without_pairs(home)
        workout_run = process_locked(session, flow_name="repair", stages=stages, everything=True)
        publish_results(session, stages=stages)
    complaints = refresh_report(session, stages=stages)
    return RepairReport(tuple(mended), tuple(outcomes), workout_run, complaints)


def _mend_store(home: Home) -> Iterator[str]:
    if _opens(home.store) or not home.store.exists():
        if home.store.exists() or not list_backups(home):
            return
        what = "state/store.duckdb: missing"
    else:
        aside = move_aside(home.store, home=home)
        what = f"state/store.duckdb: damaged, kept as {aside.relative_to(home.root)}"
    for backup in reversed(list_backups(home)):
        with contextlib.suppress(CowornError, duckdb.Error, OSError):
            restore_backup(backup, home=home)
            yield f"{what}; restored from backups/{backup.name}"
            return
    yield f"{what}; no backup opens, so it is made again from the lake"


def _mend_ledger(home: Home) -> Iterator[str]:
    rows = _read_files(home)
    if is_ledger_whole(home.ledger) or not list_originals(home):
        n_adopted = adopt_files(home, rows) + adopt_unknown_originals(home)
        if n_adopted:
            what = count(n_adopted, "original")
            yield f"state/ledger.sqlite: {what} unknown to it; entered again"
        return
    what = "state/ledger.sqlite: missing"
    if home.ledger.exists():
        aside = move_aside(home.ledger, home=home)
        what = f"state/ledger.sqlite: damaged, kept as {aside.relative_to(home.root)}"
    backups = [
        path for path in sorted(home.backups.glob("ledger-*.sqlite")) if is_ledger_whole(path)
    ]
    source = "originals and the store"
    if backups:
        shutil.copyfile(backups[-1], home.ledger)
        home.ledger.chmod(0o600)
        source = f"backups/{backups[-1].name}, originals and the store"
    adopt_files(home, rows)
    adopt_unknown_originals(home)
    yield f"{what}; made again from {source}"


def _mend_published(home: Home) -> Iterator[str]:
    copy = find_published(home)
    is_lost = copy is None and any(home.published.glob("results-*.duckdb"))
    for path in sorted(home.published.glob("results-*.duckdb")):
        if not _opens(path):
            path.unlink()
            yield f"published/{path.name}: damaged; published again"
    if is_lost:
        yield "results.duckdb: the link was lost; published again"


def _measure_without_pairs(home: Home) -> Iterator[str]:
    """Have workouts measured again whose paired seconds are gone from the lake."""
    there = {path.name.partition("=")[2] for path in (home.lake / "pairs").glob("workout_id=*")}
    with open_store(home) as connection:
        rows = connection.execute(
            "SELECT workout_id FROM workouts WHERE fingerprint IS NOT NULL AND EXISTS (SELECT 1 "
            "FROM results WHERE results.workout_id = workouts.workout_id AND reference IS NOT NULL "
            "AND metric = 'hr_mae_bpm' AND value IS NOT NULL) ORDER BY 1"
        ).fetchall()
        lost = [row[0] for row in rows if row[0] not in there]
        for workout_id in lost:
            connection.execute(
                "UPDATE workouts SET fingerprint = NULL WHERE workout_id = ?", [workout_id]
            )
            yield f"{workout_id}: its paired seconds were lost; measured again"


def _read_files(home: Home) -> list[Mapping[str, Any]]:
    """Return what the store and the published copies say of originals, as far as they open."""
    rows: dict[str, Mapping[str, Any]] = {}
    query = f"SELECT {', '.join(FILE_COLUMNS)} FROM files"  # noqa: S608 - declared names only
    with contextlib.suppress(CowornError, duckdb.Error), open_store(home) as connection:
        found = connection.sql(query).to_arrow_table().to_pylist()
        rows |= {row["file_id"]: row for row in found}
    for path in sorted(home.published.glob("results-*.duckdb")):
        with (
            contextlib.suppress(duckdb.Error, OSError),
            duckdb.connect(str(path), read_only=True) as connection,
        ):
            found = connection.sql(query).to_arrow_table().to_pylist()
            rows = {row["file_id"]: row for row in found} | rows
    return list(rows.values())


def _opens(path: Path) -> bool:
    """Say whether a DuckDB file opens and every table of it can be read."""
    try:
        with duckdb.connect(str(path), read_only=True) as connection:
            tables = connection.execute(
                "SELECT table_name FROM duckdb_tables() WHERE NOT internal"
            ).fetchall()
            for (name,) in tables:
                connection.execute(f'SELECT max(hash(t)) FROM "{name}" AS t').fetchall()  # noqa: S608
    except (duckdb.Error, OSError):
        return False
    return True
