"""Every question that the store holds workouts for, answered: rows of the answers' tables."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tasks.tables.tables import ANSWERS, LEVELS, LIMITS, VERDICTS, Table
from tasks.verdicts.agreement import find_limits
from tasks.verdicts.conditions import compare_conditions, read_conditions
from tasks.verdicts.criteria import hold_against_criteria
from tasks.verdicts.devices import compare_devices
from tasks.verdicts.levels import describe_levels
from tasks.verdicts.numbers import read_numbers
from tasks.verdicts.opponents import list_opponents
from tasks.verdicts.renewal import read_earlier, select_new, withdraw
from tasks.verdicts.rows import write_row

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    import duckdb

    from config.plan import DatedPlan
    from config.verdicts import VerdictSettings
    from tasks.verdicts.conditions import Conditions
    from tasks.verdicts.numbers import Numbers

Row = dict[str, Any]

__all__ = ["judge", "look_across"]


def look_across(
    connection: duckdb.DuckDBPyConnection,
    settings: VerdictSettings,
    plan: DatedPlan | None = None,
    *,
    devices: Collection[str] | None = None,
) -> list[tuple[Table, list[Row]]]:
    """Return the new rows of every table that is answered across workouts.

    `connection` is one of the store's, with its views. The rows lack their `run_id`; those that
    say what the table says already are left out. With `devices` only questions are answered that
    one of these devices is part of: those of the workouts that changed.
    """
    numbers = read_numbers(connection, settings, plan)
    conditions = read_conditions(connection)
    earlier = read_earlier(connection)
    answered = {
        VERDICTS: _answer(numbers, conditions, settings, plan, earlier, only=devices),
        LEVELS: describe_levels(conditions, numbers, settings, only=devices),
        LIMITS: find_limits(numbers, only=devices),
    }
    return [
        (table, select_new(connection, table, answered[table], only=devices)) for table in ANSWERS
    ]


def judge(
    connection: duckdb.DuckDBPyConnection,
    settings: VerdictSettings,
    plan: DatedPlan | None = None,
) -> list[Row]:
    """Answer every question that the store holds workouts for; return rows of `verdicts`.

    `connection` is one of the store's, with its views. The rows lack their `run_id`. A question
    that was answered before and has no workouts any more is answered with none.
    """
    numbers = read_numbers(connection, settings, plan)
    rows = _answer(
        numbers, read_conditions(connection), settings, plan, read_earlier(connection), only=None
    )
    return [*rows, *withdraw(connection, VERDICTS, rows)]


def _answer(
    numbers: Numbers,
    conditions: Conditions,
    settings: VerdictSettings,
    plan: DatedPlan | None,
    earlier: Mapping[tuple[str, str], Collection[int]],
    *,
    only: Collection[str] | None,
) -> list[Row]:
    rows: list[Row] = []
    for opposed in list_opponents(numbers, plan):
        pair = opposed.device_id, opposed.other_id
        if only is None or not set(pair).isdisjoint(only):
            rows += compare_devices(opposed, numbers, settings, earlier=earlier.get(pair, ()))
    for tested in hold_against_criteria(numbers, settings, plan, only=only):
        rows.append(write_row(tested, power=settings.power))
    rows += compare_conditions(conditions, numbers, settings, plan, only=only)
    return rows
