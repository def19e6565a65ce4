"""`methods.md`: how the numbers were made, to be pasted beside what is published."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Final

from tasks.answers.coverage import list_headline
from tasks.answers.facts import ALL
from tasks.answers.text import CAUTION, MEANINGS
from tasks.core.wording import count, join_words, name_unit, write_date

if TYPE_CHECKING:
    from collections.abc import Iterator

    import duckdb

    from config.settings import Settings
    from tasks.answers.facts import Facts

_ROLES: Final = {
    "test": "under test",
    "predecessor": "predecessor",
    "reference": "reference",
    "peer": "worn beside",
}
_DEFINITIONS: Final = """
SELECT metric, title, unit, definition, formula, source, version FROM metric_definitions
QUALIFY version = max(version) OVER (PARTITION BY metric)
"""
_STATISTICS: Final = {
    "Unit": (
        "one number for each workout and device; the workout is the unit of replication, never "
        "the second."
    ),
    "Differences": (
        "step-down maximum of self-normalised sums over all joint sign flips of whole workouts "
        "(Westfall and Young 1993; Romano and Wolf 2005, JASA 100:94), one family for the "
        "headline against the named opponent, with 5 % for the whole report; skewed metrics as "
        "logarithms."
    ),
    "Likeness": (
        "two one-sided t tests against the margin (Schuirmann 1987, J. Pharmacokin. Biopharm. "
        "15:657), after Holm 1979."
    ),
    "Leans": (
        "not shown: the question's own 98 % interval leaves zero out and the estimate is beyond "
        "the margin. Wrong for 6 to 10 in 100 where half of the questions have no difference, for "
        "26 to 39 in 100 where 80 % have none (simulated)."
    ),
    "Levels": "median over workouts; its interval from order statistics, from six workouts on.",
}


def write_methods(
    connection: duckdb.DuckDBPyConnection, facts: Facts, settings: Settings, *, version: str
) -> str:
    """Return the methods as Markdown, from the tables, the settings and the plan."""
    lines = [
        "# Methods",
        "",
        *_describe_workouts(facts),
        "",
        *_describe_references(facts, settings),
    ]
    lines += ["", *_describe_metrics(connection, facts), "", *_describe_statistics(facts)]
    lines += ["", *_describe_limits(facts), "", f"Computed with coworn {version}. {CAUTION}", ""]
    return "\n".join(lines)


def _describe_workouts(facts: Facts) -> Iterator[str]:
    yield "## Devices and workouts"
    yield ""
    for one in facts.devices.values():
        n = len(facts.list_worn(one.device_id))
        yield f"- {one.name}: {_ROLES.get(one.role, one.role)}, worn at the {one.site}, " + count(
            n, "workout"
        )
    if facts.workouts:
        every = list(facts.workouts.values())
        kinds = Counter(one.activity.replace("-", " ") for one in every)
        listed = join_words([f"{activity} {n}" for activity, n in kinds.most_common()])
        yield ""
        yield (
            f"{count(len(every), 'workout')} from {write_date(every[0].local_s)} to "
            f"{write_date(every[-1].local_s)}: {listed}."
        )


def _describe_references(facts: Facts, settings: Settings) -> Iterator[str]:
    """Say what is right by definition, and how recordings were brought onto one clock."""
    window_s = settings.heart_rate.beats_window_s
    yield "## References and clocks"
    yield ""
    named = [one.name for one in facts.devices.values() if one.role == "reference"]
    if named:
        yield f"- References: {join_words(named)}."
    yield (
        f"- The reference of heart rate is a strap's corrected beats in a centred window of "
        f"{window_s:g} s where it recorded them, else what it shows."
    )
    yield (
        "- Recordings of one workout are brought onto one clock by tracks, counters, speed or "
        "heart rate; an offset is applied only where it exceeds three of its standard errors. A "
        "delay of a sensor is not taken out: it is part of its error."
    )
    yield (
        "- Where no device is a reference and no truth was noted, devices are compared with each "
        "other, and that difference is called an error of none."
    )


def _describe_metrics(connection: duckdb.DuckDBPyConnection, facts: Facts) -> Iterator[str]:
    known = {row[0]: row[1:] for row in connection.execute(_DEFINITIONS).fetchall()}
    yield "## Metrics of the headline"
    yield ""
    for phrase in list_headline(facts):
        found = known.get(phrase.metric)
        if found is None:
            continue
        title, unit, definition, formula, source, version = found
        part = "" if phrase.segment == ALL else ", after the device had locked on"
        margin = facts.margins.get(phrase.metric)
        name = name_unit(unit, units="metric")
        within = f" Differences up to {margin:g} {name} do not matter." if margin else ""
        yield (
            f"- **{title}** [{name or 'count'}]{part}: {definition}. Formula: {formula}. Source: "
            f"{source}. Version {version}.{within}"
        )


def _describe_statistics(facts: Facts) -> Iterator[str]:
    yield "## Statistics"
    yield ""
    plan = facts.plan
    if plan is None:
        yield (
            "- No plan was made beforehand: a difference is claimed at odds of 1 in 100, at any "
            "number of workouts from 8 on."
        )
    else:
        names = join_words([facts.name(one) for one in plan.against])
        yield (
            f"- Planned on {write_date(plan.since_s)}: {facts.name(plan.device)} against {names}, "
            f"{count(plan.workouts, 'workout')}."
        )
    for title, text in _STATISTICS.items():
        yield f"- {title}: {text}"
    for word, meaning in MEANINGS:
        yield f"- *{word}*: {meaning}."


def _describe_limits(facts: Facts) -> Iterator[str]:
    yield "## What the numbers do not tell"
    yield ""
    yield "- One person wore the devices: other wrists, skins and gaits may differ."
    yield (
        "- Workouts that resemble their neighbours make claims too easy; where the order of the "
        "workouts shows a pattern, nothing is claimed."
    )
    if facts.excluded:
        yield f"- Set aside: {count(len(facts.excluded), 'item')}, listed in answers.md."
