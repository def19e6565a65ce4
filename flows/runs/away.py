"""A backup in another place: a fresh copy of store and ledger, then all that is new."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tasks import steps
from tasks.archive.away import back_up_away
from tasks.archive.ledger import LAST_AWAY, Ledger

if TYPE_CHECKING:
    from datetime import datetime

    from config.session import Session
    from tasks.archive.away import Away


def run_backup(session: Session, to: str, *, now: datetime, deep: bool = False) -> Away:
    """Back up into `backups/`, then to another place. Raises: CowornError."""
    steps.back_up(session.home, session.settings, now=now)
    return copy_away(session, to, now=now, deep=deep)


def copy_away(session: Session, to: str, *, now: datetime, deep: bool = False) -> Away:
    """Copy what is new to another place, and remember when. Raises: CowornError."""
    keep = session.settings.store.keep_backups
    done = back_up_away(session.home, to, now=now, keep=keep, deep=deep)
    with Ledger(session.home) as ledger:
        ledger.remember(LAST_AWAY, f"{now.isoformat()} {to}")
    return done
