"""Verdicts across workouts, from stores with invented values whose answer is known."""

from __future__ import annotations

from datetime import timedelta

import pytest

from config.settings import load_settings
from tasks.store import append_rows, open_store
from tasks.tables.arrow import make_rows
from tasks.tables.tables import LEVELS, VERDICTS
from tests.unit.verdicts.workouts import (
    BEGIN,
    MAE,
    Store,
    choose,
    find,
    jitter,
    pair,
    plan_for,
)

# hr_mae_bpm, hr_lock_s and track_cross_median_m are primary metrics, hr_bias_bpm and
# hr_within_5_bpm_pct are not; plans name their own.


# --- the headline and its marks ---------------------------------------------------------------
def test_five_workouts_are_too_few_and_six_are_enough_where_six_were_planned(store: Store) -> None:
    plan = plan_for(6)
    for number in range(4):
        store.add(*pair(2.0 + jitter(number), 6.0))
    row = find(store.judge(MAE, plan))
    assert (row["verdict"], row["n_workouts"], row["alpha"]) == ("too few", 4, 0.01)
    assert row["p_value"] == pytest.approx(2 / 2**4)
    store.add(*pair(2.0, 6.0))
    assert find(store.judge(MAE, plan))["verdict"] == "leans better"
    store.add(*pair(2.5, 6.0))
    row = find(store.judge(MAE, plan))
    assert (row["verdict"], row["alpha"]) == ("better", 0.05)
    assert row["p_adjusted"] == pytest.approx(2 / 2**6)
    assert row["workouts_needed"] is None
    assert (row["n_better"], row["n_worse"], row["n_tied"]) == (6, 0, 0)
    assert (row["level"], row["level_against"]) == (pytest.approx(2.165), 6.0)
    assert (row["domain"], row["family"], row["segment"]) == (
        "heart_rate",
        "headline",
        "after_lock",
    )
    assert row["is_primary"]
    assert row["is_named"]


def test_without_a_plan_odds_of_one_in_a_hundred_are_asked(store: Store) -> None:
    for number in range(7):
        store.add(*pair(2.0 + jitter(number), 6.0))
    row = find(store.judge(MAE))
    assert (row["verdict"], row["alpha"]) == ("leans better", 0.01)
    assert (row["p_value"], row["p_adjusted"]) == (pytest.approx(2 / 2**7), None)
    store.add(*pair(2.5, 6.0))
    row = find(store.judge(MAE))
    assert (row["verdict"], row["p_adjusted"]) == ("better", pytest.approx(2 / 2**8))


@pytest.mark.parametrize(
    ("planned", "alpha"), [(8, 0.05), (9, 0.03), (12, 0.03), (13, 0.02), (20, 0.02), (21, 0.01)]
)
def test_the_mark_at_the_planned_number_depends_on_how_often_one_could_look(
    store: Store, planned: int, alpha: float
) -> None:
    for number in range(planned):
        store.add(*pair(2.0 + jitter(number), 6.0))
    assert find(store.judge(MAE, plan_for(planned)))["alpha"] == alpha
    assert find(store.judge(MAE, plan_for(planned + 1)))["alpha"] == 0.01


def test_what_the_planned_workouts_showed_stays_shown(store: Store) -> None:
    plan = plan_for(6)
    for number in range(6):
        store.add(*pair(2.0 + jitter(number), 6.0))
    store.add(*pair(2.4, 6.0))
    row = find(store.judge(MAE, plan))
    # Seven workouts reach 2 / 2^7, which is above 0.01.
    assert (row["verdict"], row["alpha"]) == ("better", 0.05)
    assert row["p_adjusted"] == pytest.approx(2 / 2**6)
    assert "shown by the first 6 workouts, as planned" in row["note"]


def test_a_plan_that_came_after_a_workout_does_not_count(store: Store) -> None:
    for number in range(8):
        store.add(*pair(2.0 + jitter(number), 6.0))
    late = plan_for(8)
    since = dict.fromkeys(late.since, BEGIN + timedelta(days=3))
    row = find(store.judge(MAE, type(late)(late.plan, "p1", late.archived_at, since)))
    assert row["alpha"] == 0.01
    assert "the plan came after 2 of these workouts" in row["note"]


def test_a_plan_counts_the_workouts_between_its_days(store: Store) -> None:
    for number in range(10):
        store.add(*pair(2.0 + jitter(number), 6.0))
    first, last = (BEGIN + timedelta(days=day) for day in (2, 8))
    plan = plan_for(6, begin=first.date(), end=last.date())
    assert find(store.judge(MAE, plan))["n_workouts"] == 7


def test_a_family_of_questions_is_adjusted_for(store: Store) -> None:
    # Every metric has the same differences: the family costs nothing. With other signs it does.
    for number in range(8):
        store.add(*pair(2.0 + jitter(number), 6.0), *pair(20.0 + jitter(number), 60.0, "hr_lock_s"))
    margins = choose({"hr_mae_bpm": 0.1, "hr_lock_s": 0.1})
    same = [row["p_adjusted"] for row in store.judge(margins, plan_for(8))]
    assert same == pytest.approx([2 / 2**8] * 2)
    store.add(*pair(2.0, 6.0), *pair(60.0, 20.0, "hr_lock_s"))
    by_metric = {row["metric"]: row for row in store.judge(margins, plan_for(9))}
    assert by_metric["hr_mae_bpm"]["p_adjusted"] > by_metric["hr_mae_bpm"]["p_value"]


def test_more_is_worse_of_an_error_and_better_of_a_share(store: Store) -> None:
    margins = {"hr_mae_bpm": 1.0, "hr_within_5_bpm_pct": 3.0}
    for number in range(7):
        store.add(
            *pair(6.0 + jitter(number), 3.0),
            *pair(90.0 + jitter(number), 80.0, "hr_within_5_bpm_pct"),
        )
    rows = store.judge(choose(margins), plan_for(7, margins))
    assert find(rows, metric="hr_mae_bpm")["verdict"] == "worse"
    assert find(rows, metric="hr_mae_bpm")["scale"] == "ratio"
    assert find(rows, metric="hr_within_5_bpm_pct")["verdict"] == "better"
    assert find(rows, metric="hr_within_5_bpm_pct")["scale"] == "difference"
    assert find(rows, metric="hr_mae_bpm")["estimate"] == pytest.approx(3.18, abs=0.02)


def test_a_bias_to_either_side_counts_by_its_size(store: Store) -> None:
    # -4 is farther from zero than +2, and as far as +4.
    for number in range(6):
        store.add(*pair(-4.0 - jitter(number) / 10, 2.0 if number % 2 else -2.0, "hr_bias_bpm"))
    row = find(store.judge(choose({"hr_bias_bpm": 1.0}), plan_for(6, {"hr_bias_bpm": 1.0})))
    assert row["verdict"] == "worse"
    assert row["estimate"] == pytest.approx(2.0175, abs=0.01)
    assert "size of the value" in row["note"]


def test_within_the_margin_is_alike_and_wide_scatter_is_unclear(store: Store) -> None:
    for number in range(8):
        store.add(
            *pair(3.0 + 0.1 * (-1) ** number, 3.0),
            *pair(30.0 + (1 + number) * (-1) ** number, 30.0, "hr_lock_s"),
        )
    rows = store.judge(choose({"hr_mae_bpm": 1.0, "hr_lock_s": 1.0}), plan_for(8))
    assert find(rows, metric="hr_mae_bpm")["verdict"] == "alike"
    unclear = find(rows, metric="hr_lock_s")
    assert unclear["verdict"] == "unclear"
    assert unclear["workouts_needed"] is None
    assert unclear["note"].endswith("not within reach by more of the same")


def test_a_difference_that_does_not_matter_is_alike_however_sure_it_is(store: Store) -> None:
    for number in range(10):
        store.add(*pair(3.2 + jitter(number) / 10, 3.0))
    row = find(store.judge(MAE))
    assert row["p_adjusted"] < 0.01
    assert row["verdict"] == "alike"


def test_workouts_like_those_next_to_them_claim_nothing(store: Store) -> None:
    for number in range(10):
        store.add(*pair(2.0 + number / 10, 6.0))
    row = find(store.judge(MAE))
    assert (row["verdict"], row["p_adjusted"]) == ("unclear", None)
    assert "workouts resemble those next to them" in row["note"]


# --- what is compared -------------------------------------------------------------------------
def test_values_against_another_reference_or_each_other_do_not_compare(store: Store) -> None:
    for number in range(6):
        store.add(*pair(2.0 + jitter(number), 6.0))
    store.add(("new", "hr_mae_bpm", "strap", 50.0), ("old", "hr_mae_bpm", "band", 1.0))
    store.add(("new", "hr_mae_bpm", "old", 50.0), ("old", "hr_mae_bpm", "old", 1.0))
    store.add(*pair(50.0, None))
    row = find(store.judge(MAE))
    assert (row["n_workouts"], row["left_out"]) == (6, 3)
    assert "left out, for want of a value to compare: 3" in row["note"]


def test_truth_goes_before_a_device(store: Store) -> None:
    for number in range(6):
        store.add(
            *pair(9.0, 1.0, "distance_error_pct"),
            ("new", "distance_error_pct", "truth", -1.0 - jitter(number)),
            ("old", "distance_error_pct", "truth", 4.0),
        )
    row = find(store.judge(choose({"distance_error_pct": 0.5}), plan_for(6)))
    assert row["estimate"] == pytest.approx(-2.82, abs=0.02)
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
    assert (row["n_workouts"], row["left_out"]) == (6, 1)
    levels = {row["device_id"]: row["mean"] for row in store.look(MAE, LEVELS)}
    assert levels == pytest.approx({"new": 2.25, "old": 6.0})


def test_activities_are_details_and_never_the_headline(store: Store) -> None:
    for number in range(6):
        store.add(*pair(2.0 + jitter(number), 6.0))
        store.add(*pair(2.0 + jitter(number), 6.0), activity="strength")
    store.add(*pair(2.0, 6.0), activity="hiking")
    rows = store.judge(MAE)
    families = {row["activity"]: (row["family"], row["is_primary"]) for row in rows}
    assert families == {
        "all": ("headline", True),
        "running": ("details", False),
        "strength": ("details", False),
        # a single workout says nothing across workouts
    }
    assert find(rows, activity="all")["n_workouts"] == 13


# --- failures ---------------------------------------------------------------------------------
def never_locked() -> tuple[tuple[str, str, str, float | None], ...]:
    return (
        ("new", "hr_lock_s", "strap", None),
        ("new", "hr_lock_failed_pct", "strap", 100.0),
        ("old", "hr_lock_s", "strap", 40.0),
        ("old", "hr_lock_failed_pct", "strap", 0.0),
    )


LOCK = choose({"hr_lock_s": 15.0, "hr_lock_failed_pct": 10.0})


def test_a_device_that_never_locks_has_failed_and_is_not_absent(store: Store) -> None:
    for number in range(9):
        store.add(*pair(12.0 + jitter(number), 40.0, "hr_lock_s"))
    assert find(store.judge(LOCK), metric="hr_lock_s")["verdict"] == "better"
    for _ in range(4):
        store.add(*never_locked())
    row = find(store.judge(LOCK), metric="hr_lock_s")
    assert (row["n_workouts"], row["n_failed"], row["n_failed_against"]) == (13, 4, 0)
    assert (row["n_better"], row["n_worse"], row["left_out"]) == (9, 4, 0)
    assert row["verdict"] == "unclear"
    assert row["level"] == pytest.approx(12.3, abs=0.1)  # the 7th of 13, failures at the end


def test_how_often_a_device_fails_is_a_question_of_its_own(store: Store) -> None:
    for _ in range(8):
        store.add(*never_locked())
    row = find(store.judge(LOCK), metric="hr_lock_failed_pct")
    # McNemar's exact test of 8 against 0: 2 / 2^8.
    assert (row["verdict"], row["p_value"]) == ("worse", pytest.approx(2 / 2**8))
    assert (row["family"], row["n_worse"]) == ("headline", 8)


def test_where_both_fail_the_workout_is_a_tie(store: Store) -> None:
    for number in range(6):
        store.add(*pair(12.0 + jitter(number), 40.0, "hr_lock_s"))
    failed = [
        (device, metric, "strap", value)
        for device in ("new", "old")
        for metric, value in (("hr_lock_s", None), ("hr_lock_failed_pct", 100.0))
    ]
    store.add(*failed)
    row = find(store.judge(LOCK), metric="hr_lock_s")
    assert (row["n_better"], row["n_tied"], row["n_failed"], row["n_failed_against"]) == (
        6,
        1,
        1,
        1,
    )


def test_a_receiver_without_a_fix_outdoors_has_failed(store: Store) -> None:
    metric = "track_cross_median_m"
    for number in range(5):
        fixes = [(device, "track_first_fix_s", None, 3.0) for device in ("new", "old")]
        store.add(*pair(1.0 + jitter(number), 2.0, metric), *fixes, place="outdoors")
    for place in ("outdoors", "indoors"):
        lost = [("new", "track_first_fix_s", None, None), ("old", "track_first_fix_s", None, 3.0)]
        store.add(*pair(None, 2.0, metric), *lost, place=place)
    rows = store.judge(choose({metric: 0.5}))
    row = find(rows, place="all")
    assert (row["n_workouts"], row["n_failed"], row["left_out"]) == (6, 1, 1)


# --- places -----------------------------------------------------------------------------------
def test_where_place_matters_the_places_are_told_and_the_whole_is_not(store: Store) -> None:
    for number in range(8):
        lock = 200.0 + 10 * jitter(number) if number < 5 else 10.0 + jitter(number)
        place = "outdoors" if number < 5 else "indoors"
        store.add(*pair(lock, 40.0, "hr_lock_s"), place=place)
    rows = store.judge(choose({"hr_lock_s": 15.0}), plan_for(8))
    matters = find(rows, family="place")
    # One of the 56 ways to choose five workouts of eight.
    assert matters["p_value"] == pytest.approx(1 / 56)
    assert (matters["verdict"], matters["metric"]) == ("worse", "hr_lock_s")
    assert matters["level"] == pytest.approx(161, abs=1)
    assert matters["level_against"] == pytest.approx(-29.7, abs=0.3)
    whole = find(rows, family="headline", place="all")
    assert (whole["verdict"], whole["p_adjusted"]) == ("unclear", None)
    assert "see the places, not the whole" in whole["note"]
    outdoors = find(rows, family="headline", place="outdoors")
    assert (outdoors["verdict"], outdoors["n_worse"]) == ("leans worse", 5)
    assert find(rows, place="indoors")["verdict"] == "too few"


def test_the_same_difference_everywhere_is_told_of_the_whole(store: Store) -> None:
    for number in range(12):
        place = "outdoors" if number % 3 else "indoors"
        store.add(*pair(2.0 + jitter(number), 6.0), place=place)
    rows = store.judge(MAE, plan_for(12))
    words = {row["place"]: row["verdict"] for row in rows if row["family"] == "headline"}
    assert words == {"all": "better", "outdoors": "better", "indoors": "too few"}
    assert find(rows, family="place")["verdict"] == "unclear"


# --- details ----------------------------------------------------------------------------------
def test_details_speak_only_where_a_primary_metric_of_their_domain_is_shown(store: Store) -> None:
    margins = choose({"hr_mae_bpm": 1.0, "hr_bias_bpm": 1.0, "track_corners_cut_per_km": 0.5})
    for number in range(8):
        store.add(
            *pair(2.0 + jitter(number), 6.0),
            *pair(1.0 + jitter(number), 5.0, "hr_bias_bpm"),
            *pair(1.0 + jitter(number), 5.0, "track_corners_cut_per_km"),
        )
    rows = store.judge(margins)
    assert find(rows, metric="hr_bias_bpm")["verdict"] == "better"
    closed = find(rows, metric="track_corners_cut_per_km")
    assert (closed["verdict"], closed["p_adjusted"]) == ("unclear", None)
    assert "asked only where a primary metric of its domain is shown" in closed["note"]


# --- opponents, criteria, conditions ----------------------------------------------------------
def test_the_predecessor_is_the_named_opponent_and_a_peer_has_its_own_mark(store: Store) -> None:
    store.name("peer-1", "peer")
    for number in range(8):
        peer = ("peer-1", "hr_mae_bpm", "strap", 9.0)
        store.add(*pair(2.0 + jitter(number), 6.0), peer)
    rows = store.judge(MAE)
    assert find(rows, against="old")["is_named"]
    other = find(rows, against="peer-1")
    assert (other["is_named"], other["verdict"]) == (False, "better")
    assert "a mark of its own" in other["note"]


def test_a_plan_may_name_the_peer(store: Store) -> None:
    store.name("peer-1", "peer")
    for number in range(6):
        store.add(*pair(2.0 + jitter(number), 6.0), ("peer-1", "hr_mae_bpm", "strap", 9.0))
    plan = plan_for(6)
    asked = plan.plan.model_copy(update={"against": ("peer-1",)})
    rows = store.judge(MAE, type(plan)(asked, "p1", plan.archived_at, plan.since))
    assert (find(rows, against="peer-1")["is_named"], find(rows, against="peer-1")["alpha"]) == (
        True,
        0.05,
    )
    assert (find(rows, against="old")["is_named"], find(rows, against="old")["alpha"]) == (
        False,
        0.01,
    )


def test_a_criterion_is_met_failed_or_open(store: Store) -> None:
    for number in range(8):
        store.add(
            ("new", "hr_mape_pct", "strap", 2.0 + jitter(number)),
            ("old", "hr_mape_pct", "strap", 20.0 + jitter(number)),
            ("new", "hr_ccc", "strap", 0.7 + (0.1 + jitter(number)) * (-1) ** number),
        )
    limits = [
        {"metric": "hr_mape_pct", "at_most": 10.0, "source": "a standard"},
        {"metric": "hr_ccc", "at_least": 0.7, "source": "a paper"},
    ]
    rows = store.judge(choose({}, limits))
    met = find(rows, device_id="new", metric="hr_mape_pct")
    assert (met["verdict"], met["against"], met["family"]) == ("better", "criterion", "criteria")
    assert met["is_primary"]
    assert met["estimate"] == pytest.approx(2.185, abs=0.02)
    assert 2.0 <= met["ci_low"] < met["ci_high"] <= 2.4
    assert "at most 10 (a standard)" in met["note"]
    failed = find(rows, device_id="old")
    assert (failed["verdict"], failed["is_primary"]) == ("worse", False)
    assert find(rows, metric="hr_ccc")["verdict"] == "unclear"


def test_two_wrists_are_compared_within_an_activity(store: Store) -> None:
    for number in range(5):
        store.add(("new", "hr_mae_bpm", "strap", 2.0 + jitter(number)), setup={"wrist": "left"})
        store.add(("new", "hr_mae_bpm", "strap", 8.0 + jitter(number)), setup={"wrist": "right"})
        store.add(
            ("new", "hr_mae_bpm", "strap", 100.0), setup={"wrist": "right"}, activity="rowing"
        )
    row = find(store.judge(MAE))
    assert (row["against"], row["activity"]) == ("wrist: left / right", "running")
    assert (row["verdict"], row["family"]) == ("better", "conditions")
    assert row["p_value"] == pytest.approx(2 / 252)
    assert row["estimate"] == pytest.approx(-6.0)
    assert row["n_workouts"] == 10


def test_what_changed_along_with_a_condition_is_named(store: Store) -> None:
    for number in range(8):
        left = number % 2 == 0
        setup = {
            "wrist": "left" if left else "right",
            "band": "silicone" if left else "nylon",
            "display": "on" if number < 4 else "off",
        }
        place = "outdoors" if number < 4 else "indoors"
        value = ("new", "hr_mae_bpm", "strap", 2.0 + number)
        store.add(value, setup=setup, place=place)
    rows = {row["against"]: row["note"] for row in store.judge(MAE)}
    along = "cannot be told from what changed along with it: "
    assert rows["wrist: left / right"].endswith(f"{along}band: silicone / nylon")
    assert rows["display: off / on"].endswith(f"{along}surroundings: indoors / outdoors")


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


# --- rows -------------------------------------------------------------------------------------
def test_how_often_it_was_looked_at_is_counted_by_numbers_of_workouts(store: Store) -> None:
    for number in range(9):
        store.add(*pair(2.0 + jitter(number), 6.0))
        if number >= 6:
            store.judge(MAE, keep=True)
    assert find(store.judge(MAE))["n_looks"] == 3


def test_only_the_devices_of_changed_workouts_are_answered(store: Store) -> None:
    store.name("peer-1", "peer")
    for number in range(8):
        store.add(*pair(2.0 + jitter(number), 6.0), ("peer-1", "hr_mae_bpm", "strap", 9.0))
    rows = store.look_at(MAE, {"peer-1"})
    assert {(row["device_id"], row["against"]) for row in rows} == {("new", "peer-1")}


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


def test_rows_of_before_the_families_are_taken_back_once(store: Store) -> None:
    for number in range(6):
        store.add(*pair(2.0 + jitter(number), 6.0))
    old = {"device_id": "new", "against": "old", "activity": "all", "metric": "hr_mae_bpm"}
    with open_store(store.home) as connection:
        row = {**old, "run_id": "r0", "n_workouts": 6, "verdict": "unclear"}
        append_rows(connection, VERDICTS, make_rows(VERDICTS, [row]))
    rows = store.judge(MAE, keep=True)
    assert find(rows, family=None)["n_workouts"] == 0
    assert find(rows, family="headline")["n_workouts"] == 6
    again = store.judge(MAE, keep=True)
    assert [row["family"] for row in again] == ["headline"]
