"""Verdicts, sentences, the first page and the text to paste count the same workouts.

The store has failures in several workouts, results that were set aside, and values that are
missing: what one of them leaves out the others must leave out, too.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from config.home import Home
from config.settings import load_settings
from tasks.answers import answer_all, read_answer_facts
from tasks.answers.facts import find_pair_levels
from tasks.answers.text import write_markdown
from tasks.core import registers as core_registers
from tasks.core.discovery import load_metrics
from tasks.report.answers import view_answers
from tasks.store import open_store, replace_rows
from tasks.tables.arrow import make_rows
from tasks.tables.tables import DEVICES, METRIC_DEFINITIONS, RECORDINGS
from tests.unit.verdicts.workouts import ROLES, Store, choose, jitter

if TYPE_CHECKING:
    import duckdb

    from tasks.answers import Facts

N_WORKOUTS = 14

METRICS = (
    "hr_lock_s",
    "hr_mae_bpm",
    "hr_within_5_bpm_pct",
    "hr_rise_delay_s",
    "track_cross_median_m",
    "distance_error_pct",
)
#: They need no reference.
OF_RECEIVER = ("track_first_fix_s", "track_failed_pct")
#: Workouts in which each device never locks, had no usable track, or has no value at all.
NEVER_LOCKED = {"new": {1, 4, 7}, "old": {4, 9}}
NO_TRACK = {"new": {2, 3}, "old": {3}}
NO_FIX = {"new": {5}, "old": set[int]()}
MISSING = {"new": {10}, "old": {11}}
EXCLUDED = {6: ("new",), 8: ("new", "old")}


def list_values(number: int) -> list[tuple[str, str, str | None, float | None]]:
    """Return what both devices have in one workout."""
    found: list[tuple[str, str, str | None, float | None]] = []
    for device, level in (("new", 1.0), ("old", 1.4)):
        size = level + jitter(number)
        lost = number in NEVER_LOCKED[device]
        fixless = number in NO_FIX[device]
        values: dict[str, float | None] = {
            "hr_lock_s": None if lost else 40 * size,
            "hr_lock_failed_pct": 100.0 if lost else 0.0,
            "hr_mae_bpm": None if lost else 2 * size,
            "hr_within_5_bpm_pct": None if lost else 95 - size,
            "hr_rise_delay_s": None if lost else 10 * size,
            "hr_missed_rises_pct": 100.0 if lost else 0.0,
            "distance_error_pct": None if number in MISSING[device] else -size,
            "track_cross_median_m": None if fixless else 3 * size,
            "track_first_fix_s": None if fixless else 5.0,
            "track_failed_pct": None if fixless else 100.0 * (number in NO_TRACK[device]),
        }
        found += [
            (device, metric, None if metric in OF_RECEIVER else "strap", value)
            for metric, value in values.items()
        ]
    return found


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> Facts:
    load_metrics()
    home = Home(tmp_path_factory.mktemp("one-number") / "home")
    home.create()
    store = Store(home)
    for number in range(N_WORKOUTS):
        place = "indoors" if number % 4 == 3 else "outdoors"
        store.add(*list_values(number), place=place, excluded=EXCLUDED.get(number, ()))
    failures = dict.fromkeys(
        ("hr_lock_failed_pct", "hr_missed_rises_pct", "track_failed_pct"), 10.0
    )
    margins = {**dict.fromkeys(METRICS, 0.2), **failures}
    store.judge(choose(margins), keep=True)
    with open_store(home) as connection:
        describe_store(connection)
    with open_store(home) as connection:
        facts = read_answer_facts(connection, load_settings())
    return replace(facts, margins=margins)


def describe_store(connection: duckdb.DuckDBPyConnection) -> None:
    """Add what sentences need besides numbers: names, definitions, who was worn."""
    names = [
        {"device_id": one, "name": one.capitalize(), "role": role, "site": "wrist"}
        for one, role in ROLES.items()
    ]
    replace_rows(connection, DEVICES, make_rows(DEVICES, names))
    definitions = [
        {
            "metric": one.id,
            "version": one.version,
            "title": one.title,
            "unit": one.unit,
            "better": one.better,
        }
        for one in core_registers.METRICS.values()
    ]
    replace_rows(connection, METRIC_DEFINITIONS, make_rows(METRIC_DEFINITIONS, definitions))
    recordings = [
        {
            "recording_id": f"w{number:03}-{device}",
            "workout_id": f"w{number:03}",
            "device_id": device,
        }
        for number in range(1, N_WORKOUTS + 1)
        for device in ("new", "old")
    ]
    replace_rows(connection, RECORDINGS, make_rows(RECORDINGS, recordings))


def name_questions(facts: Facts) -> list[tuple[Any, list[Any]]]:
    """Return each answer about two devices and the workouts that sentences count for it."""
    questions = []
    for row in facts.verdicts:
        if row["against"] != "old" or row["family"] not in {"headline", "details"}:
            continue
        pairs = [
            one
            for one in facts.find_pairs("new", "old", row["metric"], row["segment"])
            if row["place"] in {"all", one.workout.surroundings}
        ]
        questions.append((row, pairs))
    return questions


def test_every_verdict_and_the_sentences_count_the_same_workouts(
    found: Facts,
) -> None:
    questions = name_questions(found)
    assert len(questions) > 15
    assert {row["metric"] for row, _ in questions} >= set(METRICS)
    for row, pairs in questions:
        said = (
            len(pairs),
            sum(one.sign > 0 for one in pairs),
            sum(one.sign < 0 for one in pairs),
            sum(one.sign == 0 for one in pairs),
            sum(one.failed_own for one in pairs),
            sum(one.failed_other for one in pairs),
        )
        counted = ("n_workouts", "n_better", "n_worse", "n_tied", "n_failed", "n_failed_against")
        assert said == tuple(row[name] for name in counted), (row["metric"], row["place"])
        levels = find_pair_levels(pairs, found.metrics[row["metric"]])
        assert levels == (row["level"], row["level_against"]), row["metric"]


def test_the_failures_are_those_that_were_put_in(found: Facts) -> None:
    by_metric = {row["metric"]: row for row, _ in name_questions(found) if row["place"] == "all"}
    lock, track = by_metric["hr_lock_s"], by_metric["track_cross_median_m"]
    # Workouts 6 and 8 were set aside, for one device or both.
    assert (lock["n_workouts"], lock["n_failed"], lock["n_failed_against"]) == (12, 3, 2)
    assert lock["n_tied"] == 1  # both failed in workout 4
    assert (track["n_workouts"], track["n_failed"], track["n_failed_against"]) == (12, 3, 1)
    assert by_metric["distance_error_pct"]["n_workouts"] == 10
    failed = by_metric["track_failed_pct"]
    assert (failed["n_workouts"], failed["n_worse"], failed["n_better"]) == (12, 2, 0)


def test_the_first_page_and_the_text_say_the_numbers_of_the_verdicts(found: Facts) -> None:
    (answer,) = answer_all(found, units="metric")
    text = write_markdown([answer]).replace("\N{NO-BREAK SPACE}", " ")
    view = view_answers(found, answer.device, units="metric")
    shown = " ".join(
        one.text for domain in view.domains for one in (*domain.sentences, *domain.folded)
    ).replace("\N{NO-BREAK SPACE}", " ")
    for said in (text, shown):
        assert "It never locked on to the heart rate in 3 of 12; Old in 2 of 12." in said
        assert (
            "It had no usable track (no fix, a late or a lost one) in 3 of 12; Old in 1 of" in said
        )
    verdicts = {
        (row["metric"], row["segment"]): row
        for row, _ in name_questions(found)
        if row["place"] == "all"
    }
    compared = [one for one in answer.sentences if len(one.device_ids) == 2 and one.metric]
    assert len(compared) >= len(METRICS)
    for one in compared:
        assert len(one.workouts) == verdicts[one.metric, one.segment]["n_workouts"], one.text
    charts = {one.name: one for domain in view.domains for one in domain.charts}
    assert charts["hr_lock_s"].svg.count('class="day"') == 12
    assert charts["hr_lock_s"].svg.count("failed</text>") == 4


def test_a_level_says_in_how_many_workouts_there_was_none(found: Facts) -> None:
    (answer,) = answer_all(found, units="metric")
    levels = [one for one in answer.sentences if one.metric == "hr_lock_s" and one.use == "write"]
    (level,) = [one for one in levels if "median of" in one.text]
    # 14 workouts, one of the device set aside twice, never locked in three.
    assert "median of 9 workouts" in level.text
    assert "it never locked on to the heart rate in 3\N{NO-BREAK SPACE}of\N{NO-BREAK SPACE}12" in (
        level.text
    )
