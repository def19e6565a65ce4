"""Who may read what is made: inside a home its owner only, elsewhere whoever the person lets."""

from __future__ import annotations

import contextlib
import os
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterator

#: Rights that nobody but the owner gets inside a home.
PRIVATE_UMASK: Final = 0o077
#: The person's own mask, once it was set aside.
_set_aside: Final[list[int]] = []


def set_private_umask() -> None:
    """Let everything that this process and its children make be for its owner only.

    Libraries write files of their own into the home (Prefect its database, DuckDB its log), and
    none of them can be set otherwise.
    """
    before = os.umask(PRIVATE_UMASK)
    if not _set_aside:
        _set_aside.append(before)


@contextlib.contextmanager
def user_umask() -> Iterator[None]:
    """Let what is made inside have the rights that the person's files have: it goes elsewhere."""
    before = os.umask(_set_aside[0]) if _set_aside else None
    try:
        yield
    finally:
        if before is not None:
            os.umask(before)
