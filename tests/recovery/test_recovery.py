"""What is put into recordings on purpose comes back through the whole line, from bytes."""

import pytest

from tasks.core.discovery import load_metrics
from tasks.core.registers import FINDING_KINDS, METRICS
from tests.recovery.recover import (
    FIRST_SEED,
    SCENARIOS,
    Recovered,
    count_seeds,
    exists,
    recover_all,
)

# All seeds run in one fixture: the twenty of the full statistics take minutes.
pytestmark = pytest.mark.timeout(1800)

# Metrics whose truth cannot be stated by a simulator, and why.
NOT_RECOVERED: dict[str, str] = {}


@pytest.fixture(scope="module")
def recovered() -> list[Recovered]:
    return recover_all(list(SCENARIOS), count_seeds())


@pytest.mark.parametrize("scenario", SCENARIOS)
def test_what_was_put_in_comes_back(scenario: str, recovered: list[Recovered]) -> None:
    rows = [
        row for row in recovered if row.scenario == scenario and exists(row.expectation.quantity)
    ]
    wrong = [describe(row) for row in rows if not row.is_right]
    assert rows
    assert wrong == []


def test_every_seed_was_run(recovered: list[Recovered]) -> None:
    assert len({row.seed for row in recovered}) == count_seeds()
    assert count_seeds() >= 2


def test_every_metric_and_finding_is_put_to_the_test() -> None:
    load_metrics()
    tested = {
        expected.quantity.partition(":")[2] or expected.quantity
        for scenario in SCENARIOS.values()
        for expected in scenario.prepare(FIRST_SEED).expectations
    }
    known = {*METRICS, *FINDING_KINDS}
    assert known - tested - set(NOT_RECOVERED) == set()
    assert set(NOT_RECOVERED) & tested == set()


def describe(row: Recovered) -> str:
    expected = row.expectation
    value = row.reason if row.value is None else f"{row.value:.6g}"
    return (
        f"seed {row.seed}, {expected.device_id}, {expected.quantity} ({expected.segment}): "
        f"true {expected.true:.6g} +- {expected.tolerance:.3g} ({expected.why}), came back {value}"
    )
