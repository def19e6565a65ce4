"""Parts within a workout in which heart rate was worse: changing effort, bands of heart rate.

Parts of one workout are compared with each other, so that day, place and setting are the same. All
parts that have enough workouts are looked at together, one family of sign flips; a sentence says
how many that were.
"""

from __future__ import annotations

import statistics
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.answers.facts import ALL
from tasks.answers.sentence import NO_BREAK, Sentence, begin, of
from tasks.core.wording import count
from tasks.maths.sign_flips import assess_by_flips

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tasks.answers.facts import DeviceFacts, Facts, Metric
    from tasks.answers.sentence import Pen

_MAE: Final = "hr_mae_bpm"
_STEADY: Final = "steady"
_BAND: Final = "band:"
_EFFORTS: Final = {"rising": "while effort rises", "falling": "while effort falls"}
#: Parts of the workouts that answers are made from, beside the bands.
PARTS: Final = (_STEADY, *_EFFORTS)
FEWEST_WORKOUTS: Final = 3
#: A part is reported where its error is at least so many times that of what it is compared with.
_TIMES: Final = 1.5
#: Fewer seconds of a part, or beside it, are no part of a workout.
_FEWEST_SECONDS: Final = 60
#: Bands that are reported, the worst first, of those that hold after all parts are counted: each is
#: beside the rest, so that one speaks for others.
_MOST_BANDS: Final = 1
_SHOWN_P: Final = 0.05


@dataclass(frozen=True)
class Part:
    """Errors inside a part and beside it, by workout [bpm]."""

    segment: str
    inside: dict[str, float]
    beside: dict[str, float]

    @property
    def is_band(self) -> bool:
        """Whether it is a band of heart rate."""
        return self.segment.startswith(_BAND)

    @property
    def levels(self) -> tuple[float, float]:
        """The medians inside and beside."""
        return statistics.median(self.inside.values()), statistics.median(self.beside.values())


def compare_parts(facts: Facts, device: DeviceFacts, *, pen: Pen) -> Iterator[Sentence]:
    """Return where within the workouts the error of heart rate is greater than beside it."""
    metric = facts.metrics.get(_MAE)
    parts = _gather(facts, device)
    if metric is None or not parts:
        return
    p_values = _assess(facts, parts)
    differing = [one for one in parts if _is_worth_telling(one, facts.margins.get(_MAE, 0.0))]
    bands = [one for one in differing if one.is_band and p_values[one.segment] < _SHOWN_P]
    bands.sort(key=_find_ratio, reverse=True)
    for one in (*(one for one in differing if not one.is_band), *bands[:_MOST_BANDS]):
        yield _write(one, p_values[one.segment], len(parts), device, metric, pen=pen)


def _gather(facts: Facts, device: DeviceFacts) -> list[Part]:
    """Return all parts that enough workouts have, each with what it is compared with."""
    segments = [
        segment
        for device_id, metric, segment in facts.values
        if device_id == device.device_id and metric == _MAE
    ]
    bands = sorted(one for one in segments if one.startswith(_BAND))
    parts = [
        *(_pair(facts, device, one, _STEADY) for one in _EFFORTS if one in segments),
        *(_pair(facts, device, one, ALL) for one in bands),
    ]
    return [one for one in parts if len(one.inside) >= FEWEST_WORKOUTS]


def _pair(facts: Facts, device: DeviceFacts, segment: str, against: str) -> Part:
    """Pair a part with another one, or with the rest of the whole, against one reference."""
    inside: dict[str, float] = {}
    beside: dict[str, float] = {}
    own = facts.values.get((device.device_id, _MAE, segment), {})
    others = facts.values.get((device.device_id, _MAE, against), {})
    for workout_id in facts.workouts:
        by_reference = {one.reference: one for one in others.get(workout_id, ())}
        for one in own.get(workout_id, ()):
            other = by_reference.get(one.reference)
            if one.value is None or other is None or other.value is None:
                continue
            level: float | None = other.value
            if against == ALL:
                level = _take_out(other.value, other.n or 0, one.value, one.n or 0)
            if level is not None:
                inside[workout_id], beside[workout_id] = one.value, level
            break
    return Part(segment, inside, beside)


def _take_out(whole: float, n: int, inside: float, n_inside: int) -> float | None:
    """Return the mean of the seconds beside a part, None where there are hardly any."""
    n_beside = n - n_inside
    if min(n_inside, n_beside) < _FEWEST_SECONDS:
        return None
    return max(0.0, (whole * n - inside * n_inside) / n_beside)


def _assess(facts: Facts, parts: list[Part]) -> dict[str, float]:
    """Return the p of each part, for all of them together, by joint flips of whole workouts."""
    held = [one for one in facts.workouts if any(one in part.inside for part in parts)]
    margin = facts.margins.get(_MAE) or 1.0
    differences = np.full((len(held), len(parts)), np.nan)
    for column, part in enumerate(parts):
        for row, workout_id in enumerate(held):
            if workout_id in part.inside:
                ratio = (part.inside[workout_id] + margin) / (part.beside[workout_id] + margin)
                differences[row, column] = np.log(ratio)
    adjusted = assess_by_flips(differences).p_adjusted
    return {part.segment: float(p) for part, p in zip(parts, adjusted, strict=True)}


def _is_worth_telling(part: Part, margin: float) -> bool:
    here, there = part.levels
    return here >= _TIMES * there and here - there >= margin


def _find_ratio(part: Part) -> float:
    here, there = part.levels
    return here / there if there else np.inf


def _write(
    part: Part, p_value: float, n_parts: int, device: DeviceFacts, metric: Metric, *, pen: Pen
) -> Sentence:
    here, there = part.levels
    greater = tuple(float(part.inside[one] > part.beside[one]) for one in part.inside)
    against = "in the rest of the workout" if part.is_band else "at steady effort"
    held = " It holds after all of them are counted." if p_value < _SHOWN_P else ""
    along = (
        " Bands follow the course of a workout (low ones are mostly its start): what is the heart "
        "rate cannot be told from what is the time since start."
        if part.is_band
        else ""
    )
    return Sentence(
        "heart_rate",
        "count",
        f"{begin(_name(part.segment))}, it was off by {pen.amount(here, metric)}, against "
        f"{pen.amount(there, metric)} {against}; more in {of(int(sum(greater)), len(greater))}.",
        evidence=f"Mean absolute error, medians of the {count(len(greater), 'workout')} that have "
        f"both; the parts are those of the settings, fixed beforehand. {count(n_parts, 'part')} "
        f"looked at, shown are those that differ: p {max(p_value, 0.001):.3f}, adjusted for all of "
        f"them.{held}{along}",
        strength="level",
        tally=greater,
        metric=_MAE,
        segment=part.segment,
        device_ids=(device.device_id,),
        workouts=tuple(part.inside),
        weight=0.9,
    )


def _name(segment: str) -> str:
    """Return a part in words, e.g. "above 90 % of the maximum heart rate"."""
    if segment in _EFFORTS:
        return _EFFORTS[segment]
    which, _, edge = segment.removeprefix(_BAND).partition("-")
    edges = f"{which} {edge}" if which in {"below", "above"} else f"at {which} to {edge}"
    return f"{edges}{NO_BREAK}% of the maximum heart rate"
