"""Every printed interval of one workout was measured, and kept what it promises."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest

from tasks.core.discovery import load_metrics
from tasks.core.registers import METRICS
from tests.benchmarks.coverage import RECORD, SECONDS, Cell
from tests.benchmarks.coverage_delays import measure_delay_cells
from tests.benchmarks.coverage_families import FAMILIES, make_normal

if TYPE_CHECKING:
    from collections.abc import Mapping

KEPT: Mapping[str, Any] = json.loads(RECORD.read_text(encoding="utf-8"))
#: Bounds of what rounding or a stated tolerance may do: they hold always.
BOUNDS = {
    "battery_projected_h",
    "battery_rate_difference_pct_per_h",
    "battery_rate_pct_per_h",
    "battery_vs_claim_pct",
    "indoor_calibration_factor",
    "indoor_distance_error_pct",
    "start_credit_pct",
}
#: Computed by the function of a measured one, from other errors.
ALIKE = {"hr_mae_without_lag_bpm", "speed_bias_mps", "speed_mae_mps"}


def test_every_metric_with_an_interval_was_measured_or_has_bounds() -> None:
    load_metrics()
    measured = {metric for part in KEPT.values() for metric in part["versions"]}
    assert {name for name, one in METRICS.items() if one.has_interval} == measured | BOUNDS | ALIKE


@pytest.mark.parametrize("part", KEPT)
def test_what_was_measured_keeps_the_promise(part: str) -> None:
    """Every kind of error at 20 min, 1 h and 2 h, from at least 100 workouts each."""
    cells = [Cell(*values) for values in KEPT[part]["cells"]]
    assert {(one.family, one.n_seconds) for one in cells} == {
        (family.name, n_seconds) for family in FAMILIES for n_seconds in SECONDS
    }
    assert min(one.n_runs for one in cells) >= 100
    assert [(one, fault) for one in cells for fault in one.find_faults()] == []
    assert sum(one.n_given for one in cells) > 1000


def test_an_interval_that_misses_too_often_or_is_too_wide_is_a_fault() -> None:
    faults = {
        (1000, 850): "85.0 % hold the truth",
        (1000, 1000): "100.0 % hold the truth",
        (80, 0): "8.0 % of all workouts have one that misses",
    }
    for (n_given, n_held), fault in faults.items():
        cell = Cell("hr_bias_bpm", "any", 3600, 1000, n_given, n_held, 1.2)
        assert fault in list(cell.find_faults())
    wide = Cell("hr_bias_bpm", "any", 3600, 1000, 1000, 950, 3.4)
    assert list(wide.find_faults()) == ["3.4 times as wide as needed"]


def test_delays_of_twenty_minutes_have_no_interval() -> None:
    for cell in measure_delay_cells(make_normal(0.9), 1200, 4):
        assert cell.n_given == 0, cell
