"""Corrections that are killed lose nothing and leave nothing half."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.faults import correction_kills

if TYPE_CHECKING:
    from pathlib import Path

N_KILLS = 42


@pytest.mark.full
def test_killed_corrections_are_done_or_not_begun(tmp_path: Path) -> None:
    tally = correction_kills.kill_many(tmp_path, n_kills=N_KILLS, seed=7)
    assert tally.broken == []
    assert tally.n_kills >= N_KILLS
