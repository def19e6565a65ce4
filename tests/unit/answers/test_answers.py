"""The answers of a device: levels, causes, what stands beside them, and how they are sorted."""

from __future__ import annotations

from dataclasses import replace

from tasks.answers import answer_all, answer_device
from tasks.answers.conditions import describe_battery
from tasks.answers.coverage import LEAST_WORKOUTS, cover
from tasks.answers.facts import DeviceFacts, Excluded, Occurrence, PlanFacts
from tasks.answers.heart_rate import describe_cadence, describe_cold, explain_errors, meet_criteria
from tasks.answers.levels import describe_level
from tasks.answers.phrases import PHRASES
from tasks.answers.sentence import Pen, Sentence
from tasks.answers.text import write_markdown
from tests.unit.answers.stories import (
    DEVICES,
    MAPLE,
    MAPLE_1,
    make_facts,
    make_values,
    make_verdict,
    make_workouts,
)

METRIC = Pen("metric")
LOCKED = ("maple-2", "hr_mae_bpm", "after_lock")
OLD_LOCKED = ("maple-1", "hr_mae_bpm", "after_lock")


def plain(sentence: Sentence | None) -> str:
    assert sentence is not None
    return sentence.text.replace("\N{NO-BREAK SPACE}", " ")


def test_six_workouts_bear_an_interval_of_the_median_and_five_do_not() -> None:
    # With six, the lowest and the highest hold the median in 1 - 2 / 2^6 = 96.9 % (order
    # statistics of a binomial, any text on nonparametric statistics).
    six = make_facts({LOCKED: make_values([1.0, 2.0, 3.0, 4.0, 5.0, 6.0])})
    found = describe_level(six, MAPLE, PHRASES["hr_mae_bpm"], pen=METRIC)
    assert plain(found) == (
        "Once locked, heart rate was off by 3.5 bpm on average (median of 6 workouts; 95 %: 1.0 to "
        "6.0)."
    )
    five = make_facts({LOCKED: make_values([1.0, 2.0, 3.0, 4.0, 5.0])})
    found = describe_level(five, MAPLE, PHRASES["hr_mae_bpm"], pen=METRIC)
    assert plain(found) == (
        "Once locked, heart rate was off by 3.0 bpm on average (median of 5 workouts; 1.0 to 5.0)."
    )
    assert found is not None
    assert found.use == "count"


def test_a_level_of_a_signed_error_says_in_how_many_workouts_it_was_too_high() -> None:
    facts = make_facts({("maple-2", "distance_error_pct", "all"): make_values([-0.5, 0.4, 0.6])})
    found = describe_level(facts, MAPLE, PHRASES["distance_error_pct"], pen=METRIC)
    assert found is not None
    assert "too high in 2 of 3" in found.evidence.replace("\N{NO-BREAK SPACE}", " ")


def test_causes_are_weighted_by_the_seconds_of_each_workout() -> None:
    # 300 s of which all came before lock, 100 s of which half: (300 + 50) / 400 = 87.5 %.
    facts = make_facts(
        {
            ("maple-2", "hr_why_before_lock_pct", "all"): {
                **make_values([100.0], n=300),
                "w1": make_values([50.0, 50.0], n=100)["w1"],
            },
            ("maple-2", "hr_why_near_cadence_pct", "all"): {
                **make_values([0.0], n=300),
                "w1": make_values([50.0, 50.0], n=100)["w1"],
            },
        },
        workouts=make_workouts(2),
    )
    (found,) = explain_errors(facts, MAPLE)
    assert plain(found) == (
        "Of 7 minutes that were far off, 88 % came before it had locked on and 12 % lay near "
        "the cadence."
    )


def test_a_minute_or_less_is_not_explained() -> None:
    facts = make_facts({("maple-2", "hr_why_before_lock_pct", "all"): make_values([100.0], n=59)})
    assert list(explain_errors(facts, MAPLE)) == []


def test_cadence_lock_is_counted_among_the_workouts_that_have_a_cadence() -> None:
    facts = make_facts(
        {("maple-2", "hr_cadence_lock_s", "all"): make_values([0.0, 250.0, 0.0])},
        occurrences={"maple-2": (Occurrence("w1", "cadence_lock", 2, 250.0, 30.0),)},
    )
    (found,) = describe_cadence(facts, MAPLE)
    assert plain(found) == (
        "It followed the cadence instead of the heart in 1 of 3 workouts with a cadence: twice, "
        "4 minutes in all (running of 2 May)."
    )
    assert found.tally == (0.0, 1.0, 0.0)


def test_how_much_of_a_cadence_lock_was_downhill_is_weighted_by_its_seconds() -> None:
    # 30 s all downhill and 90 s not at all: a quarter.
    share = {**make_values([100.0], n=30), "w1": make_values([0.0, 0.0], n=90)["w1"]}
    facts = make_facts(
        {
            ("maple-2", "hr_cadence_lock_s", "all"): make_values([30.0, 90.0]),
            ("maple-2", "hr_cadence_descent_pct", "all"): share,
        },
        workouts=make_workouts(2),
        occurrences={
            "maple-2": (
                Occurrence("w0", "cadence_lock", 1, 30.0, 30.0),
                Occurrence("w1", "cadence_lock", 1, 90.0, 30.0),
            )
        },
    )
    (found,) = describe_cadence(facts, MAPLE)
    assert plain(found).endswith("twice, 2 minutes in all, 25 % of it downhill.")


def test_a_late_lock_in_the_cold_is_told_with_what_cannot_be_told_apart() -> None:
    facts = make_facts(
        {
            ("maple-2", "hr_lock_s", "all"): make_values([200.0, 210.0, 190.0, 20.0, 25.0, 30.0]),
            ("maple-2", "hr_start_temperature_degc", "all"): make_values([-3, 2, 4, 19, 20, 21]),
        },
        workouts=make_workouts(6, ["outdoors"] * 3 + ["indoors"] * 3),
    )
    (found,) = describe_cold(facts, MAPLE, pen=METRIC)
    assert plain(found) == (
        "Below 10 \N{DEGREE SIGN}C at the start it locked after 200 s (3 workouts), else "
        "after 25 s (3)."
    )
    assert "What is the cold cannot be told from what is the place." in found.evidence


def test_without_a_difference_beyond_the_margin_the_cold_is_no_cause() -> None:
    facts = make_facts(
        {
            ("maple-2", "hr_lock_s", "all"): make_values([30.0, 31.0, 32.0, 20.0, 25.0, 30.0]),
            ("maple-2", "hr_start_temperature_degc", "all"): make_values([-3, 2, 4, 19, 20, 21]),
        }
    )
    assert list(describe_cold(facts, MAPLE, pen=METRIC)) == []


def test_two_units_worn_at_once_say_what_a_mode_costs() -> None:
    second = DeviceFacts("maple-2b", "Maple 2 (second unit)", "test", "wrist")
    facts = make_facts(
        {
            ("maple-2", "battery_rate_pct_per_h", "all"): make_values([6.4], None),
            ("maple-2b", "battery_rate_pct_per_h", "all"): make_values([3.9], None),
        },
        setups={
            ("maple-2", "gnss"): {"w0": "all-systems"},
            ("maple-2b", "gnss"): {"w0": "gps-only"},
            ("maple-2", "band"): {"w0": "nylon"},
            ("maple-2b", "band"): {"w0": "nylon"},
        },
        devices={**DEVICES, "maple-2b": second},
    )
    (found,) = describe_battery(facts, MAPLE, pen=METRIC)
    assert plain(found) == (
        "With gnss all-systems it used 6.4 % an hour, a unit worn beside it with gps-only "
        "3.9 % an hour (1 workout)."
    )


def test_two_units_that_differ_in_two_settings_say_nothing_of_either() -> None:
    second = DeviceFacts("maple-2b", "Maple 2 (second unit)", "test", "wrist")
    facts = make_facts(
        {
            ("maple-2", "battery_rate_pct_per_h", "all"): make_values([6.4], None),
            ("maple-2b", "battery_rate_pct_per_h", "all"): make_values([3.9], None),
        },
        setups={
            ("maple-2", "gnss"): {"w0": "all-systems"},
            ("maple-2b", "gnss"): {"w0": "gps-only"},
            ("maple-2", "display"): {"w0": "always-on"},
            ("maple-2b", "display"): {"w0": "gesture"},
        },
        devices={**DEVICES, "maple-2b": second},
    )
    assert list(describe_battery(facts, MAPLE, pen=METRIC)) == []


def test_what_is_the_wrist_cannot_be_told_from_what_is_the_watch() -> None:
    left = {f"w{number}": "left" for number in range(8)}
    right = {f"w{number}": "right" for number in range(8)}
    facts = make_facts(
        {LOCKED: make_values([1.0] * 8), OLD_LOCKED: make_values([2.0] * 8)},
        setups={("maple-2", "wrist"): left, ("maple-1", "wrist"): right},
    )
    said = [plain(one) for one in answer_device(facts, MAPLE, units="metric").beside]
    assert (
        "Wrist was left in 8 of 8 for Maple 2, right in 8 of 8 for Maple 1: what is the wrist "
        "cannot be told from what is the device." in said
    )


def test_a_wrist_that_was_swapped_is_not_told_as_inseparable() -> None:
    wrists = {f"w{number}": ("left", "right")[number % 2] for number in range(8)}
    others = {f"w{number}": ("right", "left")[number % 2] for number in range(8)}
    facts = make_facts(
        {LOCKED: make_values([1.0] * 8), OLD_LOCKED: make_values([2.0] * 8)},
        setups={("maple-2", "wrist"): wrists, ("maple-1", "wrist"): others},
    )
    said = " ".join(plain(one) for one in answer_device(facts, MAPLE, units="metric").beside)
    assert "cannot be told" not in said


def test_a_plan_counts_only_where_it_came_before_the_first_workout() -> None:
    values = {LOCKED: make_values([1.0] * 3), OLD_LOCKED: make_values([2.0] * 3)}
    first_s = make_workouts(1)["w0"].start_s

    def say(since_s: float) -> str:
        plan = PlanFacts("maple-2", ("maple-1",), 12, 30, {"hr_mae_bpm": 1.0}, since_s)
        answer = answer_device(make_facts(values, plan=plan), MAPLE, units="metric")
        return plain(answer.beside[0])

    assert say(first_s - 1.0) == (
        "Planned on 2026-05-01, before the first workout: 12 workouts; 3 of 12 so far."
    )
    assert say(first_s + 1.0) == (
        "The plan of 2026-05-01 came after the first workout: read every answer as so far."
    )
    assert plain(answer_device(make_facts(values), MAPLE, units="metric").beside[0]).startswith(
        "No plan was made beforehand"
    )


def test_hardly_any_workouts_are_told_in_one_sentence() -> None:
    facts = make_facts(
        {
            ("maple-2", "swim_lengths_error", "all"): make_values([0.0], "truth", "truth"),
            ("maple-1", "swim_lengths_error", "all"): make_values([1.0], "truth", "truth"),
            LOCKED: make_values([1.0, 1.0]),
            OLD_LOCKED: make_values([2.0, 2.0]),
        }
    )
    answer = answer_device(facts, MAPLE, units="metric")
    (found,) = answer.list_use("open")
    assert plain(found) == (
        "Hardly anything is known against Maple 1 of mean absolute error (2) and lengths error "
        "(1): a comparison takes at least 3 workouts, in brackets are those so far."
    )


def test_answers_are_of_devices_under_test_and_none_without_workouts() -> None:
    facts = make_facts({LOCKED: make_values([1.0])}, workouts=make_workouts(1))
    assert [one.device for one in answer_all(facts, units="metric")] == [MAPLE]
    assert answer_all(make_facts({}), units="metric") == ()


def test_no_sentence_stands_without_a_number_of_workouts_or_minutes() -> None:
    facts = make_facts(
        {LOCKED: make_values([1.0] * 8), OLD_LOCKED: make_values([2.0] * 8)},
        verdicts=[make_verdict("hr_mae_bpm", "better", estimate=-1.0)],
    )
    for one in answer_device(facts, MAPLE, units="metric").sentences:
        assert any(character.isdigit() for character in one.text), one.text


def test_coverage_counts_comparable_workouts_by_kind_of_place() -> None:
    facts = make_facts(
        {LOCKED: make_values([1.0] * 5), OLD_LOCKED: make_values([2.0] * 5)},
        workouts=make_workouts(5, ["outdoors"] * 4 + ["indoors"]),
    )
    covered = cover(facts, MAPLE, MAPLE_1)
    heart_rate = next(one for one in covered.domains if one.domain == "heart_rate")
    assert heart_rate.total == 5
    assert heart_rate.missing == LEAST_WORKOUTS - 5
    assert sorted(heart_rate.by_kind.values()) == [1, 4]
    title, words = next(iter(covered.list_next()))
    assert title in {"One more outdoors", "One more indoors"}
    assert "heart rate from 5 to 6" in words


def test_markdown_has_the_sentences_and_the_caution() -> None:
    facts = make_facts({LOCKED: make_values([1.0] * 6), OLD_LOCKED: make_values([2.0] * 6)})
    text = write_markdown(answer_all(facts, units="metric"))
    assert text.startswith("# Maple 2: 6 workouts, compared with Maple 1\n")
    assert "## Write it\n" in text
    assert text.rstrip().endswith("*Heart-rate figures are no medical advice.*")


def test_a_limit_that_is_kept_is_told_with_the_value_and_who_set_it() -> None:
    facts = replace(
        make_facts(
            {("maple-2", "hr_ccc", "all"): make_values([0.91, 0.95, 0.93])},
            verdicts=[
                make_verdict(
                    "hr_ccc",
                    "better",
                    against="criterion",
                    n_workouts=3,
                    family="criteria",
                    level=0.93,
                ),
                make_verdict("hr_ccc", "unclear", against="criterion", activity="running"),
            ],
        ),
        limits={"hr_ccc": ("at least", 0.7, "common practice, no source")},
    )
    (found,) = meet_criteria(facts, MAPLE, pen=METRIC)
    assert plain(found) == (
        "Concordance was 0.930 (median of 3 workouts), within the limit of at least 0.700."
    )
    assert found.evidence == "The limit is set by: common practice, no source."


def test_what_was_set_aside_is_listed_with_its_reason() -> None:
    facts = replace(
        make_facts({LOCKED: make_values([1.0] * 3), OLD_LOCKED: make_values([2.0] * 3)}),
        excluded=(
            Excluded("w1", "maple-2", "heart_rate", True, "the strap was dry."),
            Excluded("w2", None, None, False, "wrong day"),
        ),
    )
    said = [plain(one) for one in answer_device(facts, MAPLE, units="metric").beside]
    assert said[-2:] == [
        "Set aside: heart rate of Maple 2, a part of running of 2 May, because the strap was dry.",
        "Set aside: all devices, running of 3 May, because wrong day.",
    ]
