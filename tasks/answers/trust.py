"""What a reader must know of all answers: references, plan, what cannot be told apart."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Final

from tasks.answers.conditions import READINGS
from tasks.answers.facts import AFTER_LOCK, ALL, list_by_surroundings
from tasks.answers.phrases import PRIMARY
from tasks.answers.sentence import Sentence, begin, of
from tasks.core.wording import count, join_words, write_date

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from tasks.answers.facts import DeviceFacts, Facts, WorkoutFacts

_FEWEST_TO_CONFOUND: Final = 3


def describe_trust(
    facts: Facts, device: DeviceFacts, others: Sequence[DeviceFacts]
) -> Iterator[Sentence]:
    """Return the sentences that stand beside all answers of a device."""
    yield _describe_plan(facts, device)
    yield from _describe_references(facts, device)
    for other in others[:1]:
        yield from _describe_confounded(facts, device, other)
    yield from _describe_bound_to_place(facts, device)
    yield from _describe_excluded(facts)


def _beside(text: str, evidence: str = "") -> Sentence:
    return Sentence("", "beside", text, evidence=evidence)


def _describe_plan(facts: Facts, device: DeviceFacts) -> Sentence:
    plan = facts.plan
    n = len(facts.list_worn(device.device_id))
    if plan is not None and plan.device != device.device_id:
        return _beside(f"The plan is about {facts.name(plan.device)}: read this as so far.")
    if plan is None:
        return _beside(
            "No plan was made beforehand: read every answer as \N{LEFT DOUBLE QUOTATION MARK}so "
            "far\N{RIGHT DOUBLE QUOTATION MARK}.",
            "Without a plan a claim needs odds of 1 in 100 instead of 1 in 20, because you may "
            "look as often as you like; coworn plan says how to make one.",
        )
    first = min((one.start_s for one in facts.list_worn(device.device_id)), default=None)
    when = write_date(plan.since_s)
    if first is not None and plan.since_s > first:
        return _beside(
            f"The plan of {when} came after the first workout: read every answer as so far.",
            "A claim rests on a plan only if that came first.",
        )
    state = "reached" if n >= plan.workouts else "so far"
    return _beside(
        f"Planned on {when}, before the first workout: {count(plan.workouts, 'workout')}; "
        f"{of(n, plan.workouts)} {state}."
    )


def _describe_references(facts: Facts, device: DeviceFacts) -> Iterator[Sentence]:
    """Name what each domain was compared with, and in how many workouts."""
    parts = []
    for phrase in PRIMARY:
        found = facts.find_values(device.device_id, phrase.metric, phrase.segment)
        counted = Counter(reference for _, reference in found.values() if reference)
        if counted and phrase.segment in {ALL, AFTER_LOCK}:
            named = [f"{_name(facts, one)} ({n})" for one, n in counted.most_common()]
            parts.append((phrase.domain, join_words(named)))
    once = dict(reversed(parts))
    if once:
        listed = "; ".join(f"{domain.replace('_', ' ')}: {once[domain]}" for domain in dict(parts))
        yield _beside(f"Compared with: {listed}.", "Workouts in brackets.")


def _name(facts: Facts, reference: str) -> str:
    if reference == "truth":
        return "the notes"
    if reference.startswith("course:"):
        return f"the course {reference.removeprefix('course:')}"
    if reference == "consensus":
        return "the consensus of the others"
    device = facts.devices.get(reference)
    return reference if device is None else f"{device.name}, {device.site}"


def _describe_confounded(
    facts: Facts, device: DeviceFacts, other: DeviceFacts
) -> Iterator[Sentence]:
    """Name a setup that never changed on either device and differs between the two."""
    for (device_id, key), values in facts.setups.items():
        if device_id != device.device_id or key in READINGS or key == "firmware":
            continue
        others = facts.setups.get((other.device_id, key), {})
        own, theirs = Counter(values.values()), Counter(others.values())
        if len(own) == len(theirs) == 1 and own.keys() != theirs.keys():
            first, n_first = own.most_common(1)[0]
            second, n_second = theirs.most_common(1)[0]
            if min(n_first, n_second) >= _FEWEST_TO_CONFOUND:
                yield _beside(
                    f"{begin(key)} was {first} in {of(n_first, n_first)} for {device.name}, "
                    f"{second} in {of(n_second, n_second)} for {other.name}: what is the {key} "
                    "cannot be told from what is the device.",
                    "Swap them in half of the workouts to tell the two apart.",
                )


def _describe_bound_to_place(facts: Facts, device: DeviceFacts) -> Iterator[Sentence]:
    """Name a setup whose values never met in one kind of place."""
    workouts = facts.workouts
    for (device_id, key), values in facts.setups.items():
        if device_id != device.device_id or key in READINGS or len(set(values.values())) < 2:  # noqa: PLR2004
            continue
        where: dict[str, set[str]] = {}
        for workout_id, value in values.items():
            surroundings = workouts[workout_id].surroundings if workout_id in workouts else None
            if surroundings is not None:
                where.setdefault(value, set()).add(surroundings)
        bound = {value: next(iter(found)) for value, found in where.items() if len(found) == 1}
        if len(bound) > 1 and len(bound) == len(where) and len(set(bound.values())) > 1:
            listed = join_words([f"{value} only {place}" for value, place in sorted(bound.items())])
            yield _beside(
                f"{begin(key)} goes with the place: {listed}; what is the {key} cannot be told "
                "from what is the place."
            )


def _describe_excluded(facts: Facts) -> Iterator[Sentence]:
    for one in facts.excluded:
        workout = facts.workouts[one.workout_id]
        who = "all devices" if one.device_id is None else facts.name(one.device_id)
        what = f"{one.domain.replace('_', ' ')} of {who}" if one.domain else who
        part = "a part of " if one.is_partial else ""
        because = one.because.rstrip(".")
        yield _beside(f"Set aside: {what}, {part}{workout.title}, because {because}.")


def count_places(workouts: Sequence[WorkoutFacts]) -> dict[str, int]:
    """Return how many workouts were outdoors and indoors."""
    return dict(Counter(one.surroundings for one in workouts if one.surroundings))


__all__ = ["count_places", "describe_trust", "list_by_surroundings"]
