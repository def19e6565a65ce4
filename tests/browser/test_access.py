"""What everybody needs: axe-core finds nothing serious, and a picture of each page can be kept."""

from __future__ import annotations

import os
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from axe_playwright_python.sync_playwright import Axe
from PIL import Image
from playwright.sync_api import expect

from tasks.report.looks import INK, deal_looks
from tests.browser.conftest import Opened, Opener, find_page
from tests.unit.report_home import HOSTILE_NAME

if TYPE_CHECKING:
    import duckdb

    from config.home import Home

#: Each role twice: all looks that there are.
ROLES = ["test", "predecessor", "reference", "peer"] * 2
#: axe-core's own degrees; the two upper ones keep somebody from reading.
SERIOUS = {"serious", "critical"}


def find_kind(home: Home, database: duckdb.DuckDBPyConnection, kind: str) -> Path:
    return {
        "index": lambda: home.report / "index.html",
        "ride": lambda: find_page(home, database, "mountain-biking"),
        "swim": lambda: find_page(home, database, "swimming"),
        "device": lambda: home.report / "devices" / "alder-1.html",
        "answers": lambda: home.report / "devices" / "alder-2.html",
    }[kind]()


#: Every kind of page is photographed wide and light, narrow and dark; with COWORN_SCREENSHOTS set
#: to a folder also the other way round, to be looked at.
SHOTS = [("desktop", 1280, "light"), ("phone", 390, "dark")]
FOLDER = os.environ.get("COWORN_SCREENSHOTS")
if FOLDER:
    SHOTS += [("desktop", 1280, "dark"), ("phone", 390, "light")]


@pytest.mark.parametrize(("size", "width", "scheme"), SHOTS)
@pytest.mark.parametrize("kind", ["index", "ride", "swim", "device", "answers"])
def test_axe_finds_nothing_serious_on_what_is_photographed(
    home: Home,
    database: duckdb.DuckDBPyConnection,
    open_page: Opener,
    tmp_path: Path,
    kind: str,
    size: str,
    width: int,
    scheme: str,
) -> None:
    opened = open_page(find_kind(home, database, kind), width=width, scheme=scheme)
    folder = Path(FOLDER or tmp_path)
    folder.mkdir(parents=True, exist_ok=True)
    picture = folder / f"{kind}-{size}-{scheme}.png"
    opened.page.screenshot(path=picture, full_page=True)
    assert picture.stat().st_size > 50_000
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


def test_text_alternatives_say_what_a_chart_shows(whole_ride: Opened) -> None:
    opened = whole_ride
    charts = opened.page.locator(".chart")
    for n in range(charts.count()):
        label = charts.nth(n).get_attribute("aria-label")
        assert len(label) > 30
        assert charts.nth(n).get_attribute("role") == "img"
    first = charts.first.get_attribute("aria-label")
    assert "12:20" in first
    assert "mean error" in first


def test_the_page_can_be_read_with_all_sections_open_on_a_phone(narrow_ride: Opened) -> None:
    # Narrower than 200 % leave on a screen of 1100 px (WCAG 2.2, 1.4.4 and 1.4.10).
    assert narrow_ride.page.evaluate("document.documentElement.scrollWidth") <= 390


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


def test_print_is_dark_on_white_whatever_the_screen_is(
    open_page: Opener, ride: Path, tmp_path: Path
) -> None:
    opened = open_page(ride, scheme="dark")
    opened.page.emulate_media(media="print", color_scheme="dark")
    read = "(what) => getComputedStyle(document.querySelector(what)).%s"
    assert opened.page.evaluate(read % "backgroundColor", "html") == "rgb(255, 255, 255)"
    assert opened.page.evaluate(read % "color", "h1") == "rgb(0, 0, 0)"
    assert opened.page.evaluate(read % "display", ".mark .light") == "inline"
    assert opened.page.evaluate(read % "display", ".mark .dark") == "none"
    assert not opened.page.locator("#pointer").is_visible()
    # Of the chart that was drawn for a dark screen no colour stays.
    left = opened.page.evaluate(
        """(dark) => {
          const asRgb = (hex) => `rgb(${[1, 3, 5].map((at) =>
            parseInt(hex.slice(at, at + 2), 16)).join(', ')})`;
          return [...document.querySelectorAll('.chart svg *, .map svg *')].flatMap((one) =>
            ['stroke', 'fill'].filter((name) => dark.includes(one.getAttribute(name)) &&
              getComputedStyle(one)[name] === asRgb(one.getAttribute(name))));
        }""",
        [*INK["dark"].values(), *(look.dark for look in deal_looks(ROLES))],
    )
    assert left == []
    # On narrow paper charts are made smaller, not cut.
    opened.page.set_viewport_size({"width": 700, "height": 900})
    assert opened.page.evaluate(
        "[...document.querySelectorAll('.chart svg')].every((one) => "
        "one.getBoundingClientRect().right <= innerWidth)"
    )
    picture = tmp_path / "chart.png"
    opened.page.locator(".chart").first.screenshot(path=picture)
    with Image.open(picture) as image:
        grey = image.convert("L")
    # The paper of a chart, and the darkest of what is drawn on it.
    assert grey.getpixel((3, grey.height - 3)) >= 250
    assert grey.getextrema()[0] < 60


def test_the_theme_button_does_not_darken_print(open_page: Opener, ride: Path) -> None:
    opened = open_page(ride, scheme="light")
    opened.page.locator("#theme").click()
    opened.page.emulate_media(media="print")
    paper = "getComputedStyle(document.documentElement).backgroundColor"
    assert opened.page.evaluate(paper) == "rgb(255, 255, 255)"


def test_the_first_key_leads_to_the_skip_link_and_on_to_the_content(
    open_page: Opener, ride: Path
) -> None:
    opened = open_page(ride)
    assert opened.page.locator("html").get_attribute("lang") == "en"
    opened.page.keyboard.press("Tab")
    skip = opened.page.locator(".skip")
    expect(skip).to_be_focused()
    expect(skip).to_be_in_viewport()
    opened.page.keyboard.press("Enter")
    expect(opened.page.locator("main")).to_be_focused()


def test_the_keyboard_goes_from_top_to_bottom_and_shows_where_it_is(
    open_page: Opener, ride: Path
) -> None:
    opened = open_page(ride)
    where = """() => {
      const one = document.activeElement, style = getComputedStyle(one);
      return { order: [...document.querySelectorAll('*')].indexOf(one), tag: one.tagName,
               outline: style.outlineStyle, width: parseFloat(style.outlineWidth) };
    }"""
    before = -1
    seen = set()
    for _ in range(60):
        opened.page.keyboard.press("Tab")
        place = opened.page.evaluate(where)
        assert place["order"] > before, place
        assert place["outline"] == "solid", place
        assert place["width"] >= 2, place
        before = place["order"]
        seen.add(place["tag"])
    assert {"A", "BUTTON", "SUMMARY", "INPUT"} <= seen


def test_nothing_moves_for_those_who_want_no_motion(open_page: Opener, ride: Path) -> None:
    opened = open_page(ride)
    behaviour = "getComputedStyle(document.documentElement).scrollBehavior"
    assert opened.page.evaluate(behaviour) == "smooth"
    opened.page.emulate_media(reduced_motion="reduce")
    assert opened.page.evaluate(behaviour) == "auto"
    moving = """[...document.querySelectorAll('*')].filter((one) => {
      const style = getComputedStyle(one);
      return style.animationName !== 'none' || parseFloat(style.transitionDuration) > 0;
    }).length"""
    assert opened.page.evaluate(moving) == 0


def test_a_long_name_breaks_neither_chart_nor_table_on_a_phone(narrow_ride: Opened) -> None:
    opened = narrow_ride
    outside = opened.page.evaluate(
        """[...document.querySelectorAll('.chart')].filter((chart) => {
             const frame = chart.getBoundingClientRect();
             return [...chart.querySelectorAll('svg text')].some((text) => {
               const box = text.getBoundingClientRect();
               return box.width && (box.right > frame.right + 1 || box.left < frame.left - 1);
             });
           }).map((chart) => chart.dataset.chart)"""
    )
    assert outside == []
    # The first numbers stand below each other on a phone; their names may be as wide as it is.
    widest = opened.page.evaluate(
        "Math.max(...[...document.querySelectorAll('table:not(.glance):has(td) th')]"
        ".map((one) => one.offsetWidth))"
    )
    assert widest <= 0.6 * 390
    # What the chart cuts is said in full beside it.
    assert HOSTILE_NAME in opened.page.locator(".chart[data-chart=heart_rate]").get_attribute(
        "aria-label"
    )
    cut = opened.page.locator('.chart[data-chart="heart_rate"] svg text', has_text="…")
    assert cut.count() >= 1


def test_words_of_the_agreement_plot_keep_apart(narrow_ride: Opened, whole_ride: Opened) -> None:
    for width, opened in ((390, narrow_ride), (1100, whole_ride)):
        plots = opened.page.locator('.chart[data-chart^="agreement--"]')
        assert plots.count() == 3
        for n in range(plots.count()):
            boxes = plots.nth(n).evaluate(
                """(chart) => [...chart.querySelectorAll('svg text')]
                     .filter((one) => /limit|^mean [^o]/.test(one.textContent))
                     .map((one) => one.getBoundingClientRect())
                     .map((box) => [box.top, box.bottom, box.left])"""
            )
            points = plots.nth(n).evaluate(
                """(chart) => Math.max(...[...chart.querySelectorAll('g.mark-symbol path')]
                     .map((one) => one.getBoundingClientRect().right))"""
            )
            assert len(boxes) == 3
            boxes.sort()
            for upper, lower in pairwise(boxes):
                assert lower[0] - upper[0] >= 9, (width, boxes)
            assert points <= min(left for _, _, left in boxes) + 1, (width, boxes)
