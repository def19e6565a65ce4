"""What a setting changes: two units worn at once, or one device on different days."""

from __future__ import annotations

import statistics
from typing import TYPE_CHECKING, Final

from tasks.answers.phrases import PHRASES, find_phrase
from tasks.answers.sentence import Sentence
from tasks.core.wording import count

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tasks.answers.facts import DeviceFacts, Facts
    from tasks.answers.sentence import Pen

_RATE: Final = "battery_rate_pct_per_h"
_CLAIM: Final = "battery_vs_claim_pct"
_PROJECTED: Final = "battery_projected_h"
#: Setup keys that say where a battery stood, not how a device was worn.
READINGS: Final = ("battery_start_pct", "battery_end_pct", "note")
#: A projection that misses the maker's claim by less is in keeping with it [%].
_SMALL_CLAIM_PCT: Final = 5.0
_WORDS: Final = {
    "better": ("write", "shown"),
    "worse": ("write", "shown"),
    "leans better": ("count", "leans"),
    "leans worse": ("count", "leans"),
}


def describe_battery(facts: Facts, device: DeviceFacts, *, pen: Pen) -> Iterator[Sentence]:
    """Return how long a charge lasts against the maker's claim, and what a mode costs."""
    yield from _describe_claim(facts, device, pen=pen)
    yield from _compare_units(facts, device, pen=pen)


def _describe_claim(facts: Facts, device: DeviceFacts, *, pen: Pen) -> Iterator[Sentence]:
    metric = facts.metrics.get(_PROJECTED)
    found = facts.find_values(device.device_id, _CLAIM)
    projected = facts.find_values(device.device_id, _PROJECTED)
    if metric is None or not found or not projected:
        return
    share = statistics.median(value for value, _ in found.values())
    hours = statistics.median(value for value, _ in projected.values())
    short = tuple(float(value < 0) for value, _ in found.values())
    if abs(share) < _SMALL_CLAIM_PCT:
        against = "in keeping with the maker's claim"
    else:
        side = "short of" if share < 0 else "beyond"
        against = f"{abs(share):.0f}\N{NO-BREAK SPACE}% {side} the maker's claim"
    yield Sentence(
        "battery",
        "count",
        f"A charge would last {pen.amount(hours, metric)}, {against} (median of "
        f"{count(len(projected), 'workout')}).",
        evidence="Projected from the charge used in these workouts; batteries do not empty evenly.",
        strength="level",
        tally=short if share < 0 else tuple(1.0 - one for one in short),
        metric=_CLAIM,
        device_ids=(device.device_id,),
        workouts=tuple(found),
        weight=0.7,
    )


def _compare_units(facts: Facts, device: DeviceFacts, *, pen: Pen) -> Iterator[Sentence]:
    """Compare a device with a second unit of its kind that was worn at once in another mode."""
    metric = facts.metrics.get(_RATE)
    own = facts.find_values(device.device_id, _RATE)
    if metric is None:
        return
    for other in facts.devices.values():
        if other.role != device.role or other.device_id == device.device_id:
            continue
        others = facts.find_values(other.device_id, _RATE)
        both = [one for one in own if one in others]
        for key, (first, second) in _find_contrasts(facts, device, other, both).items():
            here = statistics.median(own[one][0] for one in both)
            there = statistics.median(others[one][0] for one in both)
            more = tuple(float((own[one][0] > others[one][0]) == (here > there)) for one in both)
            n = len(both)
            yield Sentence(
                "battery",
                "count",
                f"With {key} {first} it used {pen.amount(here, metric)}, a unit worn beside it "
                f"with {second} {pen.amount(there, metric)} ({count(n, 'workout')}).",
                evidence="Two units at once, so that day, place and effort are the same; what is "
                "the unit cannot be told from what is the setting.",
                strength="few",
                tally=more,
                metric=_RATE,
                device_ids=(device.device_id, other.device_id),
                workouts=tuple(both),
                weight=1.6,
            )


def _find_contrasts(
    facts: Facts, device: DeviceFacts, other: DeviceFacts, workouts: list[str]
) -> dict[str, tuple[str, str]]:
    """Return the one setup key that differs between two units in all of `workouts`."""
    found = {}
    for (device_id, key), values in facts.setups.items():
        others = facts.setups.get((other.device_id, key), {})
        if device_id != device.device_id or key in READINGS or not workouts:
            continue
        pairs = {(values.get(one), others.get(one)) for one in workouts}
        if len(pairs) == 1:
            first, second = next(iter(pairs))
            if first is not None and second is not None and first != second:
                found[key] = first, second
    return found if len(found) == 1 else {}


def compare_days(facts: Facts, device: DeviceFacts, *, pen: Pen) -> Iterator[Sentence]:
    """Return what two conditions of one device on different days show, with what goes along."""
    for row in facts.verdicts:
        if row["device_id"] != device.device_id or row["family"] != "conditions":
            continue
        metric, worded = facts.metrics.get(row["metric"]), _WORDS.get(row["verdict"])
        if metric is None or worded is None or not row["n_workouts"]:
            continue
        key, _, values = row["against"].partition(": ")
        first, _, second = values.partition(" / ")
        phrase = find_phrase(metric)
        words = phrase.better if "better" in row["verdict"] else phrase.worse
        text = words.format(other="\0").replace(" than that of \0", "").replace(" than \0", "")
        along = _name_companions(facts, device, key)
        use, strength = worded
        yield Sentence(
            phrase.domain,
            use,  # type: ignore[arg-type]
            f"With {key} {first}, {text} than with {second}: by "
            f"{pen.amount(abs(row['estimate']), metric)} ({row['activity']}, "
            f"{row['n_workouts']} workouts).",
            evidence=f"Other days, so that all else that differed is in it{along}.",
            strength=strength,  # type: ignore[arg-type]
            metric=row["metric"],
            segment=PHRASES[row["metric"]].segment if row["metric"] in PHRASES else "all",
            device_ids=(device.device_id,),
            weight=0.6,
        )


def _name_companions(facts: Facts, device: DeviceFacts, key: str) -> str:
    """Say which other setup changed along with one key in all workouts of the device."""
    values = facts.setups.get((device.device_id, key), {})
    named = []
    for (device_id, other), found in facts.setups.items():
        if device_id != device.device_id or other == key or other in READINGS:
            continue
        both = [(values[one], found[one]) for one in values if one in found]
        if len({second for _, second in both}) > 1 and is_one_to_one(both):
            named.append(other)
    return f"; {' and '.join(named)} changed along with it" if named else ""


def is_one_to_one(pairs: list[tuple[str, str]]) -> bool:
    """Say whether each first value always goes with one second value, and the other way round."""
    distinct = set(pairs)
    firsts, seconds = {first for first, _ in distinct}, {second for _, second in distinct}
    return len(distinct) == len(firsts) == len(seconds)
