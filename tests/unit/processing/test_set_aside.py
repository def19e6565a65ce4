"""What is set aside: kept and marked, never compared with, never in a verdict; taken back whole."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import duckdb
import pytest

from config.settings import load_settings
from tasks.store import read_store
from tasks.verdicts.numbers import read_numbers
from tests.unit.processing.test_notes_change import MONDAY, line

if TYPE_CHECKING:
    from tests.unit.processing.test_notes_change import Line

__all__ = ["line"]

DEVICES = """
[[device]]
id = "strap"
name = "Old strap"
role = "reference"
site = "chest"
heart_rate = "ecg"
match = [{filename = "strap*"}]
[[device]]
id = "band"
name = "Band"
role = "reference"
site = "arm"
match = [{filename = "band*"}]
[[device]]
id = "watch"
name = "Watch"
role = "test"
match = [{filename = "watch*"}]
"""
DRY_S = 300
START = f"start = {MONDAY.isoformat()}\n"
DRY = START + '[exclude.strap]\nuntil = "05:00"\ndomain = "heart_rate"\nbecause = "it was dry"\n'


def write_rates(*, higher_bpm: int = 0, dry_bpm: int | None = None) -> str:
    """20 minutes of a heart rate that wanders; a strap may show something else while it is dry."""
    rows = []
    for n in range(1201):
        rate = 120 + 15 * (n // 90 % 4) + n % 3 + higher_bpm
        if dry_bpm is not None and n < DRY_S:
            rate = dry_bpm + n % 2
        rows.append(f"{MONDAY + timedelta(seconds=n):%Y-%m-%dT%H:%M:%SZ},{rate}")
    return "time,heart_rate\n" + "\n".join(rows) + "\n"


def drop_exports(line: Line, **more: str) -> None:
    line.home.devices.write_text(DEVICES)
    line.run(
        watch__csv=write_rates(higher_bpm=4),
        strap__csv=write_rates(dry_bpm=80),
        band__csv=write_rates(higher_bpm=1),
        **more,
    )


def read_value(line: Line, metric: str, segment: str = "all", device: str = "watch") -> object:
    rows = line.ask(
        "SELECT value FROM main_results WHERE device_id = ? AND metric = ? AND segment = ?",
        device,
        metric,
        segment,
    )
    return rows[0][0] if rows else None


def list_results(line: Line) -> list[tuple[object, ...]]:
    return line.ask("SELECT * EXCLUDE (run_id, computed_at) FROM latest_results ORDER BY ALL")


def test_a_dry_start_is_left_out_and_the_rest_gives_what_a_named_part_gives(line: Line) -> None:
    rest = START + '[[segment]]\nname = "rest"\nfrom = "05:00"\nto = "20:01"\n'
    drop_exports(line, a__notes__toml=rest)
    names = ("hr_mae_bpm", "hr_bias_bpm", "hr_sd_bpm", "hr_within_5_bpm_pct")
    named = {name: read_value(line, name, "rest") for name in names}
    before = read_value(line, "hr_mae_bpm")
    _, summary = line.run(dry__notes__toml=DRY)
    assert summary.complaints == ()
    # By hand: both sides wander alike, the watch is 4 bpm above; before, the dry part counted.
    assert read_value(line, "hr_mae_bpm") == pytest.approx(4.0)
    assert isinstance(before, float)
    assert before > 10.0
    assert {name: read_value(line, name) for name in names} == pytest.approx(named)
    assert read_value(line, "hr_mae_bpm", "rest") == pytest.approx(4.0)
    (count,) = line.ask(
        "SELECT n FROM main_results WHERE device_id = 'watch' AND metric = 'hr_mae_bpm' "
        "AND segment = 'all'"
    )
    assert count == (1201 - DRY_S,)


def test_what_counts_from_a_beginning_that_is_left_out_is_unknown_with_the_reason(
    line: Line,
) -> None:
    drop_exports(line, dry__notes__toml=DRY)
    (row,) = line.ask(
        "SELECT value, reason FROM latest_results WHERE device_id = 'watch' AND "
        "metric = 'hr_lock_s' AND reference = 'strap'"
    )
    assert row == (None, "the beginning of the recording is set aside")


def test_the_exclusion_is_a_row_with_its_reason_and_the_notes_that_say_so(line: Line) -> None:
    drop_exports(line, dry__notes__toml=DRY)
    rows = line.ask(
        "SELECT device_id, domain, exclusions.start_utc, end_utc, because, name FROM exclusions "
        "JOIN notes USING (file_id)"
    )
    end = MONDAY + timedelta(seconds=DRY_S)
    assert rows == [("strap", "heart_rate", None, end, "it was dry", "dry.notes.toml")]
    (recording,) = line.ask(
        "SELECT is_excluded, excluded_because FROM recordings WHERE device_id = 'strap'"
    )
    assert recording == (False, "heart rate until 06:05:00 UTC: it was dry")


def test_nothing_is_compared_with_a_device_that_is_set_aside(line: Line) -> None:
    drop_exports(line)
    query = (
        "SELECT DISTINCT reference FROM main_results WHERE device_id = 'watch' "
        "AND metric = 'hr_mae_bpm'"
    )
    assert line.ask(query) == [("strap",)]
    line.run(a__notes__toml=START + '[exclude."old strap"]\nbecause = "worn over a shirt"\n')
    assert line.ask(query) == [("band",)]
    assert read_value(line, "hr_mae_bpm") == pytest.approx(3.0)
    # Its own values are kept and marked.
    marked = line.ask(
        "SELECT DISTINCT is_excluded, excluded_because FROM latest_results "
        "WHERE device_id = 'strap'"
    )
    assert marked == [(True, "worn over a shirt")]
    assert line.ask("SELECT count(*) FROM main_results WHERE device_id = 'strap'") == [(0,)]


def test_no_verdict_sees_what_is_set_aside(line: Line) -> None:
    drop_exports(line)

    def count_values() -> int:
        with read_store(line.home) as connection:
            numbers = read_numbers(connection, load_settings().verdicts)
        return len(numbers.worn.get("watch", ()))

    assert count_values() == 1
    line.run(a__notes__toml=START + '[exclude.watch]\nbecause = "loose"\n')
    assert count_values() == 0
    line.run(a__notes__toml=START + '[exclude]\nbecause = "rain"\n')
    assert count_values() == 0
    line.run(a__notes__toml=START + "adds = true\n")
    assert count_values() == 1


def test_what_is_taken_back_gives_the_results_of_before_to_the_bit(line: Line) -> None:
    drop_exports(line)
    before = list_results(line)
    line.run(dry__notes__toml=DRY)
    assert list_results(line) != before
    # The newest notes of that name hold, also when they set nothing aside.
    line.run(dry__notes__toml=START + "adds = true\n")
    assert list_results(line) == before
    assert line.ask("SELECT * FROM exclusions") == []


def test_notes_that_set_aside_join_those_that_are_there(line: Line) -> None:
    full = START + 'activity = "hiking"\nnote = "windy"\n[setup.watch]\nwrist = "left"\n'
    drop_exports(line, a__notes__toml=full)
    line.run(dry__notes__toml=DRY)
    line.run(b__notes__toml=START + '[exclude.band]\nbecause = "slipped"\n')
    assert line.ask("SELECT activity, note FROM workouts") == [("hiking", "windy")]
    assert line.ask("SELECT value FROM setups") == [("left",)]
    assert line.ask("SELECT because FROM exclusions ORDER BY 1") == [("it was dry",), ("slipped",)]


def test_an_exclusion_of_nobody_and_one_outside_are_told_with_their_lines(line: Line) -> None:
    text = START + '[exclude.oak]\nbecause = "a"\n[exclude.watch]\nbecause = "b"\nfrom = "40:00"\n'
    line.home.devices.write_text(DEVICES)
    _, summary = line.run(watch__csv=write_rates(), a__notes__toml=text)
    nobody, outside = summary.complaints
    assert nobody == (
        "a.notes.toml, line 2: nothing is set aside: 'oak' did not record this workout; it was "
        "recorded by watch"
    )
    assert outside.startswith("a.notes.toml, line 4: what is set aside lies outside the workout")


def test_pairs_show_the_seconds_with_their_values_and_say_that_they_are_set_aside(
    line: Line,
) -> None:
    drop_exports(line, dry__notes__toml=DRY)
    pattern = str(line.home.lake / "pairs" / "*" / "*.parquet")
    with duckdb.connect() as connection:
        connection.read_parquet(pattern).create_view("found")
        rows = connection.execute(
            "SELECT heart_rate_unscored_because, count(*), count(heart_rate_reference_bpm) "
            "FROM found WHERE device_id = 'watch' AND reference = 'strap' GROUP BY ALL ORDER BY 2"
        ).fetchall()
    assert rows == [("set aside", DRY_S, DRY_S), (None, 1201 - DRY_S, 1201 - DRY_S)]


def test_findings_of_a_part_that_is_left_out_go(line: Line) -> None:
    drop_exports(line)
    query = "SELECT count(*) FROM latest_findings WHERE device_id = 'watch' AND start_utc < ?"
    end = (MONDAY + timedelta(seconds=DRY_S)).isoformat()
    (before,) = line.ask(query, end)[0]
    assert isinstance(before, int)
    assert before > 0
    line.run(dry__notes__toml=DRY)
    assert line.ask(query, end) == [(0,)]
