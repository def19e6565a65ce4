"""From answers to verdicts: what may be claimed when many questions are asked at once."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.registers import METRICS
from tasks.maths.multiplicity import adjust_after_holm
from tasks.maths.planning import find_workouts_needed
from tasks.verdicts.asked import ALPHA, Answer, Modelled, Question

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

BETTER: Final = "better"
WORSE: Final = "worse"
ALIKE: Final = "alike"
UNCLEAR: Final = "unclear"
TOO_FEW: Final = "too few"
_UNSETTLED: Final = (UNCLEAR, TOO_FEW)

_OF_MODEL: Final = (
    "model_estimate",
    "model_ci_low",
    "model_ci_high",
    "model_workouts",
    "model_note",
)


def conclude(answers: Iterable[Answer], *, power: float) -> list[dict[str, Any]]:
    """Return the rows of `verdicts`, without their run, for all answers."""
    families: dict[tuple[str, str, str], list[Answer]] = defaultdict(list)
    for answer in answers:
        families[answer.question.family].append(answer)
    return [row for family in families.values() for row in _conclude_family(family, power=power)]


def _conclude_family(family: list[Answer], *, power: float) -> Iterator[dict[str, Any]]:
    """Adjust within a family. Too few workouts are no question that could be answered yet."""
    different = np.array([np.nan if one.is_too_few else one.p_value for one in family])
    equivalent = np.array([np.nan if one.is_too_few else one.p_equivalent for one in family])
    p_different, p_equivalent = adjust_after_holm(different), adjust_after_holm(equivalent)
    for number, answer in enumerate(family):
        verdict = _find_word(answer, float(p_different[number]), float(p_equivalent[number]))
        needed = None
        if verdict in _UNSETTLED:
            needed = find_workouts_needed(
                answer.difference,
                answer.spread,
                margin=answer.margin,
                alpha=ALPHA / len(family),
                power=power,
            )
        yield {
            **_name_question(answer.question),
            "n_workouts": answer.n_workouts,
            "estimate": _keep(answer.estimate),
            "ci_low": _keep(answer.interval.low),
            "ci_high": _keep(answer.interval.high),
            "p_value": answer.p_value,
            "p_adjusted": _keep(float(p_different[number])),
            "verdict": verdict,
            # What is not settled yet needs one more at the least.
            "workouts_needed": None if needed is None else max(needed, answer.n_workouts + 1),
            "note": _write_note(answer),
            "margin": answer.margin,
            **_name_model(answer.model),
        }


def _find_word(answer: Answer, p_different: float, p_equivalent: float) -> str:
    """Choose the word. A difference that is shown, and shown not to matter, is alike."""
    if answer.is_too_few:
        return TOO_FEW
    if p_equivalent < ALPHA:
        return ALIKE
    if p_different < ALPHA and answer.difference != 0:
        return BETTER if answer.difference * answer.good_sign > 0 else WORSE
    return UNCLEAR


def _write_note(answer: Answer) -> str:
    parts = [answer.note]
    if answer.margin is not None:
        parts.append(f"up to {answer.margin:g} does not matter")
    if answer.left_out:
        parts.append(f"workouts left out, for want of a value to compare: {answer.left_out}")
    if answer.model is not None and _do_disagree(answer, answer.model):
        parts.append("the model of all workouts disagrees, see its columns")
    return "; ".join(parts)


def _name_model(model: Modelled | None) -> dict[str, Any]:
    if model is None:
        return dict.fromkeys(_OF_MODEL)
    low, high = model.interval.low, model.interval.high
    values = (_keep(model.estimate), _keep(low), _keep(high), model.n_workouts, model.note)
    return dict(zip(_OF_MODEL, values, strict=True))


def _do_disagree(answer: Answer, model: Modelled) -> bool:
    """Say whether one shows a difference, of this question alone, that the other does not show."""
    if answer.is_too_few or not np.isfinite(model.interval.low):
        return False
    shown = int(np.sign(answer.difference)) if answer.p_value < ALPHA else 0
    modelled = 0 if model.interval.holds(0.0) else int(np.sign(model.estimate))
    return shown != modelled


def _name_question(question: Question) -> dict[str, Any]:
    metric = METRICS.get(question.metric)
    return {
        "device_id": question.device_id,
        "against": question.against,
        "activity": question.activity,
        "metric": question.metric,
        "unit": metric.unit if metric else None,
    }


def _keep(value: float) -> float | None:
    return value if np.isfinite(value) else None
