"""The first page: the answers, then workouts and devices, what waits and what was refused."""

from __future__ import annotations

import html
import re
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from markupsafe import Markup

from tasks.answers import read_answer_facts
from tasks.core.wording import count
from tasks.report import read
from tasks.report.answers import list_answered, view_answers
from tasks.report.listed import MONTHS, NEWEST, SHOWN, list_workouts, sort_newest
from tasks.report.minutes import enlarge_minutes
from tasks.report.pages import render

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    import duckdb

    from config.settings import Settings
    from tasks.answers import Facts
    from tasks.report.facts import Definition, DeviceFacts, WorkoutFacts
    from tasks.report.listed import Month

#: What a page, and its answers, may lag behind before a drop makes them anew: this share.
NEWER_SHARE: Final = 0.01
_KEPT: Final = re.compile(
    r"<!-- answers (?P<key>[0-9a-f]+) (?P<n>\d+) -->(?P<text>.*?)<!-- end of answers -->", re.DOTALL
)
_TITLE: Final = re.compile(r"<title>(?P<title>.*?) \N{EN DASH} coworn</title>")


@dataclass(frozen=True)
class DeviceRow:
    """One device of the index."""

    device: DeviceFacts
    workouts: int
    findings: int


@dataclass(frozen=True)
class KeptAnswers:
    """The part of an earlier first page that answers, with the title that it gave."""

    key: str
    n_workouts: int
    title: str
    text: str


def keep_answers(page: str, *, key: str, n_workouts: int) -> KeptAnswers | None:
    """Return the answers of an earlier first page while they may stay, else None.

    They may while all that they depend on beside the workouts has the same `key` and less than a
    hundredth of the workouts is newer. To answer takes time that grows with their number.
    """
    found, title = _KEPT.search(page), _TITLE.search(page)
    if found is None or title is None or found["key"] != key:
        return None
    if is_outdated(int(found["n"]), n_workouts):
        return None
    return KeptAnswers(key, int(found["n"]), html.unescape(title["title"]), found["text"])


def is_outdated(n_before: int, n_now: int) -> bool:
    """Say whether what was made of `n_before` workouts is too old for `n_now`.

    With fewer than a hundred it always is: one may have changed without a new one.
    """
    return n_now * NEWER_SHARE < 1 or abs(n_now - n_before) >= NEWER_SHARE * n_now


def render_index(
    connection: duckdb.DuckDBPyConnection,
    *,
    workouts: Mapping[str, WorkoutFacts],
    devices: Mapping[str, DeviceFacts],
    definitions: Mapping[str, Definition],
    settings: Settings,
    waiting: Sequence[str] | None,
    months: Sequence[Month] = (),
    key: str = "",
    kept: KeptAnswers | None = None,
    with_minutes: bool = True,
) -> str:
    """Return the index; `waiting` are names in the inbox, None leaves waiting and refused out.

    `months` are the pages of older workouts; `kept` answers stay, others are marked with `key`.
    `with_minutes` shows the worst and the typical minutes of each device.
    """
    order = sorted(devices.values(), key=lambda one: (read.order_role(one.role), one.device_id))
    worn = Counter(name for one in workouts.values() for name in one.device_ids)
    found = read.sum_findings(connection)
    newest = sort_newest(workouts)[:NEWEST]
    answers = (
        _answer(connection, settings, with_minutes=with_minutes)
        if kept is None
        else {"title": kept.title, "answers": (), "hints": (), "kept": Markup(kept.text)}  # noqa: S704 - our own page's
    )
    return render(
        "index.html.j2",
        units=settings.report.units,
        root="",
        **answers,
        answers_mark=f"{kept.key} {kept.n_workouts}" if kept else f"{key} {len(workouts)}",
        listed=list_workouts(connection, newest, devices=devices),
        months=months,
        months_folder=MONTHS,
        device_rows=[
            DeviceRow(one, worn[one.device_id], found.get(one.device_id, 0)) for one in order
        ],
        lead=f"{count(len(workouts), 'workout')}, {count(len(devices), 'device')}.",
        waiting=waiting,
        refused=read.read_refused(connection),
        definitions=[definitions[SHOWN]] if SHOWN in definitions else [],
    )


def _answer(
    connection: duckdb.DuckDBPyConnection, settings: Settings, *, with_minutes: bool
) -> dict[str, Any]:
    facts = read_answer_facts(connection, settings)
    views = [
        view_answers(
            facts,
            one,
            units=settings.report.units,
            minutes=enlarge_minutes(connection, facts, one) if with_minutes else (),
        )
        for one in list_answered(facts)
    ]
    return {
        "title": _write_title(facts, views[0].device.name if views else None),
        "answers": views,
        "hints": tuple(_list_hints(facts, bool(views))),
        "kept": None,
    }


def _write_title(facts: Facts, name: str | None) -> str:
    if name is None:
        return "Workouts and devices"
    first = facts.list_tested()[0]
    n = len(facts.list_worn(first.device_id))
    return f"What {count(n, 'workout')} let you write about {name}"


def _list_hints(facts: Facts, has_answers: bool) -> Iterator[str]:  # noqa: FBT001 - one caller
    """Say what is missing before anything can be answered, and how to add it."""
    if not facts.workouts or has_answers:
        return
    for one in facts.list_tested():
        worn = count(len(facts.list_worn(one.device_id)), "workout")
        yield f"{one.name} was worn in {worn}: answers begin with the second one."
    if not facts.list_tested():
        yield (
            "No device is under test yet, so nothing is answered: name one in devices.toml with "
            'role = "test" (coworn devices prints what to paste).'
        )
    if not any(one.role == "reference" for one in facts.devices.values()):
        yield "No reference is named: devices are compared with each other, which is no error."
