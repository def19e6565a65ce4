"""Verdicts across workouts, from stores with invented values whose answer is known."""

from __future__ import annotations

import numpy as np
import pytest

from config.settings import load_settings
from tasks.store import append_rows, open_store, replace_rows
from tasks.tables.arrow import make_rows
from tasks.tables.tables import LEVELS, MEASUREMENTS, RESULTS, WORKOUTS
from tasks.verdicts import judge
from tests.unit.verdicts.workouts import BEGIN, MAE, Store, choose, find, name_result, pair


def test_five_workouts_are_too_few_and_six_are_enough(store: Store) -> None:
    for number in range(5):
        store.add(*pair(2.0 + number / 10, 6.0))
    row = find(store.judge(MAE))
    assert (row["verdict"], row["n_workouts"]) == ("too few", 5)
    assert row["p_value"] == pytest.approx(0.0625)  # 2 / 2^5
    assert row["p_adjusted"] is None
    store.add(*pair(2.5, 6.0))
    row = find(store.judge(MAE))
    assert row["verdict"] == "better"
    assert row["p_value"] == row["p_adjusted"] == pytest.approx(0.03125)  # 2 / 2^6
    assert row["workouts_needed"] is None


def test_more_is_worse_of_an_error_and_better_of_a_share(store: Store) -> None:
    for number in range(7):
        store.add(
            *pair(6.0 + number / 10, 3.0),
            *pair(90.0 + number / 10, 80.0, "hr_within_5_bpm_pct"),
        )
    rows = store.judge(choose({"hr_mae_bpm": 1.0, "hr_within_5_bpm_pct": 3.0}))
    assert find(rows, metric="hr_mae_bpm")["verdict"] == "worse"
    assert find(rows, metric="hr_within_5_bpm_pct")["verdict"] == "better"
    assert find(rows, metric="hr_mae_bpm")["estimate"] == pytest.approx(3.3)


def test_a_bias_to_either_side_counts_by_its_size(store: Store) -> None:
    # -4 is farther from zero than +2, and as far as +4.
    for number in range(6):
        store.add(*pair(-4.0 - number / 100, 2.0 if number % 2 else -2.0, "hr_bias_bpm"))
    row = find(store.judge(choose({"hr_bias_bpm": 1.0})))
    assert row["verdict"] == "worse"
    assert row["estimate"] == pytest.approx(2.025)
    assert "size of the value" in row["note"]


def test_within_the_margin_is_alike_and_wide_scatter_is_unclear(store: Store) -> None:
    for number in range(8):
        store.add(
            *pair(3.0 + 0.1 * (-1) ** number, 3.0),
            *pair(3.0 + (1 + number) * (-1) ** number, 3.0, "hr_lock_s"),
        )
    rows = store.judge(choose({"hr_mae_bpm": 1.0, "hr_lock_s": 1.0}))
    assert find(rows, metric="hr_mae_bpm")["verdict"] == "alike"
    unclear = find(rows, metric="hr_lock_s")
    assert unclear["verdict"] == "unclear"
    assert unclear["workouts_needed"] > 8


def test_a_difference_that_does_not_matter_is_alike_however_sure_it_is(store: Store) -> None:
    for number in range(10):
        store.add(*pair(3.2 + number / 100, 3.0))
    row = find(store.judge(MAE))
    assert row["p_adjusted"] < 0.05
    assert row["verdict"] == "alike"


def test_values_against_another_reference_or_each_other_do_not_compare(store: Store) -> None:
    for number in range(6):
        store.add(*pair(2.0 + number / 10, 6.0))
    store.add(("new", "hr_mae_bpm", "strap", 50.0), ("old", "hr_mae_bpm", "band", 1.0))
    store.add(("new", "hr_mae_bpm", "old", 50.0), ("old", "hr_mae_bpm", "old", 1.0))
    store.add(*pair(50.0, None))
    row = find(store.judge(MAE))
    assert row["n_workouts"] == 6
    assert "left out, for want of a value to compare: 3" in row["note"]


def test_truth_goes_before_a_device(store: Store) -> None:
    for number in range(6):
        store.add(
            *pair(9.0, 1.0, "distance_error_pct"),
            ("new", "distance_error_pct", "truth", -1.0 - number / 10),
            ("old", "distance_error_pct", "truth", 4.0),
        )
    row = find(store.judge(choose({"distance_error_pct": 0.5})))
    assert row["estimate"] == pytest.approx(-2.75)
    assert row["verdict"] == "better"


@pytest.mark.parametrize("names", [("amber", "zinc"), ("zinc", "amber")])
def test_a_level_does_not_change_when_a_reference_is_renamed(
    store: Store, names: tuple[str, str]
) -> None:
    best, second = names
    for number in range(6):
        store.add(
            ("new", "hr_mae_bpm", second, 50.0),
            ("new", "hr_mae_bpm", best, 2.0 + number / 10),
            ranks={best: 1, second: 2},
        )
    (level,) = store.look(MAE, LEVELS)
    assert level["mean"] == pytest.approx(2.25)


def test_a_difference_from_a_device_that_is_no_reference_is_no_accuracy(store: Store) -> None:
    for number in range(6):
        store.add(*pair(2.0 + number / 10, 6.0))
    store.add(*pair(90.0, 1.0), kind="comparison")
    row = find(store.judge(MAE))
    assert row["n_workouts"] == 6
    assert "left out, for want of a value to compare: 1" in row["note"]
    levels = {row["device_id"]: row["mean"] for row in store.look(MAE, LEVELS)}
    assert levels == pytest.approx({"new": 2.25, "old": 6.0})


def test_activities_are_judged_alone_and_together(store: Store) -> None:
    for number in range(6):
        store.add(*pair(2.0 + number / 10, 6.0))
        store.add(*pair(6.0, 2.0 + number / 10), activity="strength")
    store.add(*pair(2.0, 6.0), activity="hiking")
    rows = store.judge(MAE)
    words = {row["activity"]: (row["verdict"], row["n_workouts"]) for row in rows}
    assert words["running"] == ("better", 6)
    assert words["strength"] == ("worse", 6)
    assert words["all"][1] == 13
    assert "hiking" not in words  # a single workout says nothing across workouts


def test_a_family_of_questions_is_adjusted_for(store: Store) -> None:
    metrics = ("hr_mae_bpm", "hr_mape_pct", "hr_rmse_bpm")
    for number in range(6):
        store.add(*(value for one in metrics for value in pair(2.0 + number / 10, 6.0, one)))
    rows = store.judge(choose(dict.fromkeys(metrics, 0.1)))
    assert [row["p_adjusted"] for row in rows] == pytest.approx([3 * 0.03125] * 3)
    assert {row["verdict"] for row in rows} == {"unclear"}


def test_a_criterion_is_met_failed_or_open(store: Store) -> None:
    for number in range(7):
        store.add(
            ("new", "hr_mape_pct", "strap", 2.0 + number / 10),
            ("old", "hr_mape_pct", "strap", 20.0 + number / 10),
            ("new", "hr_ccc", "strap", 0.7 + 0.1 * (-1) ** number),
        )
    limits = [
        {"metric": "hr_mape_pct", "at_most": 10.0, "source": "a standard"},
        {"metric": "hr_ccc", "at_least": 0.7, "source": "a paper"},
    ]
    rows = store.judge(choose({}, limits))
    met = find(rows, device_id="new", metric="hr_mape_pct")
    assert (met["verdict"], met["against"]) == ("better", "criterion")
    # Tables of the signed-rank distribution: of seven values' averages, the third from either end.
    assert (met["ci_low"], met["ci_high"]) == pytest.approx((2.1, 2.5))
    assert "at most 10 (a standard)" in met["note"]
    assert find(rows, device_id="old")["verdict"] == "worse"
    assert find(rows, metric="hr_ccc")["verdict"] == "unclear"


def test_two_wrists_are_compared_within_an_activity(store: Store) -> None:
    for number in range(4):
        store.add(("new", "hr_mae_bpm", "strap", 2.0 + number / 10), setup={"wrist": "left"})
        store.add(("new", "hr_mae_bpm", "strap", 8.0 + number / 10), setup={"wrist": "right"})
        store.add(
            ("new", "hr_mae_bpm", "strap", 100.0), setup={"wrist": "right"}, activity="rowing"
        )
    row = find(store.judge(MAE))
    assert (row["against"], row["activity"]) == ("wrist: left / right", "running")
    assert row["verdict"] == "better"
    assert row["p_value"] == pytest.approx(2 / 70)
    assert row["estimate"] == pytest.approx(-6.0)
    assert row["n_workouts"] == 8


def test_three_workouts_of_each_wrist_are_too_few(store: Store) -> None:
    for number in range(3):
        store.add(("new", "hr_mae_bpm", "strap", 2.0 + number / 10), setup={"wrist": "left"})
        store.add(("new", "hr_mae_bpm", "strap", 8.0 + number / 10), setup={"wrist": "right"})
    row = find(store.judge(MAE))
    assert row["verdict"] == "too few"
    assert row["ci_low"] is None


def test_levels_read_off_a_device_are_no_conditions(store: Store) -> None:
    for number in range(4):
        for level in ("90", "95"):
            value = ("new", "hr_mae_bpm", "strap", float(number))
            store.add(value, setup={"battery_start_pct": level})
    assert store.judge(MAE) == []


def test_a_question_that_lost_its_workouts_is_taken_back_once(store: Store) -> None:
    for number in range(6):
        store.add(*pair(2.0 + number / 10, 6.0))
    store.judge(MAE, keep=True)
    withdrawn = store.judge(choose({"hr_mae_bpm": 0.0}), keep=True)
    assert find(withdrawn)["n_workouts"] == 0
    assert find(withdrawn)["estimate"] is None
    assert store.judge(choose({"hr_mae_bpm": 0.0})) == []


def test_metrics_that_do_not_exist_are_not_asked_about(store: Store) -> None:
    store.add(*pair(2.0, 6.0))
    assert store.judge(choose({"hr_beauty": 1.0})) == []


def test_an_empty_store_has_no_verdicts(store: Store) -> None:
    assert store.judge(load_settings().verdicts) == []


def test_equal_devices_are_rarely_called_different_and_never_alike_by_few(store: Store) -> None:
    # Ten metrics without any difference, judged 200 times: a family with a wrong "better" or
    # "worse" must be no more than one in twenty; 5 % of 200 and three standard errors are 19.
    metrics = [
        "hr_mae_bpm",
        "hr_mape_pct",
        "hr_rmse_bpm",
        "hr_sd_bpm",
        "hr_p95_abs_bpm",
        "hr_lock_s",
        "hr_longest_gap_s",
        "hr_dropout_s",
        "hr_within_5_bpm_pct",
        "hr_ccc",
    ]
    settings = choose(dict.fromkeys(metrics, 1e-6))
    keys = {f"f{family:03}-{n}": f"activity {family}" for family in range(200) for n in range(10)}
    generator = np.random.default_rng(11)
    with open_store(store.home) as connection:
        workouts = [
            {"workout_id": key, "start_utc": BEGIN, "activity": activity}
            for key, activity in keys.items()
        ]
        replace_rows(connection, WORKOUTS, make_rows(WORKOUTS, workouts))
        measured = [{"workout_id": key, "run_id": "r1", "generation": 1} for key in keys]
        append_rows(connection, MEASUREMENTS, make_rows(MEASUREMENTS, measured))
        results = [
            {**name_result(key, device, metric), "value": float(generator.gamma(3.0))}
            for key in keys
            for device in ("new", "old")
            for metric in metrics
        ]
        append_rows(connection, RESULTS, make_rows(RESULTS, results))
        rows = [row for row in judge(connection, settings) if row["activity"] != "all"]
    assert len(rows) == 200 * len(metrics)
    wrong = {row["activity"] for row in rows if row["verdict"] in {"better", "worse"}}
    assert 0 < len(wrong) <= 19
    assert not any(row["verdict"] == "alike" for row in rows)
