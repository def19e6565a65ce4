"""From tested questions to rows of `verdicts`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.registers import METRICS
from tasks.maths.workouts_needed import Needed, find_needed
from tasks.verdicts.pairing import find_level, find_signs
from tasks.verdicts.scales import is_failure
from tasks.verdicts.words import SETTLED, choose_word

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tasks.verdicts.asked import Evidence, Modelled, Question, Tested

_TIE: Final = 1e-9
_FEWEST_FOR_NEEDED: Final = 3
_OUT_OF_REACH: Final = "not within reach by more of the same"
_OF_MODEL: Final = (
    "model_estimate",
    "model_ci_low",
    "model_ci_high",
    "model_workouts",
    "model_note",
)


def write_row(tested: Tested, *, power: float) -> dict[str, Any]:
    """Return the row of a question, without its run."""
    one, question = tested.evidence, tested.evidence.question
    verdict = choose_word(tested)
    needed, why = _find_needed(tested, verdict, power=power)
    centre = one.centre
    return {
        **name_question(question),
        **_count(one),
        "left_out": one.left_out,
        "level": find_level(one.own, one.failed_own, good_sign=one.good_sign),
        "level_against": find_level(one.other, one.failed_other, good_sign=one.good_sign),
        "scale": one.scale,
        "estimate": keep(centre.estimate + one.shift),
        "ci_low": keep(centre.interval.low + one.shift),
        "ci_high": keep(centre.interval.high + one.shift),
        "p_value": keep(tested.p_value),
        "p_adjusted": keep(tested.p_adjusted) if tested.may_speak else None,
        "alpha": tested.alpha,
        "n_looks": tested.n_looks,
        "verdict": verdict,
        "margin": one.margin,
        "workouts_needed": needed.high,
        "workouts_needed_low": needed.low,
        "note": "; ".join(part for part in (*_list_notes(tested), why) if part),
        **_name_model(one.model),
    }


def name_question(question: Question) -> dict[str, Any]:
    """Return the columns that say what is asked."""
    metric = METRICS.get(question.measure.metric)
    return {
        "device_id": question.device_id,
        "against": question.against,
        "family": question.family,
        "place": question.place,
        "activity": question.activity,
        "segment": question.measure.segment,
        "metric": question.measure.metric,
        "domain": metric.domain if metric else None,
        "unit": metric.unit if metric else None,
        "is_primary": question.is_primary,
        "is_named": question.is_named,
    }


def _count(one: Evidence) -> dict[str, int]:
    """Count workouts by who was better; differences of rounding are ties."""
    signs = find_signs(one.differences)
    return {
        "n_workouts": one.n,
        "n_better": int(np.sum(signs == one.good_sign)),
        "n_worse": int(np.sum(signs == -one.good_sign)),
        "n_tied": int(np.sum(signs == 0)),
        "n_failed": int(one.failed_own.sum()),
        "n_failed_against": int(one.failed_other.sum()),
    }


def _find_needed(tested: Tested, verdict: str, *, power: float) -> tuple[Needed, str]:
    """Return how many workouts would settle it, and what to say where none within reach does."""
    one = tested.evidence
    if verdict in SETTLED or one.n < _FEWEST_FOR_NEEDED or is_failure(one.question.measure.metric):
        return Needed(None, None), ""
    if tested.evidence.question.family == "place":
        return Needed(None, None), ""
    found = find_needed(
        one.scaled,
        alpha=tested.alpha,
        n_questions=tested.n_questions,
        margins=_find_margins(one),
        horizon=tested.horizon,
        power=power,
    )
    return found, "" if found.high is not None else _OUT_OF_REACH


def _find_margins(one: Evidence) -> tuple[float, float] | None:
    """Return the margin on the tested scale: about the opponent's level where that is a ratio."""
    if one.margin is None:
        return None
    if one.scale == "difference":
        return -one.margin, one.margin
    level = find_level(one.other, one.failed_other, good_sign=one.good_sign)
    if level is None:
        return None
    base = level + one.margin
    return float(np.log(max(base - one.margin, _TIE) / base)), float(
        np.log((base + one.margin) / base)
    )


def _list_notes(tested: Tested) -> list[str]:
    one = tested.evidence
    notes = [one.note, *tested.notes]
    if one.margin is not None:
        notes.append(f"up to {one.margin:g} does not matter")
    if one.left_out:
        notes.append(f"workouts left out, for want of a value to compare: {one.left_out}")
    if one.model is not None and _do_disagree(tested, one.model):
        notes.append("the model of all workouts disagrees, see its columns")
    return notes


def _name_model(model: Modelled | None) -> Mapping[str, Any]:
    if model is None:
        return dict.fromkeys(_OF_MODEL)
    low, high = model.interval.low, model.interval.high
    values = (keep(model.estimate), keep(low), keep(high), model.n_workouts, model.note)
    return dict(zip(_OF_MODEL, values, strict=True))


def _do_disagree(tested: Tested, model: Modelled) -> bool:
    """Say whether one shows a difference, of this question alone, that the other does not show."""
    if not np.isfinite(model.interval.low):
        return False
    centre = tested.evidence.centre.estimate
    shown = int(np.sign(centre)) if tested.p_value < 0.05 else 0  # noqa: PLR2004
    modelled = 0 if model.interval.holds(0.0) else int(np.sign(model.estimate))
    return shown != modelled


def keep(value: float | None) -> float | None:
    """Return a finite number, or nothing."""
    return value if value is not None and np.isfinite(value) else None
