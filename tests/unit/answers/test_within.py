"""Parts within workouts: what is told, with how many parts were looked at, and what is not."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tasks.answers.facts import Facts, Value
from tasks.answers.sentence import Pen, Sentence
from tasks.answers.within import compare_parts
from tests.unit.answers.stories import MAPLE, make_facts, make_values

METRIC = Pen("metric")
WHOLE_N, BAND_N = 3600, 600


def make(parts: dict[str, list[float | None]], n: int = WHOLE_N) -> Facts:
    """Return facts of one device whose errors in each segment are given by workout."""
    return make_facts(
        {
            ("maple-2", "hr_mae_bpm", segment): make_values(
                values, n=BAND_N if "band" in segment else n
            )
            for segment, values in parts.items()
        }
    )


def tell(facts: Facts) -> list[Sentence]:
    return list(compare_parts(facts, MAPLE, pen=METRIC))


def plain(text: str) -> str:
    return text.replace("\N{NO-BREAK SPACE}", " ")


def test_a_band_is_compared_with_the_seconds_beside_it() -> None:
    # 600 s of 3600 at 6 bpm and a whole of 2: the other 3000 s have (7200 - 3600) / 3000 = 1.2.
    facts = make({"all": [2.0] * 6, "band:above-90": [6.0] * 6, "band:60-70": [2.0] * 6})
    (found,) = tell(facts)
    assert plain(found.text) == (
        "Above 90 % of the maximum heart rate, it was off by 6.0 bpm, against 1.2 bpm in the rest "
        "of the workout; more in 6 of 6."
    )
    # Both signs of six equal differences: 2 of 64.
    assert "2 parts looked at" in found.evidence
    assert "p 0.031, adjusted for all of them. It holds" in found.evidence
    assert "cannot be told from what is the time since start" in found.evidence
    assert found.use == "count"


def test_what_does_not_hold_after_all_parts_are_counted_is_not_said_to() -> None:
    facts = make({"steady": [1.0] * 5, "rising": [4.0] * 5, "falling": [1.0] * 5})
    (found,) = tell(facts)
    assert plain(found.text) == (
        "While effort rises, it was off by 4.0 bpm, against 1.0 bpm at steady effort; more in 5 of "
        "5."
    )
    assert "It holds" not in found.evidence  # five workouts: 2 of 32 at best
    assert "2 parts looked at" in found.evidence


@pytest.mark.parametrize(
    "parts",
    [
        {"steady": [1.0] * 2, "rising": [9.0] * 2},  # too few workouts
        {"steady": [2.0] * 6, "rising": [2.6] * 6},  # not half as much again
        {"steady": [0.1] * 6, "rising": [0.4] * 6},  # less than the margin
        {"all": [2.0] * 6, "band:60-70": [2.0] * 6},  # the same everywhere
    ],
)
def test_parts_that_hardly_differ_are_not_told(parts: dict[str, list[float | None]]) -> None:
    assert not tell(make(parts))


def test_a_band_that_is_the_whole_workout_has_nothing_beside_it() -> None:
    assert not tell(make({"all": [2.0] * 6, "band:60-70": [6.0] * 6}, n=BAND_N + 30))


def test_values_against_two_references_are_not_compared() -> None:
    facts = make({"steady": [1.0] * 6, "rising": [4.0] * 6})
    other = {one: (Value(4.0, "spruce", "device", None, 60),) for one in facts.workouts}
    values = {**facts.values, ("maple-2", "hr_mae_bpm", "rising"): other}
    assert not tell(replace(facts, values=values))


def test_of_several_bands_the_worst_is_told() -> None:
    facts = make({"all": [2.0] * 6, "band:above-90": [5.0] * 6, "band:below-60": [6.0] * 6})
    (found,) = tell(facts)
    assert found.segment == "band:below-60"
