"""What every registered metric must hold to; no metric is named here."""

from __future__ import annotations

import pytest

from tasks.core.discovery import load_metrics
from tasks.core.registers import METRICS, Example, Metric, Value
from tasks.workout.case import make_example

load_metrics()
EXAMPLES = [
    pytest.param(metric, example, id=f"{metric.id}-{number}")
    for metric in METRICS.values()
    for number, example in enumerate(metric.examples)
]
ENDINGS = {
    "bpm": "bpm",
    "%": "pct",
    "s": "s",
    "m": "m",
    "m/s": "mps",
    "m/h": "m_per_h",
    "%/h": "pct_per_h",
    "h": "h",
}


@pytest.mark.parametrize(("metric", "example"), EXAMPLES)
def test_worked_example_gives_its_value(metric: Metric, example: Example) -> None:
    found = metric.compute(make_example(**example.inputs))
    assert isinstance(found, Value)
    if example.expected is None:
        assert found.value is None
        assert found.reason
    else:
        assert found.value == pytest.approx(example.expected, abs=example.tolerance)


@pytest.mark.parametrize("metric", METRICS.values(), ids=lambda metric: metric.id)
def test_metric_has_a_full_catalogue_entry(metric: Metric) -> None:
    assert metric.version >= 1
    assert metric.examples, "a metric carries at least one worked example"
    assert all(example.source for example in metric.examples)
    for text in (metric.title, metric.definition, metric.formula, metric.source):
        assert text.strip()
        assert "\n" not in text
    assert not metric.definition.endswith(".")


@pytest.mark.parametrize("metric", METRICS.values(), ids=lambda metric: metric.id)
def test_unit_stands_at_the_end_of_the_id(metric: Metric) -> None:
    ending = ENDINGS.get(metric.unit)
    if ending is not None:
        assert metric.id.endswith(f"_{ending}")


@pytest.mark.parametrize("metric", METRICS.values(), ids=lambda metric: metric.id)
def test_metric_of_nothing_declines_with_a_reason(metric: Metric) -> None:
    """All values missing on both sides: null and a reason, never 0 and never an exception."""
    missing = {"heart_rate_bpm": [None, None, None]}
    found = metric.compute(make_example(test=missing, reference=missing))
    if found.value is None:
        assert found.reason
    else:
        # Counts and durations may be 0 or more where nothing was recorded.
        assert found.value >= 0
