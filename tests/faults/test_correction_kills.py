"""Corrections that are killed lose nothing and leave nothing half (short run)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.faults import correction_kills
from tests.tiers import choose

if TYPE_CHECKING:
    from pathlib import Path


def test_killed_corrections_are_done_or_not_begun(tmp_path: Path) -> None:
    n_kills = choose(short=2, full=42)
    tally = correction_kills.kill_many(tmp_path, n_kills=n_kills, seed=7)
    assert tally.broken == []
    assert tally.n_kills >= n_kills
