"""What everybody needs: axe-core finds nothing serious, and a picture of each page can be kept."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from tests.browser.conftest import Opener, find_page

if TYPE_CHECKING:
    import duckdb

    from config.home import Home

#: axe-core's own degrees; the two upper ones keep somebody from reading.
SERIOUS = {"serious", "critical"}


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("kind", ["index", "ride", "swim", "device"])
def test_axe_finds_nothing_serious(
    home: Home, database: duckdb.DuckDBPyConnection, open_page: Opener, kind: str, scheme: str
) -> None:
    path = {
        "index": home.report / "index.html",
        "ride": find_page(home, database, "mountain-biking"),
        "swim": find_page(home, database, "swimming"),
        "device": home.report / "devices" / "alder-2.html",
    }[kind]
    opened = open_page(path, scheme=scheme)
    # What is drawn is hidden from assistive technology, which gets the chart's words instead. The
    # tables of all numbers are made like the others, only longer; one of them stands for all.
    opened.page.evaluate(
        "document.querySelectorAll('#every details + details').forEach((one) => one.remove())"
    )
    opened.page.evaluate(
        "document.querySelectorAll('.definition:nth-of-type(n + 4)').forEach((one) => one.remove())"
    )
    opened.page.evaluate(
        "document.querySelectorAll('#parts .scroll ~ .scroll').forEach((one) => one.remove())"
    )
    opened.page.evaluate(
        "document.querySelectorAll('details').forEach((one) => { one.open = true; })"
    )
    seen = {"exclude": [[".chart svg"]]}
    options = {"resultTypes": ["violations"]}
    violations = Axe().run(opened.page, context=seen, options=options).response["violations"]
    serious = [
        (one["id"], one["help"], [node["html"][:160] for node in one["nodes"][:3]])
        for one in violations
        if one["impact"] in SERIOUS
    ]
    assert serious == []


def test_text_alternatives_say_what_a_chart_shows(open_page: Opener, ride: Path) -> None:
    opened = open_page(ride)
    charts = opened.page.locator(".chart")
    for n in range(charts.count()):
        label = charts.nth(n).get_attribute("aria-label")
        assert len(label) > 30
        assert charts.nth(n).get_attribute("role") == "img"
    first = charts.first.get_attribute("aria-label")
    assert "12:20" in first
    assert "mean error" in first


def test_the_page_can_be_read_at_twice_the_size(open_page: Opener, ride: Path) -> None:
    # 200 % on a screen of 1100 px leaves 550 px (WCAG 2.2, 1.4.4 and 1.4.10).
    opened = open_page(ride, width=550)
    assert opened.page.evaluate("document.documentElement.scrollWidth") <= 550


def test_the_theme_button_changes_page_and_charts(open_page: Opener, ride: Path) -> None:
    opened = open_page(ride)
    paper = "getComputedStyle(document.documentElement).backgroundColor"
    light, dark = (f".chart svg text[fill='{ink}']" for ink in ("#525c61", "#aab4b4"))
    assert opened.page.locator(light).count() > 10
    before = opened.page.evaluate(paper)
    opened.page.locator("#theme").click()
    expect(opened.page.locator(light)).to_have_count(0)
    assert opened.page.locator(dark).count() > 10
    assert opened.page.evaluate(paper) != before


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("size", "width"), [("desktop", 1280), ("phone", 390)])
def test_pages_can_be_photographed(
    open_page: Opener, ride: Path, tmp_path: Path, scheme: str, size: str, width: int
) -> None:
    # Set COWORN_SCREENSHOTS to a folder to look at them.
    folder = Path(os.environ.get("COWORN_SCREENSHOTS", tmp_path))
    folder.mkdir(parents=True, exist_ok=True)
    opened = open_page(ride, width=width, scheme=scheme)
    picture = folder / f"ride-{size}-{scheme}.png"
    opened.page.screenshot(path=picture, full_page=True)
    assert picture.stat().st_size > 100_000
