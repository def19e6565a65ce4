"""A night that several clocks call for is done once."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from flows.runs.nightly import run_nightly
from flows.session.home import open_home
from flows.session.locks import hold_night_lock
from tasks.core.errors import StoreBusyError

if TYPE_CHECKING:
    from pathlib import Path

    from config.session import Session


@pytest.fixture
def session(tmp_path: Path) -> Session:
    (tmp_path / "coworn.toml").write_text("[run]\nlock_wait_s = 0.2\n[report]\nfigures = []\n")
    return open_home(tmp_path)


def test_a_second_clock_finds_the_night_done(session: Session) -> None:
    due = datetime.now(UTC) - timedelta(minutes=1)
    first = run_nightly(session, not_if_since=due)
    assert first is not None
    assert run_nightly(session, not_if_since=due) is None
    # The next night is another one, and who asks for one by hand gets it.
    assert run_nightly(session, not_if_since=datetime.now(UTC) + timedelta(hours=1)) is not None
    assert run_nightly(session, not_if_since=None) is not None
    assert len(list(session.home.backups.glob("store-*.duckdb"))) > 1


def test_a_clock_leaves_a_night_that_is_under_way_alone(session: Session) -> None:
    due = datetime.now(UTC) - timedelta(minutes=1)
    with hold_night_lock(session.home, wait_s=0.0):
        assert run_nightly(session, not_if_since=due) is None
        with pytest.raises(StoreBusyError, match="holds the night of"):
            run_nightly(session, not_if_since=None)
    assert run_nightly(session, not_if_since=due) is not None
