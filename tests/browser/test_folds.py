"""A page is short: folded sections say their result, and what is open stands in the address."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import Opened, Opener, find_page

if TYPE_CHECKING:
    from pathlib import Path

    import duckdb

    from config.home import Home

SCREEN = 900
LIST_OPEN = """[...document.querySelectorAll("details.fold")].filter((one) => one.open)
  .map((one) => one.id)"""


@pytest.mark.parametrize("activity", ["mountain-biking", "swimming"])
def test_a_workout_takes_six_screens_at_most_as_it_opens(
    home: Home, database: duckdb.DuckDBPyConnection, open_page: Opener, activity: str
) -> None:
    opened = open_page(find_page(home, database, activity), width=1280, height=SCREEN)
    assert opened.page.evaluate("document.documentElement.scrollHeight") <= 6 * SCREEN


def test_a_folded_section_says_its_result_in_one_line(
    open_page: Opener, ride: Path, database: duckdb.DuckDBPyConnection
) -> None:
    opened = open_page(ride)
    assert opened.page.evaluate(LIST_OPEN) == ["heart_rate", "track"]
    summary = opened.page.locator("#distance > summary")
    (value,) = database.execute(
        "SELECT value FROM latest_results JOIN workouts USING (workout_id) "
        "WHERE device_id = 'alder-2' AND metric = 'distance_error_pct' AND is_main "
        "AND segment = 'all' AND activity = 'mountain-biking'"
    ).fetchone()
    shown = f"{value:+.1f}".replace("-", "\N{MINUS SIGN}")
    expect(summary).to_contain_text(f"Alder 2 {shown}\N{NO-BREAK SPACE}%")
    results = opened.page.locator("details.fold > summary .result")
    assert results.count() == opened.page.locator("details.fold").count()
    assert opened.page.locator("#summary").bounding_box()["y"] < SCREEN / 2


def test_a_section_opens_by_keyboard_and_draws_its_chart_then(
    open_page: Opener, ride: Path
) -> None:
    opened = open_page(ride)
    assert opened.page.locator("[data-chart=elevation] svg").count() == 0
    opened.page.locator("#elevation > summary").focus()
    opened.page.keyboard.press("Enter")
    expect(opened.page.locator("[data-chart=elevation] svg")).to_be_visible()
    expect(opened.page).to_have_url(re.compile("open=heart_rate,track,elevation"))
    opened.page.keyboard.press("Space")
    expect(opened.page.locator("[data-chart=elevation] svg")).to_be_hidden()
    expect(opened.page).to_have_url(re.compile(r"^[^=]*$"))
    assert opened.said == []


def test_the_jump_list_opens_what_it_leads_to_and_keeps_the_view(
    open_page: Opener, ride: Path
) -> None:
    opened = open_page(ride)
    opened.page.get_by_role("button", name="Rowan in the charts").click()
    opened.page.locator(".jump a", has_text="Elevation").click()
    expect(opened.page.locator("#elevation > summary")).to_be_focused()
    expect(opened.page.locator("#elevation > summary")).to_be_in_viewport()
    expect(opened.page.locator("[data-chart=elevation] svg")).to_be_visible()
    assert "hide=Rowan" in opened.page.url


def test_folds_in_the_address_open_again(open_page: Opener, ride: Path) -> None:
    opened = open_page(ride)
    opened.page.locator("#battery > summary").click()
    opened.page.locator("#track > summary").click()
    expect(opened.page).to_have_url(re.compile(r"#open=heart_rate,battery$"))
    address = opened.page.url
    opened.page.goto("about:blank")
    opened.page.goto(address)
    opened.wait()
    assert opened.page.evaluate(LIST_OPEN) == ["heart_rate", "battery"]
    opened.page.goto("about:blank")
    opened.page.goto(f"{ride.as_uri()}#elevation")
    opened.wait()
    assert "elevation" in opened.page.evaluate(LIST_OPEN)
    opened.page.goto("about:blank")
    opened.page.goto(f"{ride.as_uri()}#open=nothing,%")
    opened.wait()
    assert opened.page.evaluate(LIST_OPEN) == []
    assert opened.said == []


def test_print_opens_all_sections_and_draws_their_charts(
    open_page: Opener, ride: Path, tmp_path: Path
) -> None:
    opened = open_page(ride)
    opened.page.evaluate(
        """window.addEventListener("afterprint", () => {
          window.drawnAtPrint = document.querySelectorAll(".chart svg").length;
        })"""
    )
    opened.page.pdf(path=tmp_path / "page.pdf")
    charts = opened.page.locator(".chart").count()
    assert opened.page.evaluate("window.drawnAtPrint") == charts
    opened.page.wait_for_timeout(100)
    assert opened.page.evaluate(LIST_OPEN) == ["heart_rate", "track"]


def test_a_table_wider_than_the_phone_shows_a_shade(narrow_ride: Opened) -> None:
    opened = narrow_ride
    wide = opened.page.evaluate(
        """[...document.querySelectorAll(".fold .scroll")].filter((one) =>
             one.scrollWidth > one.clientWidth + 1).length"""
    )
    assert wide > 0
    unhinted = opened.page.evaluate(
        """[...document.querySelectorAll(".scroll")].filter((one) =>
             one.scrollWidth > one.clientWidth + 1 &&
             !getComputedStyle(one).backgroundAttachment.includes("local")).length"""
    )
    assert unhinted == 0
    # The first numbers need no scrolling: they are stacked, and each says what it is.
    glance = opened.page.locator("#summary .scroll").first
    assert glance.evaluate("(one) => one.scrollWidth <= one.clientWidth")
    cell = opened.page.locator(".glance td").first
    label = cell.evaluate("(one) => getComputedStyle(one, '::before').content")
    assert "mean error" in label
    assert cell.get_attribute("role") == "cell"
