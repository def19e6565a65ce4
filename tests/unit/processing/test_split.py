"""A workout that is two: split by notes, the same after a rebuild, one again to the bit."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from tasks.archive.lake import list_recordings, read_recording
from tasks.archive.ledger import Ledger
from tasks.core.errors import NotesError
from tasks.core.notes import Split
from tasks.core.parts import find_part, find_whole
from tasks.ingest.by_notes import clear_lake, decide_again
from tasks.ingest.exports import finish_file
from tasks.processing.corrections import find_groupings, find_splits, write_grouping
from tasks.readers.notes import read_notes
from tasks.tables.arrow import read_floats
from tests.unit.processing.test_notes_change import MONDAY, SETTINGS, line
from tests.unit.processing.test_regrouped import find_ids, list_workouts
from tests.unit.processing.test_set_aside import DEVICES, list_results

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tests.unit.processing.test_notes_change import Line

__all__ = ["line"]

HALF = MONDAY + timedelta(seconds=600)


def write_run(higher_bpm: int) -> str:
    """Return an export of 20 minutes, faster in its second half."""
    rows = []
    for k in range(1201):
        bpm = 120 + higher_bpm + 15 * (k // 90 % 4) + k % 2
        distance_m = 3 * k if k < 600 else 1800 + 4 * (k - 600)
        rows.append(f"{MONDAY + timedelta(seconds=k):%Y-%m-%dT%H:%M:%SZ},{bpm},{distance_m}")
    return "time,heart_rate,distance\n" + "\n".join(rows) + "\n"


def drop_run(line: Line) -> None:
    line.home.devices.write_text(DEVICES)
    line.run(watch__csv=write_run(3), strap__csv=write_run(0))


def settle(line: Line, *, name: str, text: str) -> None:
    """Take notes in and do what a run does: read again what they say, measure."""
    line.run(**{name.replace(".", "__"): text})
    read_again(line)
    line.run()


def read_again(line: Line) -> list[str]:
    files = decide_again(line.home, SETTINGS)
    for file in files:
        finish_file(file, home=line.home, settings=SETTINGS)
    clear_lake(line.home)
    return [file.name for file in files]


def write_split(recordings: Sequence[str], *, at: datetime = HALF) -> tuple[str, str]:
    return write_grouping(
        "split it",
        start_utc=MONDAY,
        written=datetime.now(UTC),
        splits=[Split(one, at) for one in recordings],
    )


def test_a_workout_is_split_and_is_one_again_to_the_bit(line: Line) -> None:
    drop_run(line)
    before = list_results(line)
    whole = list_recordings(line.home.lake)
    ids = find_ids(line, "watch.csv", "strap.csv")
    name, text = write_split(ids)
    settle(line, name=name, text=text)
    assert list_workouts(line) == [(MONDAY, 2, 2), (HALF, 2, 2)]
    rows = line.ask(
        "SELECT device_id, n_samples, recordings.start_utc FROM recordings ORDER BY ALL"
    )
    assert rows == [
        ("strap", 600, MONDAY),
        ("strap", 601, HALF),
        ("watch", 600, MONDAY),
        ("watch", 601, HALF),
    ]
    bias = line.ask(
        "SELECT value, n FROM main_results WHERE metric = 'hr_mae_bpm' AND segment = 'all' "
        "AND device_id = 'watch' ORDER BY n"
    )
    assert bias == [(pytest.approx(3.0), 600), (pytest.approx(3.0), 601)]
    remarks = line.ask(
        "SELECT regexp_extract(remarks, 'part . of 2') FROM recordings ORDER BY start_utc"
    )
    assert [row[0] for row in remarks] == ["part 1 of 2"] * 2 + ["part 2 of 2"] * 2
    assert [one.workout for one in find_splits(line.home, [f"{find_whole(ids[0])}"])] == [
        "split it"
    ]
    assert find_groupings(line.home, ids) == []
    # Nothing is read again as long as nothing changes.
    assert read_again(line) == []
    name, text = write_grouping("split it", start_utc=MONDAY, written=datetime.now(UTC))
    settle(line, name=name, text=text)
    assert list_recordings(line.home.lake) == whole
    assert list_results(line) == before


def test_a_second_part_counts_from_its_own_start(line: Line) -> None:
    drop_run(line)
    (watch,) = find_ids(line, "watch.csv")
    name, text = write_split([watch])
    settle(line, name=name, text=text)
    part = find_part(watch, begin=HALF, start=MONDAY)
    second = read_recording(part, lake=line.home.lake)
    distance = read_floats(second.samples, "distance_m")
    # By hand: the first part ends at 1,797 m, the second goes from 1,800 m to 4,200 m.
    assert (distance[0], distance[-1]) == (3.0, 2403.0)
    assert (second.start_utc, second.end_utc) == (HALF, MONDAY + timedelta(seconds=1200))
    # The strap went through both: the watch goes on after a gap of a second, one workout.
    assert list_workouts(line) == [(MONDAY, 3, 2)]
    assert line.ask("SELECT count(*) FROM recordings WHERE continues IS NOT NULL") == [(1,)]


def test_a_true_distance_of_the_whole_is_that_of_no_part(line: Line) -> None:
    drop_run(line)
    ids = find_ids(line, "watch.csv", "strap.csv")
    said = f"start = {MONDAY.isoformat()}\nplace = 'track'\n[truth]\ndistance_m = 4200\n"
    line.run(run__notes__toml=said)
    error = (
        "SELECT value FROM main_results WHERE metric = 'distance_error_pct' AND segment = 'all' "
        "AND device_id = 'watch' ORDER BY workout_id"
    )
    ((whole,),) = line.ask(error)
    assert whole == pytest.approx(0.0)
    name, text = write_split(ids)
    settle(line, name=name, text=text)
    assert line.ask(error) in ([], [(None,), (None,)])
    assert line.ask("SELECT DISTINCT place FROM workouts") == [("track",)]
    ((_, second),) = [line.ask("SELECT workout_id FROM workouts ORDER BY 1")]
    named = f"start = {HALF.isoformat()}\nworkout = '{second[0]}'\n[truth]\ndistance_m = 2400\n"
    line.run(half__notes__toml=named)
    # By hand: counted from 1,800 m to 4,200 m; the first part has none.
    found = [row[0] for row in line.ask(error) if row[0] is not None]
    assert found == [pytest.approx(0.0)]


def test_ids_of_parts_stay_when_another_split_comes_before(line: Line) -> None:
    drop_run(line)
    (watch,) = find_ids(line, "watch.csv")
    name, text = write_split([watch])
    settle(line, name=name, text=text)
    early = MONDAY + timedelta(seconds=300)
    name, text = write_grouping(
        "split more", start_utc=MONDAY, written=datetime.now(UTC), splits=[Split(watch, early)]
    )
    settle(line, name=name, text=text)
    with Ledger(line.home) as ledger:
        (file,) = ledger.find_files_named("watch.csv")
    assert set(file.recording_ids) == {
        watch,
        find_part(watch, begin=early, start=MONDAY),
        find_part(watch, begin=HALF, start=MONDAY),
    }


@pytest.mark.parametrize("at", [MONDAY, MONDAY + timedelta(hours=2)])
def test_a_split_outside_the_recording_is_told_and_changes_no_sample(
    line: Line, at: datetime
) -> None:
    drop_run(line)
    (watch,) = find_ids(line, "watch.csv")
    name, text = write_split([watch], at=at)
    settle(line, name=name, text=text)
    rows = line.ask("SELECT n_samples, remarks FROM recordings WHERE device_id = 'watch'")
    assert [row[0] for row in rows] == [1201]
    assert "where it has no two parts" in str(rows[0][1])


def test_a_run_killed_after_the_decision_is_made_up_for(line: Line) -> None:
    drop_run(line)
    (watch,) = find_ids(line, "watch.csv")
    name, text = write_split([watch])
    line.run(**{name.replace(".", "__"): text})
    assert [file.name for file in decide_again(line.home, SETTINGS)] == ["watch.csv"]
    # Killed here: the next run decides nothing new and still reads it.
    assert read_again(line) == ["watch.csv"]
    assert len(list_recordings(line.home.lake)) == 3


def test_a_lost_ledger_learns_again_what_notes_say(line: Line) -> None:
    drop_run(line)
    (watch,) = find_ids(line, "watch.csv")
    name, text = write_split([watch])
    settle(line, name=name, text=text)
    with Ledger(line.home) as ledger:
        for key in ledger.recall_all("splits_said:"):
            ledger.remember(f"splits_said:{key}", None)
    assert read_again(line) == []
    with Ledger(line.home) as ledger:
        assert len(ledger.recall_all("splits_said:")) == 1


def test_a_split_without_an_instant_is_refused_with_its_line() -> None:
    text = f"start = {MONDAY.isoformat()}\n[[split]]\nrecording = '0123456789abcdef-0'\n"
    with pytest.raises(NotesError, match="line 2"):
        read_notes(text, name="a.notes.toml")
