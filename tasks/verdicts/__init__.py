"""What several workouts together say of a device: better, worse, alike, unclear, or too few.

The workout is the unit of replication, never the second: each gives one number per device, that of
the whole workout. Of a metric whose best value is zero the size counts, not the sign. Three kinds
of question are asked:

* of a device under test against another device (`devices`): workouts that both recorded;
* of a device against a criterion (`criteria`): all its workouts;
* of a device in two conditions (`conditions`), e.g. two wrists, display modes or firmwares.

The questions about one device, one opponent and one activity are a family, for which p values and
proofs of equivalence are adjusted (`conclude`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tasks.verdicts.conclude import conclude, withdraw
from tasks.verdicts.conditions import compare_conditions
from tasks.verdicts.criteria import hold_against_criteria
from tasks.verdicts.devices import compare_devices
from tasks.verdicts.numbers import FEWEST_WORKOUTS, read_numbers

if TYPE_CHECKING:
    import duckdb

    from config.verdicts import VerdictSettings

__all__ = ["judge"]


def judge(connection: duckdb.DuckDBPyConnection, settings: VerdictSettings) -> list[dict[str, Any]]:
    """Answer every question that the store holds workouts for; give rows of `verdicts`.

    `connection` is one of the store's, with its views. The rows lack their `run_id`. A question
    that was answered before and has no workouts any more is answered with none.
    """
    numbers = read_numbers(connection, settings)
    answers = [
        answer
        for answer in (
            *compare_devices(numbers, settings),
            *hold_against_criteria(numbers, settings),
            *compare_conditions(connection, numbers, settings),
        )
        if answer.n_workouts >= FEWEST_WORKOUTS
    ]
    rows = conclude(answers, power=settings.power)
    return [*rows, *withdraw(connection, {answer.question for answer in answers})]
