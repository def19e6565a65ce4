"""Reports of many workouts: what is listed where, what is written again, what waits."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest

from config.settings import load_settings
from tasks.report import write_report
from tasks.report.facts import WorkoutFacts
from tasks.report.index import is_outdated, keep_answers
from tasks.report.keys import PageKeys
from tasks.report.listed import NEWEST, list_months

if TYPE_CHECKING:
    from pathlib import Path

    import duckdb

PAGE = (
    "<title>What 900 workouts let you write about A &amp; B \N{EN DASH} coworn</title>"
    "<!-- answers {key} 900 --><h1>kept</h1><!-- end of answers -->"
)
DAY_S = 86400.0


def make_workout(number: int, *, start_s: float, offset_s: int | None = None) -> WorkoutFacts:
    return WorkoutFacts(
        workout_id=f"w{number}",
        start_s=start_s,
        end_s=start_s + 3600,
        activity="running",
        activity_from=None,
        place=None,
        course=None,
        local_offset_s=offset_s,
        device_ids=("alder-2",),
        key="k",
    )


def test_older_workouts_stand_in_the_month_of_their_own_clock() -> None:
    first = datetime(2026, 1, 31, 23, 30, tzinfo=UTC).timestamp()
    newer = [make_workout(n, start_s=first + n * DAY_S) for n in range(2, NEWEST + 2)]
    older = [
        make_workout(0, start_s=first, offset_s=3600),
        make_workout(1, start_s=first + 60, offset_s=-3600),
    ]
    months = list_months({one.workout_id: one for one in (*older, *newer)})
    assert [(one.name, [facts.workout_id for facts in one.workouts]) for one in months] == [
        ("2026-02", ["w0"]),
        ("2026-01", ["w1"]),
    ]


def test_few_workouts_have_no_month() -> None:
    assert list_months({f"w{n}": make_workout(n, start_s=n * DAY_S) for n in range(NEWEST)}) == []


@pytest.mark.parametrize(("before", "now"), [(50, 50), (99, 99), (900, 910), (900, 880)])
def test_what_was_made_of_few_or_other_workouts_is_outdated(before: int, now: int) -> None:
    assert is_outdated(before, now)


def test_what_was_made_of_nearly_as_many_workouts_may_stay() -> None:
    assert not is_outdated(900, 908)


def test_answers_stay_while_nothing_else_has_changed() -> None:
    page = PAGE.format(key="abc123")
    kept = keep_answers(page, key="abc123", n_workouts=905)
    assert kept is not None
    assert (kept.title, kept.text) == (
        "What 900 workouts let you write about A & B",
        "<h1>kept</h1>",
    )
    assert keep_answers(page, key="fff", n_workouts=905) is None
    assert keep_answers(page, key="abc123", n_workouts=950) is None
    assert keep_answers("<p>somebody's own", key="abc123", n_workouts=905) is None


def test_a_month_has_a_page_that_is_written_once(
    connection: duckdb.DuckDBPyConnection, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tasks.report.listed.NEWEST", 0)
    settings = load_settings()
    write_report(connection, tmp_path, settings=settings, most_figures=0)
    pages = list((tmp_path / "months").glob("*.html"))
    index = (tmp_path / "index.html").read_text(encoding="utf-8")
    assert [f'href="months/{one.name}"' in index for one in pages] == [True]
    workout = next((tmp_path / "workouts").glob("*.html"))
    assert f'href="../workouts/{workout.name}"' in pages[0].read_text(encoding="utf-8")
    assert write_report(connection, tmp_path, settings=settings, most_figures=0).written == 0
    monkeypatch.undo()
    write_report(connection, tmp_path, settings=settings, most_figures=0)
    assert not pages[0].exists(), "its workouts are on the first page again"


def test_a_device_that_nothing_touched_keeps_its_page(
    connection: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    settings = load_settings()
    write_report(connection, tmp_path, settings=settings, most_figures=0)
    page = next((tmp_path / "devices").glob("*.html"))
    os.utime(page, (1, 1))
    write_report(connection, tmp_path, settings=settings, most_figures=0)
    assert page.stat().st_mtime == 1
    page.unlink()
    assert write_report(connection, tmp_path, settings=settings, most_figures=0).written == 1
    assert page.exists()


def test_a_kept_key_is_not_believed_of_a_page_that_changed(tmp_path: Path) -> None:
    page = tmp_path / "one.html"
    page.write_text('<meta name="coworn-key" content="first">')
    PageKeys(tmp_path).save()
    assert PageKeys(tmp_path).find("one") == "first"
    page.write_text('<meta name="coworn-key" content="another">')
    assert PageKeys(tmp_path).find("one") == "another"
    (tmp_path / ".keys.json").write_text("no JSON")
    assert PageKeys(tmp_path).find("one") == "another"
    page.unlink()
    assert PageKeys(tmp_path).find("one") is None
