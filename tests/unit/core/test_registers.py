"""Registers: one entry per name, filled by importing the packages."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from tasks.core.discovery import load_metrics, load_readers
from tasks.core.registers import (
    FINDING_KINDS,
    METRICS,
    READERS,
    SCOPES,
    Value,
    finding,
    metric,
    reader,
    scope,
    unknown,
)

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.fixture(autouse=True)
def clean_registers() -> Iterator[None]:
    load_readers()
    load_metrics()
    registers: tuple[dict[str, Any], ...] = (READERS, METRICS, FINDING_KINDS, SCOPES)
    before = [dict(register) for register in registers]
    yield
    for register, entries in zip(registers, before, strict=True):
        register.clear()
        register.update(entries)


def test_a_second_reader_of_a_format_is_refused() -> None:
    add = reader(
        "invented", suffixes=(".x",), sniff=bool, is_complete=lambda _: True, source="invented"
    )
    add(lambda _export, _options: ())
    with pytest.raises(ValueError, match="reader 'invented' is registered twice"):
        add(lambda _export, _options: ())


def test_a_metric_is_registered_under_the_name_of_its_function() -> None:
    add = metric(
        "heart_rate",
        title="Invented",
        unit="bpm",
        definition="A number.",
        formula="1",
        better="none",
        source="invented",
        examples=(),
        version=3,
    )

    def invented_bpm(_case: object) -> Value:
        return Value(1.0)

    assert add(invented_bpm) is invented_bpm
    assert METRICS["invented_bpm"].version == 3
    with pytest.raises(ValueError, match="metric 'invented_bpm' is registered twice"):
        add(invented_bpm)


def test_a_second_detector_of_a_kind_is_refused() -> None:
    add = finding(
        "invented", domain="track", title="Invented", unit="m", definition="A.", source="invented"
    )
    add(lambda _case: [])
    with pytest.raises(ValueError, match="finding 'invented' is registered twice"):
        add(lambda _case: [])


def test_an_unknown_value_carries_its_reason_and_no_number() -> None:
    value = unknown("too short", n=4, coverage=0.5)
    assert (value.value, value.reason, value.n, value.coverage) == (None, "too short", 4, 0.5)


def test_discovery_fills_the_registers_once() -> None:
    n_readers, n_metrics = len(READERS), len(METRICS)
    load_readers()
    load_metrics()
    assert (len(READERS), len(METRICS)) == (n_readers, n_metrics)
    assert n_readers


def test_a_second_scope_of_a_domain_is_refused() -> None:
    with pytest.raises(ValueError, match="'swimming' is registered twice"):
        scope("swimming")(bool)
