"""Originals that changed on the disk: found by their hash, named, mended by the same file again."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from tasks.archive.ledger import Ledger
from tasks.archive.originals import find_original, hash_file, list_originals

if TYPE_CHECKING:
    from pathlib import Path

    from config.home import Home

#: What the ledger keeps of each damaged original, by its file_id: when it was found.
DAMAGED: Final = "damaged-original:"
_LAST: Final = "last-verified-original"
#: All originals are read once in so many nights.
NIGHTS: Final = 7


def is_whole(file_id: str, original: Path) -> bool:
    """Say whether an archived original still has the bytes that it was archived with.

    One that cannot be read is not.
    """
    try:
        return hash_file(original) == file_id
    except OSError:
        return False


def explain_damage(original: Path, *, home: Home) -> str:
    """Say which file is damaged, and what to do."""
    return (
        f"its original {original.relative_to(home.root)} is damaged, its bytes are not those that "
        "were archived; drop the file again to mend it"
    )


def find_damage(file_id: str, original: Path, *, home: Home) -> str | None:
    """Look whether an original is damaged; write it down and say so, None for a whole one."""
    if is_whole(file_id, original):
        return None
    note_damage(file_id, home=home, is_damaged=True)
    return explain_damage(original, home=home)


def note_damage(file_id: str, *, home: Home, is_damaged: bool) -> None:
    """Write down that an original is damaged, or no longer so."""
    key = f"{DAMAGED}{file_id}"
    with Ledger(home) as ledger:
        if is_damaged == (ledger.recall(key) is not None):
            return
        ledger.remember(key, datetime.now(UTC).isoformat() if is_damaged else None)


def verify_portion(home: Home, *, nights: int = NIGHTS) -> list[tuple[str, Path]]:
    """Read a part of all originals, those that come next by their ids; return the damaged ones.

    Those that were found damaged before are read again each time.
    """
    originals = list_originals(home)
    with Ledger(home) as ledger:
        last = ledger.recall(_LAST) or ""
        known = set(ledger.recall_all(DAMAGED))
    following = [one for one in originals if one[0] > last] or originals
    portion = following[: math.ceil(len(originals) / nights)]
    again = [one for one in originals if one[0] in known and one not in portion]
    damaged = []
    for file_id, path in [*portion, *again]:
        whole = is_whole(file_id, path)
        if not whole:
            damaged.append((file_id, path))
        if whole == (file_id in known):
            note_damage(file_id, home=home, is_damaged=not whole)
    with Ledger(home) as ledger:
        ledger.remember(_LAST, portion[-1][0] if portion else None)
        # Those whose original is gone altogether are reported elsewhere.
        for file_id in known - {one for one, _ in originals}:
            ledger.remember(f"{DAMAGED}{file_id}", None)
    return damaged


def list_damaged(home: Home) -> list[tuple[str, str]]:
    """Return name and path inside the home of each original that is known to be damaged."""
    with Ledger(home) as ledger:
        names = {file.file_id: file.name for file in ledger.list_files()}
        known = sorted(ledger.recall_all(DAMAGED))
    found = [(file_id, find_original(file_id, home=home)) for file_id in known]
    return [
        (names.get(file_id, path.name), path.relative_to(home.root).as_posix())
        for file_id, path in found
        if path is not None
    ]
