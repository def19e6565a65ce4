"""Columns of what is answered across workouts: verdicts, levels, limits of agreement."""

from __future__ import annotations

from typing import Final

from tasks.tables.column import Column, make_boolean, make_float, make_integer, make_text

#: What may be said across workouts.
VERDICTS: Final = (
    "better",
    "worse",
    "leans better",
    "leans worse",
    "alike",
    "unclear",
    "too few",
)
#: Questions that are answered together.
FAMILIES: Final = ("headline", "details", "place", "conditions", "criteria")
#: Where a workout took place, for questions across workouts.
SURROUNDINGS: Final = ("outdoors", "indoors")

ANSWER_COLUMNS: Final[tuple[Column, ...]] = (
    # --- verdicts ---------------------------------------------------------------------------
    make_text("against", "Device id, criterion, or two conditions of one setup key"),
    make_integer("n_workouts", "Workouts that it rests on", "count"),
    make_text(
        "family",
        "Questions that are answered together, at one mark: headline (primary metrics by place "
        "against one opponent), details (other metrics, only where a primary one is shown), place "
        "(does the difference depend on the place?), conditions, criteria",
        words=FAMILIES,
    ),
    make_text(
        "question_place",
        "Workouts asked about: all, outdoors or indoors",
        words=("all", "outdoors", "indoors"),
    ),
    make_text("domain", "Domain of the metric, e.g. heart_rate"),
    make_boolean(
        "is_primary", "Whether it may make a headline: a primary metric of a device under test"
    ),
    make_boolean(
        "is_named",
        "Whether the opponent is the one named beforehand: by the plan, else the predecessor; "
        "every other opponent has a mark of its own",
    ),
    make_integer("n_better", "Workouts in which the device was better", "count"),
    make_integer("n_worse", "Workouts in which the device was worse", "count"),
    make_integer("n_tied", "Workouts in which both were equal", "count"),
    make_integer(
        "n_failed",
        "Of these, workouts in which the device failed: never locked, never followed, no fix",
        "count",
    ),
    make_integer("n_failed_against", "Of these, workouts in which the opponent failed", "count"),
    make_float(
        "level",
        "see unit",
        "Median of the device over these workouts, failures as the largest; null where more than "
        "half failed",
    ),
    make_float("level_against", "see unit", "The same of the opponent or the other condition"),
    make_text(
        "scale",
        "What was tested: difference, or ratio (difference of log(value + margin))",
        words=("difference", "ratio"),
    ),
    make_float("estimate", "see unit", "Hodges-Lehmann estimate of the difference or level"),
    make_float("p_value", "1", "Two-sided p value of this question alone", 0.0, 1.0),
    make_float(
        "p_adjusted",
        "1",
        "p value that holds for the whole family; null where nothing can be claimed",
        0.0,
        1.0,
    ),
    make_float("alpha", "1", "Mark that p_adjusted is held to: stricter without a plan", 0.0, 1.0),
    make_integer(
        "n_looks", "Numbers of workouts at which it was looked at, this one included", "count"
    ),
    make_text(
        "verdict",
        "better, worse: shown; leans better, leans worse: not shown, the interval of this question "
        "alone leaves zero out; alike: within the margin; unclear; too few: no data of this many "
        "could show it; better than a criterion means that it is met",
        words=VERDICTS,
    ),
    make_integer(
        "workouts_needed",
        "How many workouts in all would settle it with the chance of the settings (power), if the "
        "next ones are like these; null where it is settled or not within reach",
        "count",
    ),
    make_integer("workouts_needed_low", "The same with a chance of one half", "count"),
    make_float(
        "margin", "see unit", "Difference that does not matter, set before looking; or null", 0.0
    ),
    make_float(
        "model_estimate",
        "see unit",
        "Difference by a model of all workouts, also those that only one of the two devices "
        "recorded (random intercept per workout, REML); the verdict does not rest on it",
    ),
    make_float("model_ci_low", "see unit", "Lower end of the 95 % interval of model_estimate"),
    make_float("model_ci_high", "see unit", "Upper end of the 95 % interval of model_estimate"),
    make_integer("model_workouts", "Workouts that the model rests on", "count"),
    make_text(
        "model_note",
        "What the model rests on, or why there is none; null where two devices are not compared",
    ),
    # --- levels -----------------------------------------------------------------------------
    make_text("condition", "all, or setup key and value that the workouts share, e.g. wrist: left"),
    make_text("counted", "value, or size (the value without its sign, as verdicts compare it)"),
    make_integer("left_out", "Workouts left out, for want of a value", "count"),
    make_float("mean", "see unit", "Mean of the workouts' values"),
    make_float(
        "mean_ci_low",
        "see unit",
        "Lower end of the 95 % interval of the mean (BCa bootstrap of workouts, widened for few)",
    ),
    make_float("mean_ci_high", "see unit", "Upper end of the 95 % interval of the mean"),
    make_float("median", "see unit", "Median of the workouts' values"),
    make_float(
        "median_ci_low",
        "see unit",
        "Lower end of the interval of the median, of at least 95 % (order statistics)",
    ),
    make_float("median_ci_high", "see unit", "Upper end of the interval of the median"),
    make_float("sd", "see unit", "Standard deviation of the workouts' values", 0.0),
    make_text("no_interval", "Why an interval or a limit is null"),
    # --- limits -----------------------------------------------------------------------------
    make_float(
        "effective_n", "1", "Independent seconds that the compared ones are worth in all", 0.0
    ),
    make_float("bias", "see unit", "Mean of the workouts' mean differences, each counting alike"),
    make_float(
        "between_sd", "see unit", "Standard deviation of the workouts' mean differences", 0.0
    ),
    make_float("within_sd", "see unit", "Standard deviation of the seconds inside a workout", 0.0),
    make_float(
        "limit_low",
        "see unit",
        "Lower limit of agreement: 2.5 % of the seconds of any workout differ by less, if "
        "differences scatter normally",
    ),
    make_float("limit_low_ci_low", "see unit", "Lower end of the 95 % interval of limit_low"),
    make_float("limit_low_ci_high", "see unit", "Upper end of the 95 % interval of limit_low"),
    make_float("limit_high", "see unit", "Upper limit of agreement: 2.5 % differ by more"),
    make_float("limit_high_ci_low", "see unit", "Lower end of the 95 % interval of limit_high"),
    make_float("limit_high_ci_high", "see unit", "Upper end of the 95 % interval of limit_high"),
)
