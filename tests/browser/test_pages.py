"""Every page opens from disk, says nothing on the console, and shows what DuckDB holds."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from tests.browser.conftest import Opened, Opener, find_page
from tests.unit.report_home import HOSTILE_FILE, HOSTILE_NAME, HOSTILE_SEGMENT

if TYPE_CHECKING:
    from pathlib import Path

    import duckdb

    from config.home import Home


def list_pages(home: Home) -> list[Path]:
    return sorted(home.report.rglob("*.html"))


@pytest.mark.parametrize(("width", "scheme"), [(1100, "light"), (390, "dark")])
def test_pages_open_from_disk_without_errors_or_requests(
    home: Home, open_page: Opener, scheme: str, width: int
) -> None:
    pages = list_pages(home)
    assert len(pages) >= 7
    for path in pages:
        opened = open_page(path, width=width, scheme=scheme)
        check_size(opened, width, path)
        check_headings(opened, path)
        if width == 1100:
            # 200 % on a screen of 1100 px leaves 550 px (WCAG 2.2, 1.4.4 and 1.4.10).
            opened.page.set_viewport_size({"width": 550, "height": 900})
            opened.page.wait_for_timeout(250)
            opened.wait()
            check_size(opened, 550, path)
        assert opened.said == [], path.name
        inside = home.report.as_uri() + "/"
        outside = [url for url in opened.asked if not url.startswith((inside, "data:"))]
        assert outside == [], path.name
        opened.page.context.close()


def check_size(opened: Opened, width: int, path: Path) -> None:
    wide = opened.page.evaluate("document.documentElement.scrollWidth")
    assert wide <= width, f"{path.name} is wider than the screen"


def check_headings(opened: Opened, path: Path) -> None:
    """Cells of headings say what they head."""
    assert opened.page.locator("th:not([scope])").count() == 0, path.name
    assert opened.page.locator("table:not(:has(th[scope=col]))").count() == 0, path.name
    assert opened.page.locator("tbody tr:not(:has(th[scope=row]))").count() == 0, path.name


def test_every_chart_is_drawn(whole_ride: Opened) -> None:
    opened = whole_ride
    charts = opened.page.locator(".chart")
    names = [charts.nth(n).get_attribute("data-chart") for n in range(charts.count())]
    assert {"heart_rate", "parts", "speed", "elevation", "battery"} <= set(names)
    assert opened.page.locator(".chart svg").count() == len(names)
    for number in range(len(names)):
        assert charts.nth(number).locator("path").count() > 5, names[number]


def test_a_page_is_smaller_than_one_and_a_half_megabytes(home: Home) -> None:
    for path in list_pages(home):
        assert path.stat().st_size < 1_500_000, path.name


def test_numbers_on_the_page_equal_those_in_duckdb(
    whole_ride: Opened, database: duckdb.DuckDBPyConnection
) -> None:
    opened = whole_ride
    shown = opened.page.evaluate(
        """[...document.querySelectorAll('.num:not(.missing)')].map((a) =>
             ({ text: a.textContent, ...a.dataset }))"""
    )
    assert len(shown) > 150
    for number in shown:
        row = database.execute(
            "SELECT value FROM latest_results WHERE workout_id = ? AND recording_id = ? "
            "AND metric = ? AND segment = ? AND reference IS NOT DISTINCT FROM ?",
            [number["w"], number["r"], number["m"], number["s"], number.get("f")],
        ).fetchall()
        assert len(row) == 1, number
        text = (
            number["text"].replace("\N{MINUS SIGN}", "-").replace("\N{NARROW NO-BREAK SPACE}", "")
        )
        decimals = len(text.partition(".")[2])
        assert float(text) == pytest.approx(row[0][0], abs=0.5 * 10**-decimals + 1e-9), number


def test_the_sql_shown_beside_a_number_gives_that_number(
    whole_ride: Opened, database: duckdb.DuckDBPyConnection
) -> None:
    opened = whole_ride
    links = opened.page.locator(".glance .num")
    assert links.count() > 4
    for n in range(links.count()):
        links.nth(n).click()
        dialog = opened.page.locator("#explained")
        assert dialog.is_visible()
        assert dialog.locator("dl").inner_text().startswith("Unit")
        value = database.execute(dialog.locator("#explained-sql").inner_text()).fetchall()
        assert len(value) == 1
        text = links.nth(n).inner_text().replace("\N{MINUS SIGN}", "-")
        text = text.replace("\N{NARROW NO-BREAK SPACE}", "")
        assert float(text) == pytest.approx(value[0][0], abs=0.5)
        dialog.get_by_role("button", name="Close").click()
    assert opened.said == []


def test_each_number_leads_to_its_definition_without_scripts_too(whole_ride: Opened) -> None:
    opened = whole_ride
    lost = opened.page.evaluate(
        """[...document.querySelectorAll('.num')].filter((a) =>
             !document.getElementById(a.getAttribute('href').slice(1))).length"""
    )
    assert lost == 0


def test_hostile_names_are_text_and_nothing_else(
    home: Home, open_page: Opener, ride: Path, whole_ride: Opened
) -> None:
    for path in [home.report / "index.html", ride, home.report / "devices" / "alder-1.html"]:
        opened = open_page(path)
        assert HOSTILE_NAME in opened.page.locator("main").inner_text()
        assert opened.page.locator("main img, main b, main script:not([type])").count() == 0
        assert opened.page.evaluate("document.title") != "taken"
        assert opened.said == []
    index = (home.report / "index.html").read_text(encoding="utf-8")
    assert HOSTILE_FILE not in index
    assert "&lt;img src=x onerror=alert(1)&gt;.fit" in index
    assert "&lt;b&gt;waiting&lt;/b&gt;.fit" in index
    table = whole_ride.page.locator("#parts table").first
    assert HOSTILE_SEGMENT in table.inner_text()


def test_the_policy_of_the_page_stops_a_script_that_gets_in(open_page: Opener, ride: Path) -> None:
    script = "<script>document.title = 'taken'</script>"
    image = "<img src=x onerror=\"document.title = 'taken'\">"
    text = ride.read_text(encoding="utf-8").replace("<h1>", f"{script}{image}<h1>")
    spoilt = ride.with_name("spoilt.html")
    spoilt.write_text(text, encoding="utf-8")
    try:
        opened = open_page(spoilt)
        assert opened.page.title() != "taken"
        assert any("Content Security Policy" in words for words in opened.said)
    finally:
        spoilt.unlink()


def test_lengths_of_a_swim_are_rows(
    home: Home, open_page: Opener, database: duckdb.DuckDBPyConnection
) -> None:
    opened = open_page(find_page(home, database, "swimming"))
    rows = opened.page.locator("#swimming table").last.locator("tbody tr").count()
    most = database.execute(
        "SELECT max(n) FROM (SELECT count(*) AS n FROM lengths GROUP BY recording_id)"
    ).fetchone()
    assert rows == most[0] > 10


def test_the_index_names_workouts_devices_findings_and_what_was_refused(
    home: Home, open_page: Opener, database: duckdb.DuckDBPyConnection
) -> None:
    opened = open_page(home.report / "index.html")
    text = opened.page.locator("main").inner_text()
    for (name,) in database.execute("SELECT name FROM devices").fetchall():
        assert name in text
    workouts = opened.page.locator("main table tbody tr:has(a[href^='workouts/'])")
    assert workouts.count() == 2
    assert "Alder 2" in opened.page.locator(".stood-out").first.inner_text()
    assert opened.page.locator(".use .sentence").count() > 5
    # Two charts of two workouts.
    assert opened.page.locator("svg.paired .dot").count() == 4
    assert opened.page.locator(".refused li").count() == 1
    opened.page.locator("main table tbody a[href^='workouts/']").first.click()
    opened.wait()
    assert opened.page.locator("h1").inner_text()


def test_drawings_on_the_page_hold_the_peaks_of_the_series(
    whole_ride: Opened, database: duckdb.DuckDBPyConnection
) -> None:
    opened = whole_ride
    table = json.loads(opened.page.locator("#chart-heart_rate").text_content())["tables"]
    drawn = table["heart_rate"]
    # Each device once, and how many points are its own.
    drawn["device"] = [word for word, n in drawn["device"]["runs"] for _ in range(n)]
    peaks = {
        "Alder 2": "SELECT min(heart_rate_bpm), max(heart_rate_bpm) FROM samples "
        "JOIN recordings USING (recording_id) JOIN workouts USING (workout_id) "
        "WHERE recordings.device_id = 'alder-2' AND activity = 'mountain-biking'",
        # Of the strap its beats are drawn, which is what is scored.
        "Hazel": "SELECT min(heart_rate_reference_bpm), max(heart_rate_reference_bpm) FROM pairs "
        "JOIN workouts USING (workout_id) "
        "WHERE reference = 'hazel' AND activity = 'mountain-biking'",
    }
    for label, query in peaks.items():
        low, high = database.execute(query).fetchone()
        own = [
            bpm
            for bpm, name in zip(drawn["bpm"], drawn["device"], strict=True)
            if name == label and bpm is not None
        ]
        assert (min(own), max(own)) == (round(low, 1), round(high, 1))
