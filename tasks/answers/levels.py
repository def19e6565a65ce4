"""How good a device was, whatever the others did: the usual value of its workouts."""

from __future__ import annotations

import statistics
from typing import TYPE_CHECKING

import numpy as np

from tasks.answers.sentence import Sentence, begin, of
from tasks.core.wording import count
from tasks.maths.intervals import compute_median_interval

if TYPE_CHECKING:
    from tasks.answers.facts import DeviceFacts, Facts, Metric
    from tasks.answers.phrases import Phrase
    from tasks.answers.sentence import Pen


def describe_level(
    facts: Facts, device: DeviceFacts, phrase: Phrase, *, pen: Pen
) -> Sentence | None:
    """Return the sentence of a metric's usual value over all workouts, None without one.

    With six workouts and more it has an interval of the median; fewer bear none, and their lowest
    and highest values stand in its place.
    """
    metric = facts.metrics.get(phrase.metric)
    found = facts.find_values(device.device_id, phrase.metric, phrase.segment)
    if metric is None or not found:
        return None
    scores = [metric.score(value) for value, _ in found.values()]
    n = len(scores)
    if phrase.none and statistics.median(scores) == 0.0:
        return _describe_none(device, phrase, metric, found, pen=pen)
    text = phrase.level.format(level=pen.amount(statistics.median(scores), metric))
    counted = f"median of {n} workouts" if n > 1 else "1 workout"
    interval = compute_median_interval(np.array(scores, dtype=np.float64))
    has_interval = bool(np.isfinite(interval.low))
    if has_interval:
        spread = (
            f"; 95 %: {pen.number(interval.low, metric)} to {pen.number(interval.high, metric)}"
        )
    elif n > 1:
        spread = f"; {pen.number(min(scores), metric)} to {pen.number(max(scores), metric)}"
    else:
        spread = ""
    failed = facts.list_failed(device.device_id, phrase.metric, phrase.segment)
    failures = f"; it {phrase.failed} in {of(len(failed), len({*found, *failed}))}"
    lost = f" Without {count(len(failed), 'workout')} in which it failed." if failed else ""
    evidence = _describe(metric, [value for value, _ in found.values()], pen=pen)
    return Sentence(
        phrase.domain,
        "write" if has_interval else "count",
        f"{begin(text)} ({counted}{spread}){failures if failed and phrase.failed else ''}.",
        evidence=f"{evidence}{lost if not set(failed) & set(found) else ''}",
        strength="level",
        metric=phrase.metric,
        segment=phrase.segment,
        device_ids=(device.device_id,),
        workouts=tuple(found),
        weight=(1.5 if has_interval else 0.9) if phrase.is_primary else 0.5,
    )


def _describe_none(
    device: DeviceFacts,
    phrase: Phrase,
    metric: Metric,
    found: dict[str, tuple[float, str | None]],
    *,
    pen: Pen,
) -> Sentence:
    """Return the sentence of a value that is zero in most workouts."""
    tally = tuple(float(value == 0.0) for value, _ in found.values())
    most = max(metric.score(value) for value, _ in found.values())
    at_most = f"; at most {pen.amount(most, metric)}" if most else ""
    return Sentence(
        phrase.domain,
        "count",
        f"{begin(phrase.none)} in {of(tally.count(1.0), len(tally))}{at_most}.",
        evidence=f"{begin(metric.title)}; a count, not a comparison.",
        strength="level",
        tally=tally,
        metric=phrase.metric,
        segment=phrase.segment,
        device_ids=(device.device_id,),
        workouts=tuple(found),
        weight=0.9 if phrase.is_primary else 0.5,
    )


def _describe(metric: Metric, values: list[float], *, pen: Pen) -> str:
    text = f"{begin(metric.title)}; a level, not a comparison."
    if not metric.counts_size:
        return text
    n_high = sum(value > 0 for value in values)
    middle = pen.amount(statistics.median(values), metric, signed=True)
    high = of(n_high, len(values))
    return f"{text} Sizes are counted; with its sign the median is {middle}, too high in {high}."
