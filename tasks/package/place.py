"""Where the package goes: beside its place it is built, and then it takes that place as a whole."""

from __future__ import annotations

import contextlib
import json
import secrets
import shutil
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from tasks.core.durable import sync_folder
from tasks.core.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator

DESCRIPTOR: Final = "datapackage.json"
README: Final = "README.md"
#: Property of the descriptor that says whose package it is; its value begins with our name.
MAKER_KEY: Final = "made_by"
MAKER: Final = "coworn"
_BUILDING: Final = "building"
_ASIDE: Final = "aside"
#: No package is in the making for so long [s].
_DEAD_AFTER_S: Final = 24 * 3600.0


def require_place(folder: Path, *, home: Path) -> Path:
    """Return the real path of `folder` when a package may be written there.

    It may when there is nothing yet, an empty folder, or an earlier package and nothing else.
    Raises: UsageError.
    """
    place = folder.expanduser().resolve()
    root = home.resolve()
    if place == root or place.is_relative_to(root):
        raise UsageError(
            f"{folder}: the package does not go into the home folder; name another one"
        )
    if place == Path.cwd():
        raise UsageError(
            f"{folder}: you stand in this folder, and it is replaced as a whole; name one inside "
            "or beside it"
        )
    there = next(path for path in (place, *place.parents) if path.exists())
    if not there.is_dir():
        raise UsageError(f"{folder}: {there.name} is a file; name a folder that is new or empty")
    if there != place:
        return place
    stranger = find_foreign_package(place)
    if stranger is not None:
        raise UsageError(
            f"{folder}: it holds {stranger}, which is of no earlier package; name a folder that is "
            "new or empty"
        )
    return place


def find_foreign_package(place: Path) -> str | None:
    """Name something in the folder that an earlier package of ours did not put there."""
    ours = _list_ours(place)
    for path in sorted(place.rglob("*")):
        name = path.relative_to(place).as_posix()
        if path.is_dir() and not path.is_symlink():
            if not any(known.startswith(f"{name}/") for known in ours):
                return name
        elif name not in ours:
            return name
    return None


def _list_ours(place: Path) -> set[str]:
    """Return the files of the package that lies in the folder; of a stranger's, none."""
    try:
        descriptor: Any = json.loads((place / DESCRIPTOR).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return set()
    if not isinstance(descriptor, dict) or not isinstance(descriptor.get("resources"), list):
        return set()
    if not str(descriptor.get(MAKER_KEY, "")).startswith(f"{MAKER} "):
        return set()
    paths = {str(one.get("path")) for one in descriptor["resources"] if isinstance(one, dict)}
    return {DESCRIPTOR, README, *paths}


@contextlib.contextmanager
def build_beside(place: Path) -> Iterator[Path]:
    """Return a new folder beside `place`, which takes its place when the block ends well.

    When the block raises, what is at `place` stays as it was. Raises: UsageError.
    """
    building = _name_beside(place, _BUILDING)
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        _sweep(place)
        building.mkdir()
    except OSError as error:
        raise UsageError(
            f"{place}: it cannot be made there ({error.strerror}); name another folder"
        ) from error
    try:
        yield building
        _take_place(building, place)
    finally:
        shutil.rmtree(building, ignore_errors=True)


def _take_place(building: Path, place: Path) -> None:
    for folder in (building, *(path for path in building.rglob("*") if path.is_dir())):
        sync_folder(folder)
    if place.exists():
        aside = _name_beside(place, _ASIDE)
        place.rename(aside)
        try:
            building.rename(place)
        except BaseException:
            aside.rename(place)
            raise
        shutil.rmtree(aside, ignore_errors=True)
    else:
        building.rename(place)
    sync_folder(place.parent)


def _name_beside(place: Path, what: str) -> Path:
    return place.with_name(f".{place.name}.{secrets.token_hex(4)}.{what}")


def _sweep(place: Path) -> None:
    """Remove what a killed run left; a package that it had put aside gets its place back."""
    for aside in sorted(place.parent.glob(f".{place.name}.*.{_ASIDE}")):
        if not place.exists():
            aside.rename(place)
        elif _is_dead(aside):
            shutil.rmtree(aside, ignore_errors=True)
    for building in place.parent.glob(f".{place.name}.*.{_BUILDING}"):
        if _is_dead(building):
            shutil.rmtree(building, ignore_errors=True)


def _is_dead(folder: Path) -> bool:
    try:
        return time.time() - folder.stat().st_mtime >= _DEAD_AFTER_S
    except FileNotFoundError:
        return False
