"""The ledger: nothing seen is forgotten, and several processes may write at once."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from datetime import UTC, datetime, timedelta, timezone
from typing import TYPE_CHECKING

import pytest

from config.home import Home
from tasks.archive.ledger import Ledger, LedgerError
from tasks.core.errors import StoreBusyError

if TYPE_CHECKING:
    from pathlib import Path

NOON = datetime(2026, 5, 2, 12, tzinfo=UTC)
FILE = "a" * 64
OTHER = "b" * 64


@pytest.fixture
def home(tmp_path: Path) -> Home:
    return Home(tmp_path / "home")


def record(ledger: Ledger, file_id: str = FILE, name: str = "run.fit", **facts: object) -> bool:
    return ledger.record_file(file_id, **{"name": name, "bytes": 7, "received_at": NOON, **facts})  # type: ignore[arg-type]


def test_what_was_written_is_there_after_reopening(home: Home) -> None:
    with Ledger(home) as ledger:
        assert record(ledger, folder="alder-2", format="fit", inside=OTHER)
        ledger.set_outcome(FILE, "partial", reason="cut after 12 min", recordings=["r-0", "r-1"])
    with Ledger(home) as ledger:
        found = ledger.find_file(FILE)
    assert found is not None
    assert (found.name, found.folder, found.bytes, found.format) == ("run.fit", "alder-2", 7, "fit")
    assert (found.status, found.reason, found.inside) == ("partial", "cut after 12 min", OTHER)
    assert found.received_at == NOON
    assert (found.recording_ids, found.recording_id, found.n_recordings) == (
        ("r-0", "r-1"),
        "r-0",
        2,
    )


def test_a_file_that_was_never_seen_is_none(home: Home) -> None:
    with Ledger(home) as ledger:
        assert ledger.find_file(FILE) is None
        assert ledger.list_files() == []
        assert ledger.workout_of("r-0") is None


def test_a_file_without_an_outcome_is_unfinished_until_it_has_one(home: Home) -> None:
    with Ledger(home) as ledger:
        record(ledger)
        assert [file.status for file in ledger.list_files()] == ["archived"]
        ledger.set_outcome(FILE, "refused", reason="no samples")
        assert [file.status for file in ledger.list_files()] == ["refused"]


def test_the_same_bytes_under_another_name_keep_their_outcome_and_every_name(home: Home) -> None:
    with Ledger(home) as ledger:
        record(ledger, name="first.fit")
        ledger.set_outcome(FILE, "stored", recordings=["r-0"])
        assert not record(ledger, name="second.fit", received_at=NOON + timedelta(days=1))
        assert not record(ledger, name="second.fit")
        found = ledger.find_file(FILE)
        assert found is not None
        assert found.status == "stored"
        assert found.received_at == NOON
        assert [seen.name for seen in found.names] == ["first.fit", "second.fit"]
        assert [file.file_id for file in ledger.find_files_named("second.fit")] == [FILE]


@pytest.mark.parametrize(
    "name",
    [
        "a'b\";--.fit",
        "line\nbreak.fit",
        "\N{LATIN SMALL LETTER E WITH ACUTE}.fit",
        "e\u0301.fit",
        "\udcff.fit",
        "x" * 255,
    ],
)
def test_any_name_can_be_kept_and_found(home: Home, name: str) -> None:
    with Ledger(home) as ledger:
        record(ledger, name=name)
        assert [file.file_id for file in ledger.find_files_named(name)] == [FILE]


def test_two_unicode_forms_of_a_name_are_two_names(home: Home) -> None:
    with Ledger(home) as ledger:
        record(ledger, name="\u00e9.fit")
        record(ledger, name="e\u0301.fit")
        found = ledger.find_file(FILE)
        assert found is not None
        assert len(found.names) == 2


def test_files_come_in_the_order_of_arrival_whatever_their_zone(home: Home) -> None:
    with Ledger(home) as ledger:
        record(
            ledger,
            FILE,
            received_at=datetime(2026, 5, 2, 13, 30, tzinfo=timezone(timedelta(hours=2))),
        )
        record(ledger, OTHER, received_at=NOON)
        assert [file.file_id for file in ledger.list_files()] == [FILE, OTHER]


def test_a_naive_time_is_refused(home: Home) -> None:
    with Ledger(home) as ledger, pytest.raises(ValueError, match="zone"):
        record(ledger, received_at=datetime(2026, 5, 2))  # noqa: DTZ001 - the point of the test


def test_an_outcome_for_an_unknown_file_is_an_error(home: Home) -> None:
    with Ledger(home) as ledger, pytest.raises(LedgerError, match="knows no file"):
        ledger.set_outcome(FILE, "stored")


def test_an_unknown_status_is_an_error(home: Home) -> None:
    with Ledger(home) as ledger:
        record(ledger)
        with pytest.raises(ValueError, match="lost"):
            ledger.set_outcome(FILE, "lost")  # type: ignore[arg-type]


def test_a_failed_outcome_changes_nothing(home: Home) -> None:
    with Ledger(home) as ledger:
        record(ledger)
        with pytest.raises(sqlite3.Error):
            ledger.set_outcome(FILE, "stored", recordings=["r-0", object()])  # type: ignore[list-item]
        found = ledger.find_file(FILE)
        assert found is not None
        assert (found.status, found.recording_ids) == ("archived", ())


def test_recordings_wait_for_settling_and_keep_their_workout_when_read_again(home: Home) -> None:
    with Ledger(home) as ledger:
        record(ledger)
        ledger.set_outcome(FILE, "stored", recordings=["r-0", "r-1"])
        assert ledger.unsettled() == ("r-0", "r-1")
        ledger.assign_workout(["r-0", "r-1"], "w")
        ledger.mark_settled(["r-0", "r-1"])
        assert ledger.unsettled() == ()
        ledger.set_outcome(FILE, "stored", recordings=["r-0"])
        assert ledger.list_workouts() == {"r-0": "w"}


def test_reopening_keeps_names_workouts_and_its_fact(home: Home) -> None:
    with Ledger(home) as ledger:
        record(ledger)
        ledger.set_outcome(FILE, "stored", recordings=["r-0"])
        ledger.assign_workout(["r-0"], "w")
        ledger.mark_settled(["r-0"])
        ledger.reopen({FILE: ("why:f", "other notes")})
        assert ledger.recall_all("why:") == {"f": "other notes"}
        assert [file.status for file in ledger.list_files()] == ["archived"]
        assert ledger.unsettled() == ("r-0",)
        assert ledger.workout_of("r-0") == "w"


def test_assigning_is_all_or_nothing(home: Home) -> None:
    with Ledger(home) as ledger:
        record(ledger)
        ledger.set_outcome(FILE, "stored", recordings=["r-0"])
        with pytest.raises(LedgerError, match="r-9"):
            ledger.assign_workouts({"r-0": "w", "r-9": "w"})
        assert ledger.workout_of("r-0") is None


def test_small_facts_are_replaced_and_forgotten(home: Home) -> None:
    with Ledger(home) as ledger:
        assert ledger.recall("devices") is None
        ledger.remember("devices", "1")
        ledger.remember("devices", "2")
        assert ledger.recall("devices") == "2"
        ledger.remember("devices", None)
        assert ledger.recall("devices") is None


def test_a_held_ledger_is_said_to_be_busy(home: Home) -> None:
    with Ledger(home) as ledger:
        record(ledger)
    holder = sqlite3.connect(home.ledger, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    try:
        with Ledger(home, wait_s=0.05) as ledger:
            assert ledger.find_file(FILE) is not None, "reading needs no lock"
            with pytest.raises(StoreBusyError, match=r"ledger\.sqlite is held"):
                ledger.remember("a", "b")
    finally:
        holder.close()


def test_a_damaged_ledger_names_the_file_and_the_remedy(home: Home) -> None:
    home.state.mkdir(parents=True)
    home.ledger.write_bytes(b"no database" * 100)
    with pytest.raises(LedgerError, match=r"ledger\.sqlite: .*repair"), Ledger(home):
        pass


def test_a_newer_ledger_is_left_alone(home: Home) -> None:
    with Ledger(home):
        pass
    with sqlite3.connect(home.ledger) as connection:
        connection.execute("PRAGMA user_version = 99")
    connection.close()
    with pytest.raises(LedgerError, match="schema 99"), Ledger(home):
        pass


WRITER = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from config.home import Home
from tasks.archive.ledger import Ledger
mine = sys.argv[2]
for number in range(25):
    with Ledger(Home(Path(sys.argv[1]))) as ledger:
        file_id = f"{mine}{number:063d}"
        ledger.record_file(file_id, name="x", bytes=1, received_at=datetime.now(UTC))
        ledger.set_outcome(file_id, "stored", recordings=[f"{mine}-{number}"])
"""


def test_four_processes_that_create_and_write_at_once_lose_nothing(home: Home) -> None:
    writers = [
        subprocess.Popen([sys.executable, "-c", WRITER, str(home.root), name]) for name in "abcd"
    ]
    assert [writer.wait(60) for writer in writers] == [0, 0, 0, 0]
    with Ledger(home) as ledger:
        files = ledger.list_files()
    assert len(files) == 100
    assert {file.status for file in files} == {"stored"}
