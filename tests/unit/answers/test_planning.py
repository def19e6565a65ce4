"""The plan against the workouts: what is done, unbalanced and settled, and what comes next."""

from __future__ import annotations

from typing import Any

from tasks.answers.facts import Facts, PlanFacts
from tasks.answers.planning import does_fit, review_plan
from tests.unit.answers.stories import (
    MAPLE,
    MAPLE_1,
    make_facts,
    make_values,
    make_verdict,
    make_workouts,
)

LOCKED = ("maple-2", "hr_mae_bpm", "after_lock")
OLD_LOCKED = ("maple-1", "hr_mae_bpm", "after_lock")
DISTANCE = ("maple-2", "distance_error_pct", "all")
OLD_DISTANCE = ("maple-1", "distance_error_pct", "all")
PLACES: list[str | None] = ["outdoors", "outdoors", "indoors", "outdoors"]


def want(
    name: str, n: int, activity: str | None = None, place: str | None = None
) -> dict[str, Any]:
    return {"name": name, "number": float(n), "activity": activity, "place": place}


def make_plan(*wanted: dict[str, Any], balance: tuple[str, ...] = ()) -> PlanFacts:
    return PlanFacts(
        "maple-2", ("maple-1",), 12, 30, {"hr_mae_bpm": 1.0, "distance_error_pct": 0.5}, 0.0,
        wanted, balance,
    )  # fmt: skip


def make(plan: PlanFacts | None = None, **more: Any) -> Facts:  # noqa: ANN401
    n = len(PLACES)
    return make_facts(
        {
            LOCKED: make_values([1.0] * n),
            OLD_LOCKED: make_values([2.0] * n),
            # Distance has a reference outdoors only.
            DISTANCE: make_values([0.1, 0.2, None, 0.1]),
            OLD_DISTANCE: make_values([0.5, 0.6, None, 0.4]),
        },
        workouts=make_workouts(n, PLACES),
        plan=plan,
        **more,
    )


def test_each_workout_counts_once_for_the_first_kind_with_room() -> None:
    plan = make_plan(want("1", 2, "running", "outdoors"), want("2", 6))
    rows = review_plan(make(plan), MAPLE, MAPLE_1).wanted
    assert [(row.words, row.done, row.missing) for row in rows] == [
        ("running, outdoors", 2, 0),
        ("any activity, anywhere", 2, 4),
    ]


def test_a_place_of_a_plan_is_a_place_or_a_kind_of_place() -> None:
    workout = make_workouts(1, ["indoors"])["w0"]
    assert workout.place == "treadmill"
    assert does_fit(workout, "running", "treadmill")
    assert does_fit(workout, None, "indoors")
    assert not does_fit(workout, None, "outdoors")
    assert not does_fit(workout, "cycling", None)


def test_setups_are_counted_by_value_and_place_and_imbalance_is_told() -> None:
    wrists = {"w0": "left", "w1": "left", "w2": "left", "w3": "right"}
    plan = make_plan(want("1", 8), balance=("wrist", "band"))
    review = review_plan(make(plan, setups={("maple-2", "wrist"): wrists}), MAPLE, MAPLE_1)
    assert [(row.value, row.outdoors, row.indoors, row.total) for row in review.balance] == [
        ("left", 2, 1, 3),
        ("right", 1, 0, 1),
    ]
    assert list(review.remarks) == [
        "Wrist is unbalanced: left 3 and right 1.",
        "Band is to be balanced and stands in no notes yet.",
    ]


def test_setups_that_always_change_together_are_told() -> None:
    firmware = {"w0": "4.1", "w1": "4.1", "w2": "4.2", "w3": "4.2"}
    bands = {"w0": "nylon", "w1": "nylon", "w2": "silicone", "w3": "silicone"}
    setups = {("maple-2", "band"): bands, ("maple-2", "firmware"): firmware}
    (remark,) = review_plan(make(setups=setups), MAPLE, MAPLE_1).remarks
    assert remark == (
        "Band and firmware always changed together: what is one cannot be told from what is the "
        "other."
    )


def test_the_next_workout_is_the_kind_that_brings_most_open_questions_most() -> None:
    verdicts = [
        make_verdict("hr_mae_bpm", "unclear", n_workouts=4, workouts_needed=8),
        make_verdict("distance_error_pct", "unclear", n_workouts=3, workouts_needed=6),
    ]
    first, second = review_plan(make(verdicts=verdicts), MAPLE, MAPLE_1).following
    # Outdoors brings one of four and one of three that are missing, indoors one of four.
    assert first.words == "running outdoors"
    assert abs(first.gain - (1 / 4 + 1 / 3)) < 1e-9
    assert second.words == "running indoors"
    assert abs(second.gain - 1 / 4) < 1e-9
    assert "distance" not in second.brings


def test_what_is_settled_or_out_of_reach_asks_for_no_workout() -> None:
    verdicts = [
        make_verdict("hr_mae_bpm", "better", n_workouts=4, workouts_needed=None),
        make_verdict("distance_error_pct", "unclear", n_workouts=3, workouts_needed=None),
    ]
    review = review_plan(make(verdicts=verdicts), MAPLE, MAPLE_1)
    assert review.following == ()
    assert [(one.word, one.needed) for one in review.questions] == [
        ("better", ""),
        ("unclear", "not within reach by more of the same"),
    ]


def test_a_plan_offers_the_kinds_that_it_still_misses() -> None:
    verdicts = [make_verdict("hr_mae_bpm", "unclear", n_workouts=4, workouts_needed=8)]
    plan = make_plan(want("1", 3, place="outdoors"), want("2", 3, place="indoors"))
    following = review_plan(make(plan, verdicts=verdicts), MAPLE, MAPLE_1).following
    assert [one.words for one in following] == ["any activity, indoors"]
