"""What was found across workouts, drawn in real Chromium."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from pathlib import Path

    from config.home import Home
    from tests.browser.conftest import Opened, Opener

MINUS = "\N{MINUS SIGN}"
#: Where marks lie: the middle of each element of a class of marks, by its place from the left [px].
FIND_MIDDLES = """(what) => [...document.querySelectorAll(what)].map((one) => {
  const box = one.getBoundingClientRect();
  return box.left + box.width / 2;
})"""
FOREST = "[data-chart='forest--alder-1']"


@pytest.fixture
def page(home: Home) -> Path:
    return home.report / "devices" / "alder-2.html"


def find_middles(opened: Opened, what: str) -> list[float]:
    found: list[float] = opened.page.evaluate(FIND_MIDDLES, f"{FOREST} {what}")
    return found


def test_better_lies_right_of_the_zero_line_and_alike_inside_the_margin(
    open_page: Opener, page: Path
) -> None:
    opened = open_page(page)
    # Layers in the order of the drawing: margin, zero, spans, settled, open, beyond, words.
    zero = find_middles(opened, ".layer_1_marks line")[0]
    dots = find_middles(opened, ".layer_3_marks path")
    assert len(dots) == 2
    better, alike = dots
    margin = opened.page.evaluate(
        "(what) => document.querySelector(what).getBoundingClientRect().toJSON()",
        f"{FOREST} .layer_0_marks path",
    )
    assert better > margin["right"]
    assert margin["left"] < alike < zero
    # Margins of one to either side, and a smaller error by two and a half.
    assert better - zero == pytest.approx(2.5 * (margin["right"] - zero), abs=2)
    arrow = find_middles(opened, ".layer_5_marks path")
    assert len(arrow) == 1
    assert arrow[0] < margin["left"]
    assert opened.said == []


@pytest.mark.parametrize("width", [390, 1280])
def test_words_stand_in_the_figure_and_nothing_scrolls_sideways(
    open_page: Opener, page: Path, width: int
) -> None:
    opened = open_page(page, width=width)
    said = opened.page.locator(f"{FOREST} .layer_6_marks text").all_text_contents()
    # The two workouts of the home add rows of their own, with too few workouts.
    assert {f"better, {MINUS}2.5 bpm", f"worse, {MINUS}45.0 %", "alike, +0.1 m"} < set(said)
    ends: list[float] = opened.page.evaluate(
        "(what) => [...document.querySelectorAll(what)]"
        ".map((one) => one.getBoundingClientRect().right)",
        f"{FOREST} text",
    )
    assert max(ends) <= width
    assert opened.page.evaluate("document.documentElement.scrollWidth") <= width
