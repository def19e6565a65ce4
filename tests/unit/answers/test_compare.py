"""What may be said of two devices: a table of store contents and the sentence that comes out."""

from __future__ import annotations

from typing import Any

import pytest

from tasks.answers.compare import compare, compare_failures
from tasks.answers.phrases import PHRASES
from tasks.answers.sentence import Pen, Sentence
from tests.unit.answers.stories import (
    MAPLE,
    MAPLE_1,
    make_facts,
    make_values,
    make_verdict,
    make_workouts,
)

NEW: list[float | None] = [3.5, 3.6, 3.4, 3.7, 3.5, 3.3, 3.8, 3.5]
OLD: list[float | None] = [2.0, 2.1, 1.9, 2.2, 2.0, 1.8, 2.3, 2.0]
MAE = PHRASES["hr_mae_bpm"]
LOCK = PHRASES["hr_lock_s"]


def say(
    metric: str,
    own: list[float | None],
    other: list[float | None],
    verdict: dict[str, Any] | None,
) -> Sentence | None:
    phrase = PHRASES[metric]
    facts = make_facts(
        {
            ("maple-2", metric, phrase.segment): make_values(own),
            ("maple-1", metric, phrase.segment): make_values(other),
        },
        verdicts=[verdict] if verdict else [],
    )
    return compare(facts, MAPLE, MAPLE_1, phrase, pen=Pen("metric"))


def plain(sentence: Sentence | None) -> str:
    assert sentence is not None
    return sentence.text.replace("\N{NO-BREAK SPACE}", " ")


@pytest.mark.parametrize(
    ("word", "use", "strength", "text"),
    [
        (
            "worse",
            "write",
            "shown",
            (
                "Once locked, its heart rate was farther from the reference than that of Maple 1: "
                "3.5 bpm against 2.0 bpm, in 8 of 8 workouts."
            ),
        ),
        (
            "leans worse",
            "count",
            "leans",
            (
                "Once locked, its heart rate was farther from the reference than that of Maple 1 "
                "in 8 of 8: 3.5 bpm against 2.0 bpm."
            ),
        ),
        (
            "alike",
            "write",
            "alike",
            "Once locked, its heart rate is as good as that of Maple 1, within 1.0 bpm.",
        ),
    ],
)
def test_each_word_of_a_verdict_allows_its_own_sentence(
    word: str, use: str, strength: str, text: str
) -> None:
    sentence = say("hr_mae_bpm", NEW, OLD, make_verdict("hr_mae_bpm", word))
    assert sentence is not None
    assert plain(sentence) == text
    assert (sentence.use, sentence.strength) == (use, strength)


def test_an_open_question_is_told_with_its_count_so_far() -> None:
    other: list[float | None] = [2.0, 2.1, 9.0, 2.2, 9.0, 1.8, 2.3, 2.0]
    sentence = say("hr_mae_bpm", NEW, other, make_verdict("hr_mae_bpm", "unclear"))
    assert plain(sentence) == (
        "Whether its heart rate, once locked, is more accurate than that of Maple 1: worse in "
        "6 of 8 so far."
    )
    assert sentence is not None
    assert (sentence.use, sentence.strength) == ("open", "open")


def test_a_device_that_is_better_is_never_said_to_be_worse() -> None:
    sentence = say("hr_mae_bpm", OLD, NEW, make_verdict("hr_mae_bpm", "better", estimate=-1.0))
    assert plain(sentence).startswith("Once locked, its heart rate was closer to the reference")
    assert "farther" not in plain(sentence)


def test_where_higher_is_better_the_larger_value_counts_as_better() -> None:
    sentence = say(
        "hr_within_5_bpm_pct", [95.0] * 6, [90.0] * 6, make_verdict("hr_within_5_bpm_pct", "better")
    )
    assert plain(sentence) == (
        "Its heart rate was within 5 bpm for more of the time than that of Maple 1: "
        "95.0 % against 90.0 %, in 6 of 6 workouts."
    )


def test_of_a_signed_error_the_size_counts() -> None:
    sentence = say(
        "distance_error_pct", [-0.2, 0.3, -0.1], [-1.5, 1.2, 1.4], make_verdict("x", "unclear")
    )
    assert plain(sentence) == (
        "Its distance was closer than that of Maple 1 in 3 of 3: 0.2 % against 1.4 %."
    )


def test_few_workouts_that_all_say_the_same_are_told_with_their_count() -> None:
    sentence = say("hr_lock_s", [200.0, 190.0, 230.0], [30.0, 35.0, 40.0], None)
    assert plain(sentence) == (
        "It locked on to the heart rate later than Maple 1 in 3 of 3: 200 s against 35 s."
    )
    assert sentence is not None
    assert (sentence.use, sentence.strength) == ("count", "few")


def test_within_the_margin_workouts_that_all_say_the_same_tell_no_difference() -> None:
    sentence = say("hr_lock_s", [31.0, 36.0, 41.0], [30.0, 35.0, 40.0], None)
    assert plain(sentence) == ("Times to lock of both differed by at most 15 s in 3 of 3 workouts.")


def test_ties_are_counted_apart() -> None:
    sentence = say("track_corners_cut_per_km", [0.0, 0.0, 0.1, 0.0], [4.0, 0.0, 3.0, 2.0], None)
    assert plain(sentence) == (
        "It cut fewer corners than Maple 1 in 3 of 4, the same in 1: 0.0 against 2.5."
    )


def test_opposite_places_are_told_apart_and_never_as_one() -> None:
    places: list[str | None] = ["outdoors"] * 5 + ["indoors"] * 3
    own: list[float | None] = [200.0, 210.0, 190.0, 250.0, 260.0, 10.0, 12.0, 0.0]
    other: list[float | None] = [40.0, 35.0, 38.0, 30.0, 28.0, 40.0, 42.0, 43.0]
    facts = make_facts(
        {
            ("maple-2", "hr_lock_s", "all"): make_values(own),
            ("maple-1", "hr_lock_s", "all"): make_values(other),
        },
        verdicts=[
            make_verdict("hr_lock_s", "unclear"),
            make_verdict("hr_lock_s", "unclear", family="place", p_value=0.018, p_adjusted=0.1),
        ],
        workouts=make_workouts(8, places),
    )
    sentence = compare(facts, MAPLE, MAPLE_1, LOCK, pen=Pen("metric"))
    assert plain(sentence) == (
        "Outdoors it locked on to the heart rate later than Maple 1 in 5 of 5: 210 s against 35 s. "
        "Indoors it locked on to the heart rate sooner in 3 of 3: 10 s against 42 s."
    )
    assert sentence is not None
    assert sentence.use == "count"
    assert "seen afterwards" in sentence.evidence


def test_that_place_matters_is_told_as_shown_where_its_test_says_so() -> None:
    places: list[str | None] = ["outdoors"] * 3 + ["indoors"] * 3
    own: list[float | None] = [200.0, 210.0, 190.0, 10.0, 12.0, 11.0]
    other: list[float | None] = [40.0, 35.0, 38.0, 40.0, 42.0, 43.0]
    facts = make_facts(
        {
            ("maple-2", "hr_lock_s", "all"): make_values(own),
            ("maple-1", "hr_lock_s", "all"): make_values(other),
        },
        verdicts=[
            make_verdict("hr_lock_s", "unclear"),
            make_verdict("hr_lock_s", "leans worse", place="outdoors"),
            make_verdict("hr_lock_s", "worse", family="place", p_value=0.01, p_adjusted=0.04),
        ],
        workouts=make_workouts(6, places),
    )
    sentence = compare(facts, MAPLE, MAPLE_1, LOCK, pen=Pen("metric"))
    assert plain(sentence).startswith(
        "Place matters. Outdoors it locked on to the heart rate later"
    )
    assert sentence is not None
    assert (sentence.use, sentence.strength) == ("write", "shown")
    assert "Each place by itself: outdoors leans worse, indoors too few." in sentence.evidence


def test_without_a_sign_that_place_matters_places_are_not_told_apart() -> None:
    places: list[str | None] = ["outdoors"] * 4 + ["indoors"] * 4
    facts = make_facts(
        {("maple-2", "hr_mae_bpm", "after_lock"): make_values(list(NEW)),
         ("maple-1", "hr_mae_bpm", "after_lock"): make_values(list(OLD))},
        verdicts=[
            make_verdict("hr_mae_bpm", "unclear"),
            make_verdict("hr_mae_bpm", "unclear", family="place", p_value=0.4),
        ],
        workouts=make_workouts(8, places),
    )  # fmt: skip
    assert "ndoors" not in plain(compare(facts, MAPLE, MAPLE_1, MAE, pen=Pen("metric")))


def test_devices_without_a_common_reference_are_not_compared() -> None:
    facts = make_facts(
        {
            ("maple-2", "hr_mae_bpm", "after_lock"): make_values([1.0], "willow"),
            ("maple-1", "hr_mae_bpm", "after_lock"): make_values([2.0], "spruce"),
        }
    )
    assert compare(facts, MAPLE, MAPLE_1, MAE, pen=Pen("metric")) is None


def test_a_device_is_never_the_judge_of_its_own_comparison() -> None:
    facts = make_facts(
        {
            ("maple-2", "hr_mae_bpm", "after_lock"): make_values([1.0], "maple-1"),
            ("maple-1", "hr_mae_bpm", "after_lock"): make_values([0.0], "maple-1"),
        }
    )
    assert compare(facts, MAPLE, MAPLE_1, MAE, pen=Pen("metric")) is None


def tell_failures(**verdict: object) -> Sentence | None:
    facts = make_facts(
        {
            ("maple-2", "hr_lock_s", "all"): make_values([None, 12.0, 13.0, 14.0]),
            ("maple-1", "hr_lock_s", "all"): make_values([12.0, 12.0, 13.0, 14.0]),
            ("maple-2", "hr_lock_failed_pct", "all"): make_values([100.0, 0.0, 0.0, 0.0]),
            ("maple-1", "hr_lock_failed_pct", "all"): make_values([0.0, 0.0, 0.0, 0.0]),
        },
        verdicts=[make_verdict("hr_lock_failed_pct", **verdict)] if verdict else [],  # type: ignore[arg-type]
    )
    return compare_failures(facts, MAPLE, MAPLE_1, LOCK)


def test_a_device_that_never_locked_is_said_to_have_failed() -> None:
    sentence = tell_failures()
    assert plain(sentence) == "It never locked on to the heart rate in 1 of 4; Maple 1 in 0 of 4."
    assert sentence is not None
    assert (sentence.use, sentence.tally) == ("count", (1.0, 0.0, 0.0, 0.0))


def test_that_a_device_fails_more_often_may_be_written_where_it_is_shown() -> None:
    sentence = tell_failures(word="worse")
    assert sentence is not None
    assert (sentence.use, sentence.strength) == ("write", "shown")


def test_where_most_workouts_failed_there_is_no_usual_value() -> None:
    failed = [100.0, 100.0, 100.0, 0.0]
    facts = make_facts(
        {
            ("maple-2", "hr_lock_s", "all"): make_values([None, None, None, 12.0]),
            ("maple-1", "hr_lock_s", "all"): make_values([12.0, 12.0, 13.0, 14.0]),
            ("maple-2", "hr_lock_failed_pct", "all"): make_values(failed),  # type: ignore[arg-type]
            ("maple-1", "hr_lock_failed_pct", "all"): make_values([0.0] * 4),
        },
        verdicts=[make_verdict("hr_lock_s", "leans worse")],
    )
    sentence = compare(facts, MAPLE, MAPLE_1, LOCK, pen=Pen("metric"))
    assert plain(sentence) == (
        "It locked on to the heart rate later than Maple 1 in 3 of 4: no usual value, failed in 3 "
        "of 4 against 12 s."
    )


def test_no_sentence_says_how_many_more_workouts_where_that_is_out_of_reach() -> None:
    sentence = say(
        "hr_mae_bpm", NEW, OLD, make_verdict("hr_mae_bpm", "unclear", workouts_needed=None)
    )
    assert sentence is not None
    assert "Not within reach by more of the same" in sentence.evidence
    assert "would settle" not in sentence.evidence


def test_statute_units_are_used_where_they_are_asked_for() -> None:
    facts = make_facts(
        {
            ("maple-2", "track_cross_median_m", "all"): make_values([1.0] * 3),
            ("maple-1", "track_cross_median_m", "all"): make_values([3.0] * 3),
        }
    )
    sentence = compare(facts, MAPLE, MAPLE_1, PHRASES["track_cross_median_m"], pen=Pen("statute"))
    assert "3.3 ft against 9.8 ft" in plain(sentence)
