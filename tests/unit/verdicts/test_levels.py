"""Levels, limits and the model of all workouts, from stores with invented values."""

from __future__ import annotations

import numpy as np
import pytest

from tasks.maths.limits import compute_limits_with_varying_truth_by_recovery
from tasks.tables.tables import LEVELS, LIMITS, VERDICTS
from tests.unit.verdicts.workouts import MAE, Store, Value, choose, find, pair

BIAS = choose({"hr_bias_bpm": 1.0})


def limit_parts(bias: float, sd: float, worth: float, reference: str = "strap") -> list[Value]:
    parts = (("hr_bias_bpm", bias), ("hr_sd_bpm", sd), ("hr_effective_n", worth))
    return [("new", metric, reference, value) for metric, value in parts]


# --- levels -----------------------------------------------------------------------------------
def test_level_is_the_mean_and_the_median_of_workouts(store: Store) -> None:
    for value in (2.0, 3.0, 4.0, 9.0):
        store.add(("new", "hr_mae_bpm", "strap", value))
    row = find(store.look(MAE, LEVELS))
    assert (row["mean"], row["median"], row["n_workouts"]) == (4.5, 3.5, 4)
    # By hand: squares of -2.5, -1.5, -0.5 and 4.5 are 29 together, over 3.
    assert row["sd"] == pytest.approx(np.sqrt(29 / 3))
    assert row["unit"] == "bpm"
    assert row["note"] == "compared with strap (4)"


def test_few_workouts_have_no_interval_and_say_why(store: Store) -> None:
    seen = []
    for number in range(8):
        store.add(("new", "hr_mae_bpm", "strap", 2.0 + number))
        rows = store.look(MAE, LEVELS)
        if rows:
            row = find(rows)
            seen.append((row["median_ci_low"], row["mean_ci_low"] is None, row["no_interval"]))
    # Sign-test tables: the lowest and highest of six values hold the median in 96.9 %, of eight
    # in 99.2 %, and the second ones of eight in less than 95 %.
    assert [one[0] for one in seen] == [None, None, None, None, 2.0, 2.0, 2.0]
    assert [one[1] for one in seen] == [True] * 6 + [False]
    assert seen[3][2] == "5 workouts: an interval of the median takes 6, of the mean 8"
    assert seen[5][2] == "7 workouts: an interval of the mean takes 8"
    assert seen[6][2] is None


def test_errors_to_both_sides_cancel_in_the_value_and_not_in_the_size(store: Store) -> None:
    for value in (-4.0, 4.0, -2.0, 2.0):
        store.add(("new", "hr_bias_bpm", "strap", value))
    rows = store.look(BIAS, LEVELS)
    assert find(rows, counted="value")["mean"] == 0.0
    assert find(rows, counted="size")["mean"] == 3.0


def test_activities_and_conditions_have_levels_of_their_own(store: Store) -> None:
    for number in range(4):
        wrist = "left" if number < 2 else "right"
        store.add(("new", "hr_mae_bpm", "strap", 1.0 + number), setup={"wrist": wrist, "band": "x"})
        store.add(("old", "hr_mae_bpm", "strap", 8.0), activity="rowing")
        store.add(("new", "hr_mae_bpm", "strap", 6.0), activity="rowing")
    rows = store.look(MAE, LEVELS)
    means = {(row["device_id"], row["activity"], row["condition"]): row["mean"] for row in rows}
    assert means == {
        ("new", "all", "all"): 4.25,
        ("new", "running", "all"): 2.5,
        ("new", "rowing", "all"): 6.0,
        ("new", "running", "wrist: left"): 1.5,
        ("new", "running", "wrist: right"): 3.5,
        ("old", "rowing", "all"): 8.0,
        # One band alone is no condition that could be told from another.
    }


def test_a_metric_with_margin_zero_has_a_level_and_no_verdict(store: Store) -> None:
    for number in range(6):
        store.add(*pair(2.0 + number / 10, 6.0))
    settings = choose({"hr_mae_bpm": 0.0})
    assert store.judge(settings) == []
    assert len(store.look(settings, LEVELS)) == 2


def test_unchanged_levels_are_not_written_again_and_changed_ones_are(store: Store) -> None:
    for number in range(9):
        store.add(*pair(2.0 + number / 7, 6.0))
    assert len(store.look(MAE, LEVELS)) == 2
    assert store.look(MAE, LEVELS) == []
    store.add(("new", "hr_mae_bpm", "strap", 3.0))
    assert find(store.look(MAE, LEVELS))["device_id"] == "new"


def test_a_level_that_lost_its_workouts_is_taken_back_once(store: Store) -> None:
    for number in range(3):
        store.add(("new", "hr_mae_bpm", "strap", 2.0 + number))
    store.look(MAE, LEVELS)
    row = find(store.look(BIAS, LEVELS))
    assert (row["n_workouts"], row["mean"], row["metric"]) == (0, None, "hr_mae_bpm")
    assert store.look(BIAS, LEVELS) == []


def test_workouts_without_a_value_are_counted(store: Store) -> None:
    for value in (2.0, 3.0, None):
        store.add(("new", "hr_mae_bpm", "strap", value))
    assert find(store.look(MAE, LEVELS))["left_out"] == 1


# --- limits -----------------------------------------------------------------------------------
def test_limits_of_independent_pairs_equal_those_from_the_pairs(store: Store) -> None:
    # Where every pair is independent, the summaries are all that the published form needs.
    generator = np.random.default_rng(3)
    groups = [generator.normal(number, 2.0, size=30) for number in range(9)]
    for group in groups:
        store.add(*limit_parts(group.mean(), group.std(ddof=1), group.size))
    row = find(store.look(BIAS, LIMITS))
    expected = compute_limits_with_varying_truth_by_recovery(groups)
    assert row["limit_low"] == pytest.approx(expected.low)
    # Intervals rest on the workouts: theirs need no normal errors, and are of the same kind.
    width = expected.high_interval.high - expected.high_interval.low
    assert row["limit_high_ci_high"] - row["limit_high_ci_low"] == pytest.approx(width, rel=0.6)
    assert row["no_interval"] is None
    assert row["bias"] == pytest.approx(expected.bias)
    assert row["effective_n"] == 9 * 30
    assert (row["metric"], row["n_workouts"], row["unit"]) == ("hr_bias_bpm", 9, "bpm")


def test_limits_of_few_workouts_have_no_interval_and_say_why(store: Store) -> None:
    for number in range(4):
        store.add(*limit_parts(1.0 + number, 2.0, 40.0))
    row = find(store.look(BIAS, LIMITS))
    assert row["limit_low"] is not None
    assert row["limit_low_ci_low"] is None
    assert row["no_interval"] == "4 workouts: an interval of limits takes 8"


def test_two_workouts_have_no_limits_and_say_why(store: Store) -> None:
    for number in range(2):
        store.add(*limit_parts(1.0 + number, 2.0, 40.0))
    row = find(store.look(BIAS, LIMITS))
    assert (row["bias"], row["limit_low"]) == (1.5, None)
    assert row["no_interval"] == "2 workouts: limits take 3"


def test_limits_take_all_three_figures_against_one_reference(store: Store) -> None:
    for number in range(3):
        store.add(*limit_parts(1.0 + number, 2.0, 40.0), ("new", "hr_bias_bpm", "band", 50.0))
    store.add(("new", "hr_bias_bpm", "strap", 9.0), ("new", "hr_sd_bpm", "band", 9.0))
    row = find(store.look(BIAS, LIMITS))
    assert (row["bias"], row["n_workouts"], row["left_out"]) == (2.0, 3, 1)
    assert row["note"].endswith("compared with strap (3)")


# --- the model of all workouts ----------------------------------------------------------------
def test_a_balanced_question_has_no_model_and_says_why(store: Store) -> None:
    for number in range(6):
        store.add(*pair(2.0 + number / 10, 6.0))
    row = find(store.look(MAE, VERDICTS))
    assert row["model_estimate"] is None
    assert row["model_note"].startswith("every workout that counts has both devices")
    assert row["margin"] == 1.0


def test_workouts_of_one_device_alone_count_in_the_model_only(store: Store) -> None:
    generator = np.random.default_rng(4)
    for _ in range(6):
        level = generator.normal()
        store.add(*pair(2.0 + level + generator.normal() / 5, 6.0 + level))
    for _ in range(4):
        store.add(("old", "hr_mae_bpm", "strap", 6.0 + generator.normal()))
    row = find(store.look(MAE, VERDICTS))
    assert (row["n_workouts"], row["model_workouts"]) == (6, 10)
    assert row["model_ci_low"] < row["model_estimate"] < row["model_ci_high"] < 0
    assert "6 workouts with both devices, 0 with the first alone, 4 with the" in row["model_note"]
    assert "disagrees" not in row["note"]


def test_two_shared_workouts_are_too_few_for_a_model(store: Store) -> None:
    for number in range(2):
        store.add(*pair(2.0 + number, 6.0))
    store.add(("old", "hr_mae_bpm", "strap", 6.0))
    row = find(store.look(MAE, VERDICTS))
    assert row["model_note"] == "fewer than 3 workouts with both devices"


def test_a_worn_device_without_a_value_and_another_kind_of_reference_do_not_count(
    store: Store,
) -> None:
    for number in range(4):
        store.add(*pair(2.0 + number / 10, 6.0 + number**2 / 10))
    store.add(*pair(None, 60.0))
    store.add(("old", "hr_mae_bpm", "consensus", 60.0))
    store.add(("old", "hr_mae_bpm", "new", 60.0))
    row = find(store.look(MAE, VERDICTS))
    assert row["model_estimate"] is None


def test_the_note_says_when_model_and_exact_test_disagree(store: Store) -> None:
    # Seven shared workouts whose differences alternate, and scatter like their levels do; eight of
    # each device alone, which say clearly who is ahead.
    for number in range(7):
        store.add(*pair(3.0 + number % 2, 4.0 + (number + 1) % 2 / 2))
    for number in range(8):
        store.add(("new", "hr_mae_bpm", "strap", 3.0 + number % 2))
        store.add(("old", "hr_mae_bpm", "strap", 4.5 + number % 2))
    row = find(store.look(MAE, VERDICTS))
    assert row["p_value"] > 0.05
    assert row["model_ci_high"] < 0
    assert "the model of all workouts disagrees" in row["note"]


def test_a_criterion_has_no_model(store: Store) -> None:
    for number in range(3):
        store.add(("new", "hr_mape_pct", "strap", 2.0 + number))
    limit = {"metric": "hr_mape_pct", "at_most": 10.0, "source": "a standard"}
    row = find(store.look(choose({}, [limit]), VERDICTS))
    assert (row["model_estimate"], row["model_note"], row["margin"]) == (None, None, None)
