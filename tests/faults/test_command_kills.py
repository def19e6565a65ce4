"""The real commands, killed at any moment, lose nothing and leave nobody behind."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.faults import command_kills

if TYPE_CHECKING:
    from pathlib import Path

N_KILLS = 3
#: Draws three commands in one home, and no kill that must be counted out first.
SEED = 163


@pytest.mark.full
def test_killed_commands_lose_nothing_and_their_servers_end(tmp_path: Path) -> None:
    tally = command_kills.kill_many(tmp_path, n_kills=N_KILLS, seed=SEED)
    assert tally.broken == []
    assert tally.n_kills >= N_KILLS
