"""What several workouts together say of a device: better, worse, alike, unclear, or too few.

The workout is the unit of replication, never the second: each gives one number per device, that of
the whole workout. Of a metric whose best value is zero the size counts, not the sign. Three kinds
of question are asked:

* of a device under test against another device (`devices`): workouts that both recorded;
* of a device against a criterion (`criteria`): all its workouts;
* of a device in two conditions (`conditions`), e.g. two wrists, display modes or firmwares.

The questions about one device, one opponent and one activity are a family, for which p values and
proofs of equivalence are adjusted (`conclude`).

Beside the answers stand the levels of each device (`levels`), its limits of agreement
(`agreement`), and, where not every workout has both devices, a model of all of them (`models`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tasks.tables.tables import ANSWERS, LEVELS, LIMITS, VERDICTS, Table
from tasks.verdicts.agreement import find_limits
from tasks.verdicts.conclude import conclude
from tasks.verdicts.conditions import compare_conditions, read_conditions
from tasks.verdicts.criteria import hold_against_criteria
from tasks.verdicts.devices import compare_devices
from tasks.verdicts.levels import describe_levels
from tasks.verdicts.numbers import FEWEST_WORKOUTS, read_numbers
from tasks.verdicts.renewal import select_new, withdraw

if TYPE_CHECKING:
    import duckdb

    from config.verdicts import VerdictSettings
    from tasks.verdicts.conditions import Conditions
    from tasks.verdicts.numbers import Numbers

Row = dict[str, Any]

__all__ = ["judge", "look_across"]


def look_across(
    connection: duckdb.DuckDBPyConnection, settings: VerdictSettings
) -> list[tuple[Table, list[Row]]]:
    """Return the new rows of every table that is answered across workouts.

    `connection` is one of the store's, with its views. The rows lack their `run_id`; those that
    say what the table says already are left out.
    """
    numbers, conditions = read_numbers(connection, settings), read_conditions(connection)
    answered = {
        VERDICTS: _answer(numbers, conditions, settings),
        LEVELS: describe_levels(conditions, numbers, settings),
        LIMITS: find_limits(numbers),
    }
    return [(table, select_new(connection, table, answered[table])) for table in ANSWERS]


def judge(connection: duckdb.DuckDBPyConnection, settings: VerdictSettings) -> list[Row]:
    """Answer every question that the store holds workouts for; give rows of `verdicts`.

    `connection` is one of the store's, with its views. The rows lack their `run_id`. A question
    that was answered before and has no workouts any more is answered with none.
    """
    numbers, conditions = read_numbers(connection, settings), read_conditions(connection)
    rows = _answer(numbers, conditions, settings)
    return [*rows, *withdraw(connection, VERDICTS, rows)]


def _answer(numbers: Numbers, conditions: Conditions, settings: VerdictSettings) -> list[Row]:
    answers = (
        *compare_devices(numbers, settings),
        *hold_against_criteria(numbers, settings),
        *compare_conditions(conditions, numbers, settings),
    )
    enough = [answer for answer in answers if answer.n_workouts >= FEWEST_WORKOUTS]
    return conclude(enough, power=settings.power)
