"""Really removes exports: originals, lake, ledger, store, its published copies and backups."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from tasks.archive.lake import remove_pairs, remove_recording
from tasks.archive.ledger import Ledger
from tasks.archive.originals import find_original, release
from tasks.core.durable import sync_folder
from tasks.processing.prepare import AUTOMATIC_PREFIX
from tasks.store import delete_recordings, read_store, rewrite_store

if TYPE_CHECKING:
    from collections.abc import Sequence

    from config.home import Home
    from tasks.core.file_records import FileRecord

#: Beginning of the ledger's keys of files that are being removed: a kill is made up for.
FORGETTING: Final = "forgetting:"


@dataclass(frozen=True)
class Forgotten:
    """What was removed: names of files, and how many of each thing."""

    names: tuple[str, ...]
    recordings: int
    originals: int
    rows: int
    workouts: tuple[str, ...]


def list_with_members(files: Sequence[FileRecord], chosen: Sequence[str]) -> list[FileRecord]:
    """Return the files with these ids and what came inside them."""
    wanted = set(chosen)
    return [file for file in files if file.file_id in wanted or file.inside in wanted]


def begin_forgetting(home: Home, files: Sequence[FileRecord]) -> None:
    """Write down which files are to go, before anything of them is gone."""
    with Ledger(home) as ledger:
        for file in files:
            ledger.remember(FORGETTING + file.file_id, "begun")


def list_forgetting(home: Home) -> tuple[bool, list[FileRecord]]:
    """Say whether a removal was begun and not ended, and return what the ledger still has of it."""
    with Ledger(home) as ledger:
        wanted = ledger.recall_all(FORGETTING)
        return bool(wanted), [file for file in ledger.list_files() if file.file_id in wanted]


def end_forgetting(home: Home) -> None:
    """Write down that all is gone, and forget the ids of units that nothing is left of."""
    with read_store(home) as connection:
        rows = connection.execute("SELECT device_id FROM devices").fetchall()
    living = {device_id for (device_id,) in rows}
    with Ledger(home) as ledger:
        for key in ledger.recall_all(FORGETTING):
            ledger.remember(FORGETTING + key, None)
        for key, device_id in ledger.recall_all(AUTOMATIC_PREFIX).items():
            if device_id not in living:
                ledger.remember(AUTOMATIC_PREFIX + key, None)


def forget(home: Home, files: Sequence[FileRecord], *, wait_s: float) -> Forgotten:
    """Remove all that came of `files`; done again it does nothing more.

    Call it under the lock of the home. What the workouts were compared with changes: measure them
    again afterwards, publish, and back up. Raises: StoreBusyError.
    """
    recording_ids = [one for file in files for one in file.recording_ids]
    with Ledger(home) as ledger:
        workouts = {ledger.workout_of(one) for one in recording_ids} - {None}
    rows = delete_recordings(
        home,
        recording_ids,
        file_ids=[file.file_id for file in files],
        workouts=sorted(filter(None, workouts)),
        wait_s=wait_s,
    )
    rewrite_store(home, wait_s=wait_s)
    for one in recording_ids:
        remove_recording(one, lake=home.lake)
    for workout_id in filter(None, workouts):
        remove_pairs(workout_id, lake=home.lake)
    originals = 0
    for file in files:
        original = find_original(file.file_id, home=home)
        if original is not None:
            release(original, home=home)
            original.unlink()
            sync_folder(original.parent)
            originals += 1
    names = tuple(sorted({seen.name for file in files for seen in file.names}))
    _clear_logs(home, names)
    with Ledger(home) as ledger:
        ledger.forget(
            [file.file_id for file in files], prefixes=("local_times:", "splits_said:", "split_at:")
        )
    return Forgotten(
        names, len(recording_ids), originals, rows, tuple(sorted(filter(None, workouts)))
    )


def remove_copies(home: Home, *, newest: str | None) -> tuple[int, int]:
    """Remove published copies but the newest, and every backup; return how many of each."""
    copies = [path for path in home.published.glob("results-*.duckdb*") if path.name != newest]
    for path in copies:
        path.unlink(missing_ok=True)
    backups = list(home.backups.iterdir()) if home.backups.is_dir() else []
    for path in backups:
        if path.is_dir():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink(missing_ok=True)
    return len(copies), sum(path.suffix == ".duckdb" for path in backups)


def _clear_logs(home: Home, names: Sequence[str]) -> None:
    """Take the lines out of the logs, and out of what was asked in SQL, that name a file."""
    for path in (*home.logs.glob("coworn.log*"), *home.state.glob(home.sql_history.name)):
        lines = path.read_text(encoding="utf-8", errors="replace").splitlines(keepends=True)
        kept = [line for line in lines if not any(name in line for name in names)]
        if len(kept) != len(lines):
            path.write_text("".join(kept), encoding="utf-8")
