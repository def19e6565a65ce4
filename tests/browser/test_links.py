"""Pointing at an instant marks it everywhere; choosing a stretch shows its numbers."""

from __future__ import annotations

from typing import TYPE_CHECKING

from playwright.sync_api import expect

if TYPE_CHECKING:
    from pathlib import Path

    import duckdb

    from tests.browser.conftest import Opened, Opener

READ_MARK = """(name) => {
  const box = document.querySelector(`.chart[data-chart="${name}"] svg`).getBoundingClientRect();
  const drawn = `.chart[data-chart="${name}"] svg g.mark-rule.role-mark line`;
  // The hatching of what is not scored is drawn by lines of this dash.
  const isHatching = (line) => line.getAttribute("stroke-dasharray") === "3,3";
  const lines = [...document.querySelectorAll(drawn)].filter((line) => !isHatching(line));
  const boxes = lines.map((line) => line.getBoundingClientRect());
  const mark = boxes.find((one) => one.width < 3 && one.height > 50);
  return mark ? mark.left + mark.width / 2 - box.left : null;
}"""


def point(opened: Opened, name: str, share: float) -> None:
    chart = opened.page.locator(f'.chart[data-chart="{name}"]')
    chart.scroll_into_view_if_needed()
    box = chart.bounding_box()
    opened.page.mouse.move(box["x"] + 70 + share * (box["width"] - 110), box["y"] + 60)
    expect(opened.page.locator("#readout")).to_contain_text(":")


def test_pointing_in_one_chart_marks_the_same_instant_in_the_others(
    open_page: Opener, ride: Path
) -> None:
    opened = open_page(ride, sections=("heart_rate", "distance", "elevation"))
    assert opened.page.evaluate(READ_MARK, "speed") is None
    point(opened, "heart_rate", 0.5)
    marks = {
        name: opened.page.evaluate(READ_MARK, name) for name in ("heart_rate", "speed", "elevation")
    }
    assert all(mark is not None for mark in marks.values()), marks
    # All plots begin and end at the same place, so that one instant is one horizontal place.
    assert max(marks.values()) - min(marks.values()) < 3, marks
    point(opened, "elevation", 0.25)
    moved = opened.page.evaluate(READ_MARK, "heart_rate")
    assert moved < marks["heart_rate"] - 100
    assert opened.said == []


def test_pointing_marks_the_place_on_the_track(open_page: Opener, ride: Path) -> None:
    opened = open_page(ride)
    assert opened.page.locator(".map .here").count() == 0
    point(opened, "heart_rate", 0.5)
    devices = opened.page.locator(".map[data-map] .track").count()
    assert opened.page.locator(".map .here").count() == devices > 1


def test_pointing_at_the_track_marks_the_instant_in_the_charts(
    open_page: Opener, ride: Path
) -> None:
    opened = open_page(ride)
    place = opened.page.locator(".map[data-map] .pin.distance circle").first
    place.scroll_into_view_if_needed()
    box = place.bounding_box()
    opened.page.mouse.move(box["x"] + 3, box["y"] + 3)
    expect(opened.page.locator("#readout")).to_contain_text(":")
    assert opened.page.evaluate(READ_MARK, "heart_rate") is not None


def test_the_slider_moves_the_mark_by_keyboard(open_page: Opener, ride: Path) -> None:
    opened = open_page(ride)
    opened.page.locator("#instant").focus()
    for _ in range(3):
        opened.page.keyboard.press("ArrowRight")
    expect(opened.page.locator("#readout")).to_contain_text(":")
    assert opened.page.locator("#instant").input_value() == "3"
    expect(opened.page.locator("#readout")).to_contain_text("12:20:03")
    assert opened.page.evaluate(READ_MARK, "heart_rate") is not None


def read_stretch(opened: Opened) -> dict[str, list[str]]:
    rows = opened.page.locator("#stretch-table tbody tr")
    found = {}
    for n in range(rows.count()):
        cells = rows.nth(n).locator("th, td").all_inner_texts()
        found[cells[0]] = cells[1:]
    return found


def test_the_numbers_of_the_whole_workout_are_those_of_the_results_to_the_printed_digit(
    open_page: Opener, ride: Path, database: duckdb.DuckDBPyConnection
) -> None:
    whole = read_stretch(open_page(ride))
    assert len(whole) >= 2
    for label, cells in whole.items():
        name, _, reference = label.rpartition(" against ")
        rows = database.execute(
            """
            SELECT metric, value, n FROM latest_results AS r
            JOIN devices AS d USING (device_id)
            JOIN devices AS other ON other.device_id = r.reference
            JOIN workouts USING (workout_id)
            WHERE d.name = ? AND other.name = ? AND segment = 'all' AND activity <> 'swimming'
            AND metric IN ('hr_bias_bpm', 'hr_mae_bpm', 'hr_within_5_bpm_pct') ORDER BY metric
            """,
            [name, reference],
        ).fetchall()
        assert [row[0] for row in rows] == ["hr_bias_bpm", "hr_mae_bpm", "hr_within_5_bpm_pct"]
        shown = [float(text.replace("\N{MINUS SIGN}", "-")) for text in cells[:3]]
        assert shown == [float(f"{value:.1f}") for _, value, _ in rows]
        assert {int(cells[3])} == {n for *_, n in rows}


def test_dragging_chooses_a_stretch_whose_numbers_are_those_of_duckdb(
    open_page: Opener, ride: Path, database: duckdb.DuckDBPyConnection
) -> None:
    opened = open_page(ride)
    whole = read_stretch(opened)
    chart = opened.page.locator('.chart[data-chart="heart_rate"]')
    chart.scroll_into_view_if_needed()
    box = chart.bounding_box()
    opened.page.mouse.move(box["x"] + 200, box["y"] + 80)
    opened.page.mouse.down()
    opened.page.mouse.move(box["x"] + 420, box["y"] + 80, steps=6)
    opened.page.mouse.up()
    part = read_stretch(opened)
    assert part.keys() == whole.keys()
    assert part != whole
    check_against_duckdb(opened, part, database)


def test_a_finding_is_shown_as_a_stretch(
    open_page: Opener, ride: Path, database: duckdb.DuckDBPyConnection
) -> None:
    opened = open_page(ride)
    whole = read_stretch(opened)
    buttons = opened.page.locator("#heart_rate .show")
    spans = buttons.evaluate_all("all => all.map((one) => one.dataset.to - one.dataset.from)")
    chosen = next(n for n, span in enumerate(spans) if 60 < span < 600)
    buttons.nth(chosen).click()
    part = read_stretch(opened)
    assert part != whole
    check_against_duckdb(opened, part, database)


def test_times_typed_in_choose_a_stretch(
    open_page: Opener, ride: Path, database: duckdb.DuckDBPyConnection
) -> None:
    opened = open_page(ride)
    opened.page.locator("#stretch-from").fill("12:31:00")
    opened.page.locator("#stretch-to").fill("12:41:30")
    opened.page.get_by_role("button", name="Show", exact=True).click()
    part = read_stretch(opened)
    check_against_duckdb(opened, part, database)
    assert all(int(cells[3]) <= 631 for cells in part.values())


def check_against_duckdb(
    opened: Opened, part: dict[str, list[str]], database: duckdb.DuckDBPyConnection
) -> None:
    sql = opened.page.locator("#stretch-sql").text_content()
    rows = database.execute(
        f"SELECT d.name, s.* EXCLUDE recording_id FROM ({sql}) s "  # noqa: S608 - the page's own
        "JOIN recordings USING (recording_id) JOIN devices d USING (device_id)"
    ).fetchall()
    assert len(rows) >= 2
    by_name = {row[0]: row[1:] for row in rows}
    for label, cells in part.items():
        bias, mae, within, n = by_name[label.rpartition(" against ")[0]]
        assert int(cells[3]) == n
        shown = [float(text.replace("\N{MINUS SIGN}", "-")) for text in cells[:3]]
        assert shown == [float(f"{number:.1f}") for number in (bias, mae, within)]


def test_the_table_by_minutes_is_that_of_duckdb(
    open_page: Opener, ride: Path, database: duckdb.DuckDBPyConnection
) -> None:
    opened = open_page(ride)
    opened.page.locator("#minutes > summary").click()
    rows = opened.page.locator("#minutes-table tbody tr")
    expect(rows.nth(5)).to_be_visible()
    heads = opened.page.locator("#minutes-table thead th").all_inner_texts()
    column = heads.index("Alder 2 (bpm)")
    shown = {
        cells[0]: cells[column : column + 3]
        for n in range(rows.count())
        if (cells := rows.nth(n).locator("th, td").all_inner_texts())
    }
    found = database.execute(
        "SELECT strftime((time_utc AT TIME ZONE 'UTC') + INTERVAL 1 HOUR, '%H:%M') AS minute, "
        "avg(heart_rate_test_bpm), avg(heart_rate_test_bpm - heart_rate_reference_bpm), count(*) "
        "FROM pairs JOIN workouts USING (workout_id) JOIN recordings USING (recording_id) "
        "WHERE activity = 'mountain-biking' AND recordings.device_id = 'alder-2' "
        "AND reference = 'hazel' AND heart_rate_is_scored GROUP BY minute"
    ).fetchall()
    assert len(found) > 30
    for minute, mean, error, n in found:
        texts = [text.replace("\N{MINUS SIGN}", "-") for text in shown[minute]]
        assert abs(float(texts[0]) - mean) <= 0.0501, minute
        assert abs(float(texts[1]) - error) <= 0.0501, minute
        assert int(texts[2]) == n, minute
    assert opened.said == []
