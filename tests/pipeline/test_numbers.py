"""Numbers of the demo agree with each other, wherever they are read."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.contract.numbers import find_two_spellings, list_questions, list_views

if TYPE_CHECKING:
    from tests.pipeline.conftest import Place

QUESTIONS = {**list_questions(), **list_views()}


@pytest.mark.parametrize("claim", QUESTIONS)
def test_numbers_of_the_demo(demo: Place, claim: str) -> None:
    question = QUESTIONS[claim]
    counted = demo.ask(question.asked)[0][0]
    assert isinstance(counted, int)
    assert counted > 0
    assert demo.ask(question.wrong) == []


def test_a_firmware_of_the_demo_has_one_spelling(demo: Place) -> None:
    assert find_two_spellings(demo.ask) == []
