"""Exports without a zone: whenever the notes come, the home says the same in the end."""

from __future__ import annotations

import itertools
import zipfile
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from config.home import Home
from config.settings import Settings, load_settings
from tasks import processing
from tasks.archive import lake, originals
from tasks.archive.ledger import Ledger
from tasks.core.provenance import begin_run
from tasks.ingest import exports, local_times
from tasks.store import read_store

if TYPE_CHECKING:
    from pathlib import Path

    from tasks.core.file_records import FileRecord

SETTINGS = load_settings()
LOCAL = datetime(2026, 5, 4, 7, 30)  # noqa: DTZ001 - that is what it is about
#: Nepal: 07:30 there is 01:45 in UTC.
NOTES = "start = 2026-05-04T07:30:00+05:45\n"
OTHER_NOTES = NOTES.replace("+05:45", "+02:00")
SHEET_HEAD = "start,device,battery start,battery end\n"


def write_export(suffix: str = "", *, above_bpm: int = 0, start: datetime = LOCAL) -> str:
    """Half an hour of heart rate, one value each ten seconds; `suffix` is that of the times."""
    rows = [
        f"{(start + timedelta(seconds=10 * n)):%Y-%m-%dT%H:%M:%S}{suffix},{120 + above_bpm + n % 7}"
        for n in range(181)
    ]
    return "time,heart_rate\n" + "\n".join(rows) + "\n"


@dataclass
class Line:
    """A home; each run takes what is dropped, asks the notes, measures and stores."""

    home: Home
    settings: Settings = SETTINGS

    def run(self, **files: str) -> None:
        """Drop files (names with `__` for dots) and do what a drop does."""
        for name, text in files.items():
            path = self.home.inbox / name.replace("__", ".")
            path.write_text(text)
            self.take(path)
        self.settle()

    def take(self, path: Path) -> None:
        file = exports.Dropped(path, path.name)
        exports.ingest_file(file, home=self.home, settings=self.settings, move=True)

    def settle(self) -> None:
        for known in local_times.decide_again(self.home, self.settings):
            exports.finish_file(known, home=self.home, settings=self.settings)
        local_times.clear_lake(self.home)
        prepared = processing.prepare(self.home, self.settings)
        outcomes = [
            processing.measure_planned(planned, home=self.home, settings=self.settings)
            for planned in prepared.plan.workouts
        ]
        run = begin_run("drop", settings_hash=self.settings.hash_of_values)
        processing.commit(
            prepared, outcomes, run=run, home=self.home, settings=self.settings, wait_s=10.0
        )
        processing.finish(prepared, outcomes, home=self.home)

    def find(self, name: str) -> FileRecord:
        with Ledger(self.home) as ledger:
            (file,) = ledger.find_files_named(name)
        return file

    def ask(self, query: str) -> list[tuple[object, ...]]:
        with read_store(self.home) as connection:
            connection.execute("SET TimeZone = 'UTC'")
            return list(connection.execute(query).fetchall())

    def list_starts(self) -> list[tuple[object, ...]]:
        return self.ask(
            "SELECT f.name, strftime(r.start_utc, '%H:%M'), r.time_basis, r.local_offset_s, "
            "r.workout_id IN (SELECT workout_id FROM workouts) "
            "FROM recordings r JOIN files f USING (file_id) ORDER BY 1"
        )

    def list_refused(self) -> list[str]:
        return sorted(path.name for path in self.home.refused.iterdir())


@pytest.fixture
def line(tmp_path: Path) -> Line:
    return make_line(tmp_path / "home")


def make_line(root: Path, settings: Settings = SETTINGS) -> Line:
    home = Home(root)
    home.create()
    return Line(home, settings)


PLACED = [("watch.csv", "01:45", "notes", 20_700, True)]


def test_notes_that_were_there_before_place_an_export(line: Line) -> None:
    line.run(run__notes__toml=NOTES)
    line.run(watch__csv=write_export())
    assert line.list_starts() == PLACED
    assert line.list_refused() == []


def test_notes_of_the_same_drop_place_an_export_that_came_first(line: Line) -> None:
    line.run(watch__csv=write_export(), run__notes__toml=NOTES)
    assert line.list_starts() == PLACED
    assert line.list_refused() == []


def test_late_notes_bring_an_export_back_that_was_refused(line: Line) -> None:
    line.run(watch__csv=write_export())
    assert line.list_refused() == ["watch.csv", "watch.csv.why.txt"]
    refused = line.find("watch.csv")
    assert refused.status == "refused"
    assert "or drop notes of the workout" in str(refused.reason)
    line.run(run__notes__toml=NOTES)
    assert line.list_starts() == PLACED
    assert line.list_refused() == []
    stored = line.find("watch.csv")
    assert (stored.status, stored.reason) == ("stored", None)


def test_a_recording_says_which_notes_placed_it(line: Line) -> None:
    line.run(watch__csv=write_export(), run__notes__toml=NOTES)
    ((remarks,),) = line.ask("SELECT remarks FROM recordings")
    assert "the offset of the notes 'run.notes.toml' (+05:45)" in str(remarks)


def test_a_row_of_a_spreadsheet_gives_the_offset_too(line: Line) -> None:
    row = "2026-05-04T07:30:00+05:45,watch,90,87\n"
    line.run(watch__csv=write_export(), a__notes__csv=SHEET_HEAD + row)
    assert line.list_starts() == PLACED


def test_notes_of_another_time_of_day_leave_it_refused(line: Line) -> None:
    line.run(watch__csv=write_export(), run__notes__toml=NOTES.replace("T07:30", "T17:30"))
    assert line.find("watch.csv").status == "refused"
    assert line.list_starts() == []


def test_the_zone_of_the_settings_goes_before_the_notes(tmp_path: Path) -> None:
    zone = SETTINGS.model_copy(
        update={"time": SETTINGS.time.model_copy(update={"zone": "Asia/Tokyo"})}
    )
    line = make_line(tmp_path / "home")
    line.run(watch__csv=write_export(), other__csv=write_export(above_bpm=9))
    line.run(run__notes__toml=NOTES)
    assert {start for _, start, *_ in line.list_starts()} == {"01:45"}
    # Tokyo is UTC+9 all year. Source: IANA time zone database.
    line.settings = zone
    line.run()
    assert [row[1:3] for row in line.list_starts()] == [("22:30", "zone"), ("22:30", "zone")]
    assert local_times.decide_again(line.home, zone) == []


def test_notes_replaced_under_their_name_move_the_recording(line: Line) -> None:
    line.run(watch__csv=write_export(), run__notes__toml=OTHER_NOTES)
    line.run(ref__csv=write_export("+05:45", above_bpm=2))
    assert line.ask("SELECT count(*) FROM workouts WHERE n_devices = 1") == [(2,)]
    line.run(run__notes__toml=NOTES)
    assert [row[1] for row in line.list_starts()] == ["01:45", "01:45"]
    assert line.ask("SELECT n_devices FROM workouts") == [(2,)]


def test_a_lone_workout_is_measured_again_when_its_offset_changes(line: Line) -> None:
    line.run(watch__csv=write_export(), run__notes__toml=OTHER_NOTES)
    ((before,),) = line.ask("SELECT start_utc FROM workouts")
    line.run(run__notes__toml=NOTES)
    ((after,),) = line.ask("SELECT start_utc FROM workouts")
    assert isinstance(before, datetime)
    assert isinstance(after, datetime)
    # By hand: from +02:00 to +05:45 the same wall clock lies 3 h 45 min earlier.
    assert before - after == timedelta(hours=3, minutes=45)


def test_notes_that_come_to_disagree_take_the_recording_back(line: Line) -> None:
    line.run(watch__csv=write_export(), a__notes__toml=NOTES)
    line.run(b__notes__toml=OTHER_NOTES)
    refused = line.find("watch.csv")
    assert refused.status == "refused"
    assert "the notes 'a.notes.toml' (+05:45) and 'b.notes.toml' (+02:00) do not" in str(
        refused.reason
    )
    assert line.list_starts() == []
    assert line.ask("SELECT count(*) FROM workouts") == [(0,)]
    assert lake.list_recordings(line.home.lake) == ()
    assert line.list_refused() == ["watch.csv", "watch.csv.why.txt"]
    line.run(b__notes__toml=OTHER_NOTES.replace("+02:00", "+05:45"))
    assert line.list_starts() == PLACED
    assert line.list_refused() == []


def test_a_partner_stays_when_notes_take_a_recording_back(line: Line) -> None:
    line.run(watch__csv=write_export(), a__notes__toml=NOTES)
    line.run(ref__csv=write_export("+05:45", above_bpm=2))
    assert line.ask("SELECT n_devices FROM workouts") == [(2,)]
    line.run(b__notes__toml=OTHER_NOTES)
    assert [row[0] for row in line.list_starts()] == ["ref.csv"]
    assert line.ask("SELECT n_devices FROM workouts") == [(1,)]


def test_a_row_taken_out_of_a_spreadsheet_takes_the_offset_with_it(line: Line) -> None:
    row = "2026-05-04T07:30:00+05:45,watch,90,87\n"
    later = "2026-06-04T07:30:00+05:45,watch,90,87\n"
    line.run(watch__csv=write_export(), a__notes__csv=SHEET_HEAD + row + later)
    line.run(a__notes__csv=SHEET_HEAD + later)
    assert line.find("watch.csv").status == "refused"
    assert line.list_starts() == []


def test_the_order_of_exports_and_notes_does_not_matter(tmp_path: Path) -> None:
    drops = {
        "watch__csv": write_export(),
        "ref__csv": write_export("+05:45", above_bpm=2),
        "run__notes__toml": NOTES,
    }
    seen = set()
    for number, order in enumerate(itertools.permutations(drops)):
        line = make_line(tmp_path / str(number))
        for name in order:
            line.run(**{name: drops[name]})
        values = line.ask(
            "SELECT metric, segment, value FROM results r JOIN (SELECT workout_id, "
            "max(computed_at) AS computed_at FROM results GROUP BY 1) USING "
            "(workout_id, computed_at) WHERE segment = 'all' AND value IS NOT NULL ORDER BY ALL"
        )
        assert len(values) > 5
        seen.add((tuple(line.list_starts()), tuple(values)))
    assert len(seen) == 1


def test_nothing_is_read_again_when_nothing_changed(line: Line) -> None:
    line.run(watch__csv=write_export(), lost__csv=write_export(start=LOCAL + timedelta(days=9)))
    line.run(run__notes__toml=NOTES)
    assert local_times.decide_again(line.home, SETTINGS) == []
    line.run(other__notes__toml="start = 2026-07-04T07:30:00+05:45\n")
    assert local_times.decide_again(line.home, SETTINGS) == []


def test_an_export_inside_an_archive_is_read_again_with_its_archive(line: Line) -> None:
    path = line.home.inbox / "both.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("watch.csv", write_export())
        archive.writestr("ref.csv", write_export("+05:45", above_bpm=2))
    line.take(path)
    assert line.find("both.zip").status == "partial"
    line.run(run__notes__toml=NOTES)
    assert [row[1] for row in line.list_starts()] == ["01:45", "01:45"]
    assert (line.find("both.zip").status, line.find("both.zip").reason) == ("stored", None)
    assert line.list_refused() == []


def test_a_run_that_died_before_reading_again_is_made_up_for(line: Line) -> None:
    line.run(watch__csv=write_export())
    path = line.home.inbox / "run.notes.toml"
    path.write_text(NOTES)
    line.take(path)
    assert [file.name for file in local_times.decide_again(line.home, SETTINGS)] == ["watch.csv"]
    # Killed here: the decision is written, the export counts as interrupted.
    assert [file.name for file in exports.list_unfinished(line.home)] == ["watch.csv"]
    line.settle()
    assert line.list_starts() == PLACED


def test_a_run_that_died_between_refusing_and_tidying_is_made_up_for(line: Line) -> None:
    line.run(watch__csv=write_export(), a__notes__toml=NOTES)
    path = line.home.inbox / "b.notes.toml"
    path.write_text(OTHER_NOTES)
    line.take(path)
    for known in local_times.decide_again(line.home, SETTINGS):
        exports.finish_file(known, home=line.home, settings=SETTINGS)
    # Killed here: the ledger knows no recording any more, the lake still holds it.
    assert len(lake.list_recordings(line.home.lake)) == 1
    line.settle()
    assert lake.list_recordings(line.home.lake) == ()
    assert line.list_starts() == []


def test_only_what_has_the_same_bytes_leaves_refused(line: Line) -> None:
    line.run(watch__csv=write_export())
    line.run(watch__csv=write_export(start=LOCAL + timedelta(days=9)))
    assert len(line.list_refused()) == 4
    line.run(run__notes__toml=NOTES)
    left, why = line.list_refused()
    assert left.startswith("watch-")
    assert why == f"{left}.why.txt"


def test_a_lost_ledger_and_home_made_again_from_its_originals_say_the_same(
    line: Line, tmp_path: Path
) -> None:
    line.run(watch__csv=write_export(), run__notes__toml=NOTES)
    again = make_line(tmp_path / "again")
    for file_id, path in originals.list_originals(line.home):
        name = "watch.csv" if line.find("watch.csv").file_id == file_id else "run.notes.toml"
        copy = again.home.inbox / name
        copy.write_bytes(path.read_bytes())
        again.take(copy)
    again.settle()
    assert again.list_starts() == line.list_starts() == PLACED
