"""`coworn metrics` lists the catalogue, or shows one metric in full."""

from __future__ import annotations

import pytest

from flows.commands.declare import Options
from flows.commands.metrics import metrics
from tasks.core.discovery import load_metrics
from tasks.core.errors import UsageError
from tasks.core.registers import METRICS


def test_the_catalogue_holds_every_metric(capsys: pytest.CaptureFixture[str]) -> None:
    load_metrics()
    assert metrics(Options()) == 0
    lines = capsys.readouterr().out.splitlines()
    heads = {line.split()[0] for line in lines if line and not line.startswith(" ")}
    assert heads == set(METRICS)


def test_one_metric_is_shown_in_full(capsys: pytest.CaptureFixture[str]) -> None:
    assert metrics(Options(), "hr_mae_bpm") == 0
    shown = capsys.readouterr().out
    assert METRICS["hr_mae_bpm"].formula in shown
    assert "needs: heart_rate" in shown
    assert "better: lower" in shown


def test_an_unknown_metric_is_a_usage_error() -> None:
    with pytest.raises(UsageError, match="no such metric"):
        metrics(Options(), "nosuch")
