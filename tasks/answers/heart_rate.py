"""Where heart rate went wrong: causes, effort, and the limits that somebody set."""

from __future__ import annotations

import statistics
from typing import TYPE_CHECKING, Final

from tasks.answers.facts import ALL, CRITERION
from tasks.answers.sentence import NO_BREAK, Sentence, begin, of
from tasks.answers.within import FEWEST_WORKOUTS, compare_parts
from tasks.core.wording import count, join_words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tasks.answers.facts import DeviceFacts, Facts
    from tasks.answers.sentence import Pen

_DOMAIN: Final = "heart_rate"
#: The causes of seconds that are far off, in words. Each second has one, the first that fits.
CAUSES: Final = {
    "hr_why_before_lock_pct": "came before it had locked on",
    "hr_why_near_cadence_pct": "lay near the cadence",
    "hr_why_cold_start_pct": "came in the first minutes",
    "hr_why_after_pause_pct": "came after a pause",
    "hr_why_changing_effort_pct": "came while effort changed",
    "hr_why_low_coverage_pct": "came in patchy stretches",
    "hr_why_doubtful_reference_pct": "came where the reference is in doubt",
    "hr_why_unexplained_pct": "is unexplained",
}
_UNEXPLAINED: Final = "hr_why_unexplained_pct"
#: Causes below this share of the time that is far off are not worth a clause [%].
_LEAST_SHARE_PCT: Final = 5.0
_MINUTE_S: Final = 60.0
#: Below this there is not much to explain [min].
_LEAST_MINUTES: Final = 1.0
_MOST_CAUSES: Final = 3

_LOCK: Final = "hr_lock_s"
_TEMPERATURE: Final = "hr_start_temperature_degc"


def describe_heart_rate(facts: Facts, device: DeviceFacts, *, pen: Pen) -> Iterator[Sentence]:
    """Return the sentences on where and when heart rate was wrong, and on limits it keeps."""
    yield from explain_errors(facts, device)
    yield from describe_cadence(facts, device)
    yield from describe_cold(facts, device, pen=pen)
    yield from compare_parts(facts, device, pen=pen)
    yield from meet_criteria(facts, device, pen=pen)


def explain_errors(facts: Facts, device: DeviceFacts) -> Iterator[Sentence]:
    """Return which share of the seconds that are far off has which cause, over all workouts."""
    seconds: dict[str, float] = {}
    counted: dict[str, int] = {}
    for metric in CAUSES:
        for workout_id, (share_pct, n) in facts.find_shares(device.device_id, metric).items():
            seconds[metric] = seconds.get(metric, 0.0) + share_pct * n / 100.0
            counted[workout_id] = max(counted.get(workout_id, 0), n)
    total = float(sum(counted.values()))
    if total < _LEAST_MINUTES * _MINUTE_S:
        return
    shares = sorted(
        ((100.0 * spent / total, metric) for metric, spent in seconds.items()), reverse=True
    )
    largest = [one for one in shares if one[0] >= _LEAST_SHARE_PCT][:_MOST_CAUSES]
    clauses = [f"{share:.0f}{NO_BREAK}% {CAUSES[metric]}" for share, metric in largest]
    if not clauses:
        return
    minutes = total / _MINUTE_S
    yield Sentence(
        _DOMAIN,
        "count",
        f"Of {count(round(minutes), 'minute')} that were far off, {join_words(clauses)}.",
        evidence="Seconds beyond the limit of a biased stretch, in "
        f"{count(len(counted), 'workout')}. Each second has one cause, the first that fits; a "
        "cause is a coincidence in time and no proof.",
        strength="level",
        metric=largest[0][1],
        device_ids=(device.device_id,),
        workouts=tuple(counted),
        weight=1.2,
    )


def describe_cadence(facts: Facts, device: DeviceFacts) -> Iterator[Sentence]:
    """Return in how many workouts heart rate followed the cadence, and for how long."""
    found = [
        one for one in facts.occurrences.get(device.device_id, ()) if one.kind == "cadence_lock"
    ]
    measured = facts.find_values(device.device_id, "hr_cadence_lock_s")
    if not found or not measured:
        return
    seconds = sum(one.seconds for one in found)
    spans = sum(one.count for one in found)
    places = sorted({facts.workouts[one.workout_id].title for one in found})
    where = f" ({places[0]})" if len(places) == 1 else ""
    times = {1: "once", 2: "twice"}.get(spans, f"{spans} times")
    yield Sentence(
        _DOMAIN,
        "count",
        f"It followed the cadence instead of the heart in {of(len(found), len(measured))} "
        f"workouts with a cadence: {times}, {seconds / _MINUTE_S:.0f} minutes in all{where}"
        f"{_describe_descent(facts, device)}.",
        evidence="Stretches in which heart rate stayed near one or two times the cadence and far "
        "from the reference.",
        strength="level",
        tally=tuple(float(one in {each.workout_id for each in found}) for one in measured),
        metric="hr_cadence_lock_s",
        device_ids=(device.device_id,),
        workouts=tuple(measured),
        weight=1.8,
    )


def _describe_descent(facts: Facts, device: DeviceFacts) -> str:
    """Say how much of the cadence lock was downhill; nothing where that is not known."""
    found = facts.find_shares(device.device_id, "hr_cadence_descent_pct")
    total = sum(n for _, n in found.values())
    if not total:
        return ""
    share = sum(value * n for value, n in found.values()) / total
    return f", {share:.0f}{NO_BREAK}% of it downhill"


def describe_cold(facts: Facts, device: DeviceFacts, *, pen: Pen) -> Iterator[Sentence]:
    """Return how long it took to lock in the cold and in the warm, where both were."""
    lock, warmth = facts.metrics.get(_LOCK), facts.metrics.get(_TEMPERATURE)
    locks = facts.find_values(device.device_id, _LOCK)
    starts = facts.find_values(device.device_id, _TEMPERATURE)
    both = [one for one in locks if one in starts]
    cold = [one for one in both if starts[one][0] < facts.cold_degc]
    warm = [one for one in both if one not in cold]
    if lock is None or warmth is None or min(len(cold), len(warm)) < FEWEST_WORKOUTS:
        return
    here = statistics.median(locks[one][0] for one in cold)
    there = statistics.median(locks[one][0] for one in warm)
    if abs(here - there) <= facts.margins.get(_LOCK, 0.0):
        return
    places = (
        {facts.workouts[one].surroundings for one in cold},
        {facts.workouts[one].surroundings for one in warm},
    )
    alike = (
        " What is the cold cannot be told from what is the place."
        if not (places[0] & places[1])
        else ""
    )
    below = f"{facts.cold_degc:g}{NO_BREAK}\N{DEGREE SIGN}C"
    yield Sentence(
        _DOMAIN,
        "count",
        f"Below {below} at the start it locked after {pen.amount(here, lock)} "
        f"({count(len(cold), 'workout')}), else after {pen.amount(there, lock)} ({len(warm)}).",
        evidence="Medians; the limit is that of the settings, heart_rate.cold_degc, fixed "
        f"beforehand.{alike}",
        strength="level",
        metric=_LOCK,
        device_ids=(device.device_id,),
        workouts=tuple(both),
        weight=1.7,
    )


def meet_criteria(facts: Facts, device: DeviceFacts, *, pen: Pen) -> Iterator[Sentence]:
    """Return the limits of the settings that a device is shown to keep or to miss."""
    for row in facts.verdicts:
        is_asked = (
            row["device_id"] == device.device_id
            and row["against"] == CRITERION
            and row["activity"] == ALL
            and row["place"] == ALL
            and row["verdict"] in {"better", "worse"}
        )
        metric, limit = facts.metrics.get(row["metric"]), facts.limits.get(row["metric"])
        level = row["level"]
        if not is_asked or metric is None or limit is None or level is None:
            continue
        side, amount, source = limit
        keeps = "within" if row["verdict"] == "better" else "beyond"
        yield Sentence(
            row["domain"] or _DOMAIN,
            "write",
            f"{begin(metric.title)} was {pen.amount(level, metric)} (median of "
            f"{count(row['n_workouts'], 'workout')}), {keeps} the limit of {side} "
            f"{pen.amount(amount, metric)}.",
            evidence=f"The limit is set by: {source}.",
            strength="shown",
            metric=row["metric"],
            device_ids=(device.device_id,),
            weight=0.8,
        )
