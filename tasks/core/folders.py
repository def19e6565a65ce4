"""Which files of a folder were put there by a person, and where they lie."""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import Final

#: Names that browsers, copy tools and sync clients use while a file is on its way.
TEMPORARY_SUFFIXES: Final = (".part", ".crdownload", ".download", ".tmp", ".partial", ".icloud")
#: Hidden names cover rsync (.name.XXXXXX), office locks (.~name, ~$name) and sync clients
#: (.syncthing.*).
HOUSEKEEPING_PREFIXES: Final = (".", "~")
#: What file managers put into folders that they show.
HOUSEKEEPING_NAMES: Final = ("thumbs.db", "desktop.ini", "icon\r")


@dataclass(frozen=True)
class Stamp:
    """What changes when a file changes."""

    size: int
    mtime_ns: int
    inode: int


def is_housekeeping(name: str) -> bool:
    """Say whether `name` is hidden, or that of a file that some program keeps for itself."""
    return name.startswith(HOUSEKEEPING_PREFIXES) or name.casefold() in HOUSEKEEPING_NAMES


def is_temporary(name: str) -> bool:
    """Say whether `name` is some program's own, or that of a file that is on its way."""
    return is_housekeeping(name) or name.casefold().endswith(TEMPORARY_SUFFIXES)


def scan_folder(folder: Path) -> dict[Path, Stamp]:
    """Return every regular file below `folder` that is not temporary, with its stamp.

    Links are not followed, and devices, pipes and sockets are left alone. A folder that cannot
    be read is skipped: it is looked at again with the next scan.
    """
    found: dict[Path, Stamp] = {}
    waiting = [folder]
    while waiting:
        for entry in _list_entries(waiting.pop()):
            if is_temporary(entry.name):
                continue
            try:
                facts = entry.stat(follow_symlinks=False)
            except OSError:
                continue
            if stat.S_ISDIR(facts.st_mode):
                waiting.append(Path(entry.path))
            elif stat.S_ISREG(facts.st_mode):
                stamp = Stamp(facts.st_size, facts.st_mtime_ns, facts.st_ino)
                found[Path(entry.path)] = stamp
    return found


def find_hint(path: Path, root: Path) -> str | None:
    """Return the sub-folder of `root` that `path` lies in: the first one below `root`."""
    parts = path.relative_to(root).parts
    return parts[0] if len(parts) > 1 else None


def _list_entries(folder: Path) -> list[os.DirEntry[str]]:
    try:
        with os.scandir(folder) as entries:
            return list(entries)
    except OSError:
        return []
