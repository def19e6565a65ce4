"""Workouts that are joined, recordings that are moved: all of it is taken back to the bit."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from tasks.core.errors import NotesError
from tasks.processing.corrections import find_groupings, write_grouping
from tasks.readers.notes import read_notes
from tests.unit.processing.test_notes_change import MONDAY, line
from tests.unit.processing.test_set_aside import DEVICES, list_results

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from tests.unit.processing.test_notes_change import Line

__all__ = ["line"]

EVENING = MONDAY + timedelta(hours=9)


def write_rates(start: datetime, higher_bpm: int) -> str:
    rows = [
        f"{start + timedelta(seconds=n):%Y-%m-%dT%H:%M:%SZ},{120 + higher_bpm + 15 * (n // 90 % 4)}"
        for n in range(601)
    ]
    return "time,heart_rate\n" + "\n".join(rows) + "\n"


def drop_day(line: Line) -> None:
    line.home.devices.write_text(DEVICES)
    line.run(
        watch1__csv=write_rates(MONDAY, 3),
        strap1__csv=write_rates(MONDAY, 0),
        watch2__csv=write_rates(EVENING, 3),
        strap2__csv=write_rates(EVENING, 0),
    )


def find_ids(line: Line, *names: str) -> list[str]:
    rows = line.ask("SELECT name, recording_id FROM files WHERE format = 'csv'")
    ids = {str(name): str(recording_id) for name, recording_id in rows}
    return [ids[name] for name in names]


def correct(
    line: Line,
    *,
    groups: Sequence[tuple[str, Sequence[str]]] = (),
    owners: Mapping[str, str] | None = None,
) -> tuple[str, ...]:
    name, text = write_grouping(
        "move it", start_utc=MONDAY, written=datetime.now(UTC), groups=groups, owners=owners
    )
    _, summary = line.run(**{name.replace(".", "__"): text})
    return (*summary.complaints, *summary.hints)


def list_workouts(line: Line) -> list[tuple[object, ...]]:
    return line.ask(
        "SELECT workouts.start_utc, count(*), count(DISTINCT device_id) FROM workouts "
        "JOIN recordings USING (workout_id) GROUP BY workout_id, workouts.start_utc ORDER BY 1"
    )


def test_two_workouts_that_are_one_are_joined_by_device_and_parted_again(line: Line) -> None:
    drop_day(line)
    before = list_results(line)
    assert list_workouts(line) == [(MONDAY, 2, 2), (EVENING, 2, 2)]
    every = find_ids(line, "watch1.csv", "strap1.csv", "watch2.csv", "strap2.csv")
    assert correct(line, groups=[("together", every)]) == ()
    assert list_workouts(line) == [(MONDAY, 4, 2)]
    # Each device goes on after the break: two pieces, one recording.
    assert line.ask("SELECT count(*) FROM recordings WHERE continues IS NOT NULL") == [(2,)]
    (value,) = line.ask(
        "SELECT value, n FROM main_results WHERE device_id = 'watch' AND metric = 'hr_mae_bpm' "
        "AND segment = 'all'"
    )
    assert value == (pytest.approx(3.0), 1202)
    # A drop of another day leaves it as it is.
    line.run(band__csv=write_rates(EVENING + timedelta(days=3), 0))
    assert list_workouts(line)[0] == (MONDAY, 4, 2)
    # A partner that comes late joins what it was recorded beside.
    line.run(band2__csv=write_rates(EVENING, 1))
    assert list_workouts(line)[0] == (MONDAY, 5, 3)
    assert [one.workout for one in find_groupings(line.home, every[:1])] == ["move it"]
    correct(line)
    assert [row[1:] for row in list_workouts(line)] == [(2, 2), (3, 3), (1, 1)]
    first = [row for row in before if str(row[0]).startswith("20260504T0600")]
    assert [row for row in list_results(line) if row[0] == first[0][0]] == first


def test_recordings_that_overlap_are_two_units_and_are_parted_again(line: Line) -> None:
    line.home.devices.write_text(DEVICES)
    late = MONDAY + timedelta(seconds=400)
    line.run(watch1__csv=write_rates(MONDAY, 3), watch2__csv=write_rates(late, 5))
    before = list_results(line)
    (said,) = correct(line, groups=[("together", find_ids(line, "watch1.csv", "watch2.csv"))])
    assert "watch1.csv and watch2.csv were recorded at once by different units" in said
    assert list_workouts(line) == [(MONDAY, 2, 2)]
    assert line.ask("SELECT count(*) FROM recordings WHERE continues IS NOT NULL") == [(0,)]
    correct(line)
    assert list_results(line) == before


def test_a_recording_is_moved_apart_and_comes_back(line: Line) -> None:
    drop_day(line)
    before = list_results(line)
    correct(line, groups=[("apart", find_ids(line, "strap1.csv"))])
    assert list_workouts(line) == [(MONDAY, 1, 1), (MONDAY, 1, 1), (EVENING, 2, 2)]
    correct(line)
    assert [row[1:] for row in list_results(line)] == [row[1:] for row in before]


def test_a_recording_is_given_to_another_device_by_name(line: Line) -> None:
    drop_day(line)
    (recording_id,) = find_ids(line, "strap1.csv")
    assert correct(line, owners={recording_id: "Band"}) == ()
    rows = line.ask(
        "SELECT device_id, known_by FROM recordings WHERE recording_id = ?", recording_id
    )
    assert rows == [("band", "notes")]
    correct(line)
    rows = line.ask(
        "SELECT device_id, known_by FROM recordings WHERE recording_id = ?", recording_id
    )
    assert rows == [("strap", "filename")]


@pytest.mark.parametrize(
    "text",
    [
        "together = 3\n",
        '[[together]]\nrecordings = ["x"]\n',
        "[[apart]]\n",
        '[[made_by]]\nrecording = "0123456789abcdef-0"\n',
    ],
)
def test_ids_that_are_none_are_refused_with_their_line(text: str) -> None:
    with pytest.raises(NotesError, match="line 2"):
        read_notes("start = 2026-05-04T06:00:00Z\n" + text, name="a.notes.toml")
