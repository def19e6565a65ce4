"""A device against another one: the headline by place, whether place matters, and the details."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

from tasks.core.registers import METRICS
from tasks.verdicts.asked import ALL, INDOORS, OUTDOORS, Question
from tasks.verdicts.families import describe_closed, judge_family, look_at_neighbours
from tasks.verdicts.marks import plan_looks
from tasks.verdicts.numbers import FEWEST_WORKOUTS
from tasks.verdicts.opponents import list_details, list_primaries
from tasks.verdicts.pairing import pair_devices
from tasks.verdicts.places import ask_about_place
from tasks.verdicts.rows import write_row
from tasks.verdicts.scales import is_failure
from tasks.verdicts.words import BETTER, WORSE, choose_word

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator, Mapping

    from config.verdicts import VerdictSettings
    from tasks.verdicts.asked import Evidence, Measure, Tested
    from tasks.verdicts.families import Neighbours
    from tasks.verdicts.marks import Looks
    from tasks.verdicts.numbers import Numbers
    from tasks.verdicts.opponents import Opposed

_CLOSED: Final = "asked only where a primary metric of its domain is shown"
_PLACE_MATTERS: Final = "place matters: see the places, not the whole"
_OTHER: Final = "not the opponent named beforehand: a mark of its own"
Row = dict[str, Any]


@dataclass(frozen=True)
class Pairing:
    """Two devices with everything that their questions share."""

    opposed: Opposed
    numbers: Numbers
    settings: VerdictSettings
    counts: Callable[[str], bool]

    def pair(self, question: Question, margin: float) -> Evidence:
        """Return what the workouts of both hold for a question."""
        return pair_devices(question, self.numbers, margin, counts=self.counts)

    def ask(self, measure: Measure, *, family: str, is_primary: bool) -> Question:
        """Return a question about all workouts of both."""
        one = self.opposed
        return Question(
            one.device_id,
            one.other_id,
            family,  # type: ignore[arg-type]
            measure,
            is_primary=is_primary,
            is_named=one.is_named,
        )


@dataclass(frozen=True)
class Examined:
    """What was found of two devices: tested questions, and rows of family `place`."""

    headline: list[Tested]
    places: list[Row]
    details: list[Tested]


def compare_devices(
    opposed: Opposed,
    numbers: Numbers,
    settings: VerdictSettings,
    *,
    earlier: Collection[int] = (),
) -> Iterator[Row]:
    """Return the rows about one device and one opponent; arguments as of `examine_devices`."""
    found = examine_devices(opposed, numbers, settings, earlier=earlier)
    yield from (write_row(one, power=settings.power) for one in found.headline)
    yield from found.places
    yield from (write_row(one, power=settings.power) for one in found.details)


def examine_devices(
    opposed: Opposed,
    numbers: Numbers,
    settings: VerdictSettings,
    *,
    earlier: Collection[int] = (),
    with_details: bool = True,
) -> Examined:
    """Test all questions about one device and one opponent.

    `earlier` holds the numbers of workouts at which earlier runs looked.
    """
    pairing = Pairing(opposed, numbers, settings, _limit_to_plan(opposed, numbers))
    headline = _gather_headline(pairing)
    if not headline:
        return Examined([], [], [])
    held = {workout_id for one in headline for workout_id in one.workouts}
    starts = [numbers.workouts[workout_id].start_utc for workout_id in held]
    n_earlier = len({n for n in earlier if n < len(held)})
    looks = plan_looks(opposed.plan, starts, n_earlier=n_earlier)
    if not opposed.is_named:
        looks = replace(looks, note="; ".join(part for part in (looks.note, _OTHER) if part))
    details = list(_gather_details(pairing))
    neighbours = look_at_neighbours([*headline, *details], numbers.workouts)
    tested = judge_family(headline, numbers.workouts, looks, neighbours=neighbours)
    placed, speaking = ask_about_place(
        headline, numbers.workouts, looks, may_speak=not neighbours.is_silent
    )
    tested = [_silence_whole(one, speaking) for one in tested]
    if not with_details:
        return Examined(tested, placed, [])
    judged = _judge_details(pairing, tested, details, looks, neighbours)
    return Examined(tested, placed, judged)


def _limit_to_plan(opposed: Opposed, numbers: Numbers) -> Callable[[str], bool]:
    """Return whether a workout counts: with a plan, those between its begin and end."""
    if opposed.plan is None:
        return lambda _: True
    begin, end = opposed.plan.plan.begin, opposed.plan.plan.end

    return lambda workout_id: numbers.workouts[workout_id].lies_within(begin, end)


def _gather_headline(pairing: Pairing) -> list[Evidence]:
    """Return the questions of the headline: each primary metric, in all places and in each."""
    found: list[Evidence] = []
    for measure, margin in list_primaries(pairing.settings, pairing.opposed.plan).items():
        role = pairing.numbers.roles.get(pairing.opposed.device_id)
        is_primary = role == "test" or pairing.opposed.plan is not None
        question = pairing.ask(measure, family="headline", is_primary=is_primary)
        whole = pairing.pair(question, margin)
        if whole.n < FEWEST_WORKOUTS:
            continue
        found.append(whole)
        if is_failure(measure.metric):
            continue
        found += _split_by_place(whole, pairing.numbers)
    return found


def _split_by_place(whole: Evidence, numbers: Numbers) -> Iterator[Evidence]:
    """Return the parts of it that lie outdoors and indoors, where not all of it does."""
    for place in (OUTDOORS, INDOORS):
        there = {one for one in whole.workouts if numbers.workouts[one].surroundings == place}
        if FEWEST_WORKOUTS <= len(there) < whole.n:
            yield whole.select(replace(whole.question, place=place), there)


def _silence_whole(tested: Tested, speaking: Collection[Measure]) -> Tested:
    question = tested.evidence.question
    if question.place != ALL or question.measure not in speaking:
        return tested
    return replace(tested, may_speak=False, notes=(*tested.notes, _PLACE_MATTERS))


def _judge_details(
    pairing: Pairing,
    headline: list[Tested],
    details: list[Evidence],
    looks: Looks,
    neighbours: Neighbours,
) -> list[Tested]:
    """Test all details of the open domains together; the others stand without a claim."""
    opened = _find_opened(headline)
    speaking: list[Evidence] = []
    closed: list[Evidence] = []
    parts = (
        *_split_details(details, opened, pairing.numbers),
        *_gather_activities(pairing, headline),
    )
    for one in parts:
        question = one.question
        domain = METRICS[question.measure.metric].domain
        is_open = question.place in opened.get(domain, set()) or (
            question.activity != ALL and domain in opened
        )
        (speaking if is_open else closed).append(one)
    workouts = pairing.numbers.workouts
    return [
        *judge_family(speaking, workouts, looks, neighbours=neighbours),
        *(describe_closed(one, looks, reason=_CLOSED) for one in closed),
    ]


def _find_opened(headline: list[Tested]) -> Mapping[str, set[str]]:
    """Return the places in which a primary metric of each domain is shown."""
    opened: dict[str, set[str]] = {}
    for one in headline:
        if choose_word(one) in {BETTER, WORSE}:
            question = one.evidence.question
            opened.setdefault(METRICS[question.measure.metric].domain, set()).add(question.place)
    return opened


def _gather_details(pairing: Pairing) -> Iterator[Evidence]:
    """Return every measure that is not of the headline, over all workouts."""
    primaries = list_primaries(pairing.settings, pairing.opposed.plan)
    for measure, margin in list_details(pairing.settings, primaries).items():
        question = pairing.ask(measure, family="details", is_primary=False)
        whole = pairing.pair(question, margin)
        if whole.n >= FEWEST_WORKOUTS:
            yield whole


def _split_details(
    details: list[Evidence], opened: Mapping[str, set[str]], numbers: Numbers
) -> Iterator[Evidence]:
    """Return the details, each followed by its places in which its domain is open."""
    for whole in details:
        yield whole
        places = opened.get(METRICS[whole.question.measure.metric].domain, set())
        for part in _split_by_place(whole, numbers):
            if part.question.place in places:
                yield part


def _gather_activities(pairing: Pairing, headline: list[Tested]) -> Iterator[Evidence]:
    """Return the primary metrics in each activity, of two and more workouts."""
    for tested in headline:
        whole = tested.evidence
        if whole.question.place != ALL or is_failure(whole.question.measure.metric):
            continue
        activities = {pairing.numbers.workouts[one].activity for one in whole.workouts}
        for activity in sorted(activities):
            there = {
                one for one in whole.workouts if pairing.numbers.workouts[one].activity == activity
            }
            if FEWEST_WORKOUTS <= len(there) < whole.n:
                asked = replace(
                    whole.question, family="details", activity=activity, is_primary=False
                )
                yield whole.select(asked, there)
