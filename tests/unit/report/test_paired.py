"""Paired dots: where marks stand, what a reader without eyes is told, figures that stand alone."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from typing import TYPE_CHECKING

import pytest

from tasks.answers.phrases import PHRASES
from tasks.answers.sentence import Pen
from tasks.report.paired import MOST_ROWS, draw_pairs, frame_pairs
from tests.unit.answers.stories import (
    MAPLE,
    MAPLE_1,
    SPRUCE,
    make_facts,
    make_values,
    make_workouts,
)

if TYPE_CHECKING:
    from tasks.answers.facts import Facts
    from tasks.report.paired import PairedChart

LOCK = PHRASES["hr_lock_s"]
OWN: list[float | None] = [200.0, 210.0, 190.0, 20.0, 22.0, 24.0]
OTHER: list[float | None] = [40.0, 30.0, 35.0, 40.0, 41.0, 42.0]


def make(own: list[float | None] = OWN, other: list[float | None] = OTHER) -> Facts:
    n = len(own)
    half: list[str | None] = ["outdoors"] * (n // 2)
    rest: list[str | None] = ["indoors"] * (n - n // 2)
    return make_facts(
        {
            ("maple-2", "hr_lock_s", "all"): make_values(own),
            ("maple-1", "hr_lock_s", "all"): make_values(other),
            ("spruce", "hr_lock_s", "all"): make_values([10.0] * n),
        },
        workouts=make_workouts(n, [*half, *rest]),
    )


def draw(facts: Facts, units: str = "metric") -> PairedChart:
    chart = draw_pairs(facts, MAPLE, MAPLE_1, LOCK, pen=Pen(units), third=SPRUCE)
    assert chart is not None
    return chart


def places(chart: PairedChart, what: str) -> list[float]:
    return [float(x) for x in re.findall(rf'class="{what}" cx="([\d.]+)"', chart.svg)]


def test_a_greater_value_stands_further_right_and_zero_is_the_left_edge() -> None:
    chart = draw(make())
    dots, rings = places(chart, "dot"), places(chart, "ring")
    for own, other, dot, ring in zip(OWN, OTHER, dots, rings, strict=True):
        assert own is not None
        assert other is not None
        assert (dot > ring) == (own > other)
    # On one scale: distances from zero are as the values are.
    left = float(re.findall(r'class="grid" x1="([\d.]+)"', chart.svg)[0])
    assert (dots[0] - left) / (dots[3] - left) == pytest.approx(200.0 / 20.0, rel=0.01)


def test_places_with_three_workouts_each_are_grouped_with_their_medians() -> None:
    chart = draw(make())
    assert re.findall(r'class="group"[^>]*>(\w+)<', chart.svg) == ["Outdoors", "Indoors"]
    assert re.findall(r'class="value test"[^>]*>([\d.]+)<', chart.svg) == ["200", "22"]


def test_few_workouts_of_one_kind_are_not_grouped() -> None:
    chart = draw(make(OWN[:4], OTHER[:4]))
    assert "Outdoors" not in chart.svg
    assert len(places(chart, "dot")) == 4


def test_what_is_drawn_is_said_in_words() -> None:
    chart = draw(make())
    words = chart.alternative.replace("\N{NO-BREAK SPACE}", " ")
    assert words.startswith("Time to lock of Maple 2 against Maple 1, by workout, in s:")
    assert "running of 1 May: 200 against 40" in words
    assert 'role="img" aria-label="Time to lock' in chart.svg


def test_one_workout_is_no_chart() -> None:
    assert draw_pairs(make(OWN[:1], OTHER[:1]), MAPLE, MAPLE_1, LOCK, pen=Pen("metric")) is None


def test_of_many_workouts_the_newest_are_drawn_and_the_others_counted() -> None:
    n = MOST_ROWS + 5
    chart = draw(make([50.0 + number for number in range(n)], [40.0] * n))
    assert len(places(chart, "dot")) == MOST_ROWS
    assert chart.more == 5


def test_equal_values_of_zero_draw_without_dividing_by_zero() -> None:
    assert len(places(draw(make([0.0] * 4, [0.0] * 4)), "dot")) == 4


def test_names_from_outside_cannot_break_out_of_the_drawing() -> None:
    facts = make_facts(
        {
            ("maple-2", "hr_lock_s", "all"): make_values([1.0, 2.0]),
            ("maple-1", "hr_lock_s", "all"): make_values([1.0, 2.0]),
        },
        workouts=make_workouts(2, activities=["<script>x</script>", '"onload="']),
    )
    chart = draw_pairs(facts, MAPLE, MAPLE_1, LOCK, pen=Pen("metric"))
    assert chart is not None
    assert "<script" not in chart.svg
    ET.fromstring(chart.svg)  # noqa: S314 - our own text


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("size", [(1600, 900), (1080, 1350)])
def test_a_figure_stands_alone_with_title_legend_source_and_its_size(
    theme: str, size: tuple[int, int]
) -> None:
    svg = frame_pairs(draw(make()), ("Maple 2", "Maple 1", "Spruce"), size_px=size, theme=theme)  # type: ignore[arg-type]
    root = ET.fromstring(svg)  # noqa: S314 - our own text
    assert (root.get("width"), root.get("height")) == (str(size[0]), str(size[1]))
    box = [float(part) for part in (root.get("viewBox") or "").split()]
    assert box[2] / box[3] == pytest.approx(size[0] / size[1], rel=1e-3)
    texts = [element.text for element in root.iter("{http://www.w3.org/2000/svg}text")]
    for name in ("Maple 2", "Maple 1", "Spruce", "Time to lock"):
        assert name in texts
    assert any("Source: coworn" in (text or "") for text in texts)
    assert "href" not in svg
