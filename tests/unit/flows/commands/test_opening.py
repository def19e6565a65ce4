"""Runs are the same work with and without Prefect."""

from __future__ import annotations

import inspect

import pytest

from flows.commands.opening import load_flow
from flows.runs.drop import run_drop
from flows.runs.nightly import run_nightly
from flows.runs.rebuild import run_rebuild, run_restore


@pytest.mark.parametrize("run", [run_drop, run_nightly, run_rebuild, run_restore])
def test_every_run_is_also_a_flow_with_the_same_parameters(run: object) -> None:
    assert callable(run)
    flow, _ = load_flow(run)
    assert type(flow).__name__ == "Flow"
    # What was taken in already is only known where no server is named.
    own = set(inspect.signature(run).parameters) - {"session", "taken"}
    assert set(inspect.signature(flow).parameters) - {"home"} == own
    assert f"run_{flow.name}" == run.__name__  # type: ignore[attr-defined]
