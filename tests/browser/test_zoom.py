"""Charts are instruments: a time is enlarged in all of them, a device is hidden in all of them."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    from tests.browser.conftest import Opened, Opener

CHART = "[data-chart='heart_rate']"


def read_ticks(opened: Opened, chart: str = CHART) -> list[str]:
    """Return the times of day under a chart."""
    texts = opened.page.locator(f"{chart} svg text").all_text_contents()
    return [text for text in texts if re.fullmatch(r"\d\d:\d\d(:\d\d)?", text)]


def count_lines(opened: Opened) -> int:
    return opened.page.locator(f"{CHART} svg .mark-line path").count()


def drag(opened: Opened, begin: float, end: float) -> None:
    """Drag over a share of the chart, from `begin` to `end`, and wait until all is drawn again."""
    opened.page.locator(CHART).scroll_into_view_if_needed()
    box = opened.page.locator(CHART).bounding_box()
    assert box is not None
    opened.page.mouse.move(box["x"] + begin * box["width"], box["y"] + 80)
    opened.page.mouse.down()
    opened.page.mouse.move(box["x"] + end * box["width"], box["y"] + 80, steps=6)
    opened.page.mouse.up()
    wait_drawn(opened)


def wait_drawn(opened: Opened) -> None:
    opened.page.wait_for_timeout(100)
    opened.wait()


def test_a_drag_enlarges_that_time_in_all_charts_and_escape_leads_back(
    open_page: Opener, ride: Path
) -> None:
    opened = open_page(ride, sections=("heart_rate", "distance", "elevation"))
    opened.wait()
    whole = read_ticks(opened)
    drag(opened, 0.3, 0.4)
    zoomed = read_ticks(opened)
    assert zoomed != whole
    for chart in ("speed", "elevation"):
        assert set(read_ticks(opened, f"[data-chart='{chart}']")) <= set(zoomed)
    assert "zoom=" in opened.page.url
    opened.page.keyboard.press("Escape")
    wait_drawn(opened)
    assert read_ticks(opened) == whole
    assert "zoom=" not in opened.page.url
    assert opened.said == []


def test_a_double_click_and_a_button_lead_back_too(open_page: Opener, ride: Path) -> None:
    opened = open_page(ride, sections=("heart_rate",))
    opened.wait()
    whole = read_ticks(opened)
    drag(opened, 0.3, 0.4)
    opened.page.locator("#zoom-out").click()
    wait_drawn(opened)
    assert read_ticks(opened) == whole
    drag(opened, 0.3, 0.4)
    opened.page.locator(CHART).dblclick(position={"x": 200, "y": 80})
    wait_drawn(opened)
    assert read_ticks(opened) == whole


def test_times_that_are_typed_are_enlarged_by_the_keyboard_alone(
    open_page: Opener, ride: Path
) -> None:
    opened = open_page(ride, sections=("heart_rate",))
    opened.wait()
    opened.page.locator("#stretch-from").fill("12:25")
    opened.page.locator("#stretch-to").fill("12:27")
    opened.page.locator("#stretch-to").press("Enter")
    opened.page.locator("#stretch-zoom").focus()
    opened.page.keyboard.press("Enter")
    wait_drawn(opened)
    ticks = read_ticks(opened)
    assert {"12:25:00", "12:26:00"} <= set(ticks)
    assert all("12:25" <= tick <= "12:27:00" for tick in ticks)


def test_a_device_is_hidden_in_all_charts_and_alone_with_alt(open_page: Opener, ride: Path) -> None:
    opened = open_page(ride, sections=("heart_rate",))
    opened.wait()
    before = count_lines(opened)
    button = opened.page.get_by_role("button", name="Rowan in the charts")
    assert button.get_attribute("aria-pressed") == "true"
    button.click()
    wait_drawn(opened)
    assert count_lines(opened) < before
    assert button.get_attribute("aria-pressed") == "false"
    button.click()
    wait_drawn(opened)
    assert count_lines(opened) == before
    button.click(modifiers=["Alt"])
    wait_drawn(opened)
    pressed = opened.page.locator(".toggle[aria-pressed='true']")
    assert pressed.count() == 1
    assert pressed.get_attribute("data-device") == "Rowan"


def test_a_click_in_the_legend_hides_a_device_and_the_reference_is_wide(
    open_page: Opener, ride: Path
) -> None:
    opened = open_page(ride, sections=("heart_rate",))
    lines = opened.page.locator(f"{CHART} .mark-line path")
    widths = {float(lines.nth(n).get_attribute("stroke-width")) for n in range(lines.count())}
    assert widths == {1.3, 1.8, 4.5}
    before = count_lines(opened)
    names = opened.page.locator(f"{CHART} .role-legend-label text")
    names.filter(has_text="Rowan").click()
    wait_drawn(opened)
    assert count_lines(opened) < before
    assert "hide=Rowan" in opened.page.url
    opened.page.locator("#stretch-from").fill("12:25")
    opened.page.locator("#stretch-to").fill("12:27")
    opened.page.locator("#stretch-to").press("Enter")
    opened.page.locator("#stretch-zoom").click()
    wait_drawn(opened)
    command = opened.page.locator("#figure-heart_rate .command")
    assert command.text_content().endswith(" heart_rate --from 12:25:00 --to 12:27:00")


def test_a_view_stands_in_the_address_and_opens_again(open_page: Opener, ride: Path) -> None:
    opened = open_page(ride, sections=("heart_rate",))
    opened.wait()
    opened.page.get_by_role("button", name="Rowan in the charts").click()
    wait_drawn(opened)
    drag(opened, 0.5, 0.6)
    ticks, lines, address = read_ticks(opened), count_lines(opened), opened.page.url
    assert "hide=Rowan" in address
    opened.page.goto("about:blank")
    opened.page.goto(address)
    opened.wait()
    assert read_ticks(opened) == ticks
    assert count_lines(opened) == lines


def test_an_address_that_makes_no_sense_shows_the_whole_workout(
    open_page: Opener, ride: Path
) -> None:
    opened = open_page(ride, sections=("heart_rate",))
    opened.wait()
    whole = read_ticks(opened)
    for fragment in ("zoom=900-100", "zoom=0-99999999", "zoom=x", "hide=", "nothing"):
        opened.page.goto("about:blank")
        opened.page.goto(f"{ride.as_uri()}#{fragment}")
        opened.wait()
        assert read_ticks(opened) == whole
    assert opened.said == []
