"""The map moves and is enlarged by mouse, fingers, buttons and keys; nothing is fetched."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from playwright.sync_api import expect

if TYPE_CHECKING:
    from pathlib import Path

    from tests.browser.conftest import Opened, Opener

MAP = ".map[data-map]"


def read_view(opened: Opened) -> tuple[float, float, float]:
    text = opened.page.locator(f"{MAP} .world").get_attribute("transform")
    found = re.fullmatch(r"translate\(([-\d.]+) ([-\d.]+)\) scale\(([-\d.e]+)\)", text)
    assert found is not None
    return float(found[1]), float(found[2]), float(found[3])


def test_the_map_shows_scale_north_start_direction_and_distances(
    open_page: Opener, ride: Path
) -> None:
    opened = open_page(ride, sections=("track",))
    for part in (".bar", ".north", ".pin.arrow", ".pin.distance", ".pin.both, .pin.start"):
        assert opened.page.locator(f"{MAP} {part}").count() > 0, part
    rings = opened.page.locator(f"{MAP} .pin.ring").count()
    assert 0 < rings <= 10
    note = opened.page.locator("#figure-track figcaption").inner_text()
    assert "cut corner" in note
    assert opened.said == []


def test_the_scale_bar_agrees_with_the_scale(open_page: Opener, ride: Path) -> None:
    opened = open_page(ride, sections=("track",))
    for _ in range(3):
        bar = opened.page.locator(f"{MAP} .bar path")
        drawn = float(re.search(r"H([\d.]+)", bar.get_attribute("d"))[1])
        words = opened.page.locator(f"{MAP} .bar text").text_content()
        number, unit = words.split()
        metres = float(number) * (1000 if unit == "km" else 1)
        # Lines are in decimetres.
        assert abs(drawn - metres * 10 * read_view(opened)[2]) < 0.2
        opened.page.get_by_role("button", name="Enlarge the map").click()


def test_buttons_and_keys_enlarge_move_and_show_all_again(open_page: Opener, ride: Path) -> None:
    opened = open_page(ride, sections=("track",))
    whole = read_view(opened)
    opened.page.get_by_role("button", name="Enlarge the map").click()
    assert read_view(opened)[2] > 1.4 * whole[2]
    assert "map=" in opened.page.url
    opened.page.locator(MAP).focus()
    before = read_view(opened)
    opened.page.keyboard.press("ArrowRight")
    assert read_view(opened)[0] < before[0] - 50
    opened.page.keyboard.press("+")
    assert read_view(opened)[2] > before[2]
    opened.page.keyboard.press("0")
    assert read_view(opened) == whole
    assert "map=" not in opened.page.url
    assert opened.said == []


def test_the_wheel_scrolls_the_page_until_the_map_is_chosen(open_page: Opener, ride: Path) -> None:
    opened = open_page(ride, sections=("track",))
    chosen = opened.page.locator(MAP)
    chosen.scroll_into_view_if_needed()
    box = chosen.bounding_box()
    whole = read_view(opened)
    opened.page.mouse.move(box["x"] + 300, box["y"] + 100)
    opened.page.mouse.wheel(0, 40)
    opened.page.wait_for_timeout(100)
    assert read_view(opened) == whole
    chosen.focus()
    box = chosen.bounding_box()
    opened.page.mouse.move(box["x"] + 300, box["y"] + 100)
    opened.page.mouse.wheel(0, -200)
    opened.page.wait_for_timeout(100)
    assert read_view(opened)[2] > 1.5 * whole[2]
    left = read_view(opened)[0]
    opened.page.mouse.down()
    opened.page.mouse.move(box["x"] + 380, box["y"] + 120, steps=4)
    opened.page.mouse.up()
    assert abs(read_view(opened)[0] - left - 80) < 1.5


def test_two_fingers_enlarge_the_map(open_page: Opener, ride: Path) -> None:
    opened = open_page(ride, sections=("track",))
    whole = read_view(opened)
    opened.page.evaluate(
        """() => {
          const svg = document.querySelector(".map[data-map] > svg");
          const box = svg.getBoundingClientRect();
          svg.setPointerCapture = () => {};
          const send = (type, pointerId, x, y) => svg.dispatchEvent(new PointerEvent(type, {
            pointerId, pointerType: "touch", clientX: box.left + x, clientY: box.top + y,
            bubbles: true, cancelable: true }));
          send("pointerdown", 11, 300, 200); send("pointerdown", 12, 400, 200);
          send("pointermove", 11, 250, 200); send("pointermove", 12, 450, 200);
          send("pointerup", 11, 250, 200); send("pointerup", 12, 450, 200);
        }"""
    )
    # The fingers are twice as far apart as before.
    assert abs(read_view(opened)[2] / whole[2] - 2.0) < 0.01
    assert opened.said == []


def test_a_view_of_the_map_stands_in_the_address(open_page: Opener, ride: Path) -> None:
    opened = open_page(ride, sections=("track",))
    opened.page.get_by_role("button", name="Enlarge the map").click()
    opened.page.get_by_role("button", name="Enlarge the map").click()
    view, address = read_view(opened), opened.page.url
    opened.page.goto("about:blank")
    opened.page.goto(address)
    opened.wait()
    again = read_view(opened)
    assert all(abs(a - b) <= 0.02 * abs(a) + 0.5 for a, b in zip(view, again, strict=True))
    opened.page.goto("about:blank")
    opened.page.goto(f"{ride.as_uri()}#map=x,y,3")
    opened.wait()
    assert opened.said == []


def test_a_track_is_coloured_by_its_error_on_demand(open_page: Opener, ride: Path) -> None:
    opened = open_page(ride, sections=("track",))
    assert opened.page.locator(f"{MAP} .error").count() == 0
    opened.page.locator(f"{MAP} select").select_option(label="heart-rate error of Alder 2")
    shown = opened.page.locator(f"{MAP} .error")
    # Alder 2 locked late: there is more than 10 bpm, and within 5.
    classes = {shown.nth(n).get_attribute("class") for n in range(shown.count())}
    assert {"error e0", "error e2"} <= classes
    expect(opened.page.locator(".map-key")).to_be_visible()
    opened.page.locator(f"{MAP} select").select_option(label="device")
    assert opened.page.locator(f"{MAP} .error").count() == 0
    assert opened.said == []


def test_a_hidden_device_leaves_the_map_and_the_dark_theme_colours_it(
    open_page: Opener, ride: Path
) -> None:
    opened = open_page(ride, sections=("track",))
    track = opened.page.locator(f"{MAP} .track[data-device='Alder 2']")
    light = track.get_attribute("stroke")
    opened.page.locator("#theme").click()
    opened.wait()
    expect(track).not_to_have_attribute("stroke", light)
    opened.page.get_by_role("button", name="Alder 2 in the charts").click()
    expect(track).to_be_hidden()
