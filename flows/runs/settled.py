"""Knows when a home has nothing to do: files that it has already then cost a look at their bytes.

The end of a drop that did all of its work leaves a mark of everything that runs depend on beside
exports. While it holds, nothing waits in the ledger, and results and pages are there, another run
would find nothing to do.
"""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, Final

from tasks.archive.ledger import Ledger
from tasks.core.provenance import find_version

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from config.home import Home
    from config.session import Session

#: Ledger key of the mark.
_KEY: Final = "settled_mark"


def remember_settled(session: Session) -> None:
    """Write down that everything is done, as of the home's files now."""
    with Ledger(session.home) as ledger:
        ledger.remember(_KEY, _mark(session))


def forget_settled(home: Home) -> None:
    """Take that back: a run begins to change something."""
    with Ledger(home) as ledger:
        if ledger.recall(_KEY) is not None:
            ledger.remember(_KEY, None)


def is_settled(session: Session) -> bool:
    """Say whether a run would find nothing to do beside new files."""
    home = session.home
    if not (home.results.exists() and (home.report / "index.html").exists()):
        return False
    with Ledger(home) as ledger:
        if ledger.unsettled() or ledger.has_unfinished():
            return False
        return ledger.recall(_KEY) == _mark(session)


def _mark(session: Session) -> str:
    home = session.home
    digest = hashlib.sha256(find_version().encode())
    digest.update(session.settings.model_dump_json().encode())
    for path in (home.devices, home.plan):
        digest.update(path.read_bytes() + b"\0" if path.is_file() else b"-\0")
    for folder in (home.courses, home.columns):
        for line in _stamp(folder):
            digest.update(line.encode(errors="surrogateescape") + b"\0")
    return digest.hexdigest()[:16]


def _stamp(folder: Path) -> Iterator[str]:
    """Return a line for each file that tells when it was changed."""
    if folder.is_dir():
        for path in sorted(folder.rglob("*")):
            state = path.stat()
            yield f"{path.relative_to(folder)} {state.st_size} {state.st_mtime_ns}"
