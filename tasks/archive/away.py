"""Backups in another place: a folder, or any address that fsspec knows.

A place holds `objects/`, each file under the SHA-256 of its bytes, and `manifests/`, which say what
a home was made of. A manifest comes last: a program that dies before it leaves objects, which the
next backup takes as they are. Credentials come from the environment, as the library of the address
reads them; encryption at rest is left to the place.
"""

from __future__ import annotations

import hashlib
import json
import re
import uuid
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from tasks.archive.originals import BLOCK_BYTES, hash_file
from tasks.archive.publishing_key import load_publishing_key
from tasks.core.durable import sync_folder
from tasks.core.errors import CowornError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from datetime import datetime

    from config.home import Home

_OBJECT: Final = re.compile(r"[0-9a-f]{64}")
_STAMP: Final = "%Y%m%dT%H%M%SZ"
_MANIFEST: Final = re.compile(r"\d{8}T\d{6}Z-[0-9a-f]{8}\.json")
_MARK: Final = "coworn-backup.json"
#: What a home cannot make again, beside its originals and the newest copies in `backups/`.
_OWN: Final = ("devices.toml", "coworn.toml", "plan.toml")
_OWN_FOLDERS: Final = ("originals", "columns", "courses", "queries", "state/plans")
#: Stands in a home until everything of a backup is in it.
RESTORING: Final = ".restoring"


@dataclass(frozen=True)
class Away:
    """What a backup in another place did: files in it, those copied now, their size [byte]."""

    n_files: int
    n_copied: int
    n_bytes: int


def back_up_away(home: Home, to: str, *, now: datetime, keep: int, deep: bool = False) -> Away:
    """Copy what is new since the last backup to `to`, read it back, and keep the newest `keep`.

    `deep` reads everything back that lies there, not only what was copied.
    Raises: CowornError when the place is another home's, inside this one, or does not keep bytes.
    """
    files, root = _open_place(to, home)
    _claim(files, root, home)
    listed: list[dict[str, Any]] = []
    n_copied = n_bytes = 0
    for path in _list_own(home):
        file_id, size = hash_file(path), path.stat().st_size
        listed.append(
            {"path": path.relative_to(home.root).as_posix(), "sha256": file_id, "bytes": size}
        )
        place = _place(root, file_id)
        is_there = files.exists(place) and files.size(place) == size
        if not is_there or (deep and _hash(files, place) != file_id):
            _put(files, path, place, file_id=file_id)
            n_copied += 1
            n_bytes += size
    name = f"{now:{_STAMP}}-{uuid.uuid4().hex[:8]}.json"
    text = json.dumps({"made": now.isoformat(), "files": listed}, indent=1)
    _write(files, f"{root}/manifests/{name}", text.encode())
    _remove_old(files, root, keep=keep)
    return Away(len(listed), n_copied, n_bytes)


def restore_away(source: str, *, home: Home) -> int:
    """Put the newest backup at `source` into a new home, each file compared; return how many.

    One that was interrupted goes on where it ended.
    Raises: CowornError when the home holds something, or a file of the backup is damaged or gone.
    """
    files, root = _open_place(source, home)
    names = _list_manifests(files, root)
    if not names:
        raise CowornError(f"{source}: there is no backup; look at the address")
    mark = home.root / RESTORING
    if not mark.exists() and home.root.exists() and any(home.root.iterdir()):
        raise CowornError(
            f"{home.root}: not empty, and nothing in it was changed; choose another --home"
        )
    home.root.mkdir(mode=0o700, parents=True, exist_ok=True)
    mark.touch(mode=0o600)
    listed = _read_manifest(files, f"{root}/manifests/{names[-1]}")
    for one in listed:
        target = _find_target(home, one["path"])
        if not (target.exists() and hash_file(target) == one["sha256"]):
            _fetch(files, _place(root, one["sha256"]), target, file_id=one["sha256"])
    mark.unlink()
    return len(listed)


# --- inside -----------------------------------------------------------------------------------
def _open_place(address: str, home: Home) -> tuple[Any, str]:
    import fsspec  # noqa: PLC0415 - only who backs up away needs it

    try:
        files, root = fsspec.core.url_to_fs(address)
    except (ImportError, ValueError) as error:
        raise CowornError(f"{address}: no such kind of place: {error}") from error
    if "file" in (files.protocol if isinstance(files.protocol, tuple) else (files.protocol,)):
        inside = Path(root).resolve()
        if home.root.resolve() in (inside, *inside.parents):
            raise CowornError(f"{address}: inside the home; choose a place on another disk")
    return files, str(root).rstrip("/")


def _claim(files: Any, root: str, home: Home) -> None:  # noqa: ANN401 - fsspec has no types
    """Mark a new place as this home's."""
    own = hashlib.sha256(load_publishing_key(home) + b"|away").hexdigest()[:16]
    mark = f"{root}/{_MARK}"
    if files.exists(mark):
        if json.loads(files.cat_file(mark))["home"] != own:
            raise CowornError(f"{root}: holds the backups of another home; choose another place")
        return
    if files.exists(root) and files.ls(root, detail=False):
        raise CowornError(f"{root}: holds other files; choose an empty place")
    _write(files, mark, json.dumps({"home": own}).encode())


def _list_own(home: Home) -> Iterator[Path]:
    for name in _OWN:
        if (home.root / name).is_file():
            yield home.root / name
    for name in _OWN_FOLDERS:
        for path in sorted((home.root / name).rglob("*")):
            if path.is_file() and not path.is_symlink() and not path.name.startswith("."):
                yield path
    # The newest copies that were opened and compared, and the secret.
    for pattern in ("store-*.duckdb", "ledger-*.sqlite", "publishing.key"):
        yield from sorted(home.backups.glob(pattern))[-1:]


def _place(root: str, file_id: str) -> str:
    return f"{root}/objects/{file_id[:2]}/{file_id}"


def _put(files: Any, path: Path, place: str, *, file_id: str) -> None:  # noqa: ANN401 - see above
    part = f"{place}.part"
    files.makedirs(place.rpartition("/")[0], exist_ok=True)
    files.put_file(str(path), part)
    if _hash(files, part) != file_id:
        files.rm_file(part)
        raise CowornError(
            f"{path}: read back from the backup it is another file: the place does not keep bytes, "
            "or the file changed; try again"
        )
    files.mv(part, place)


def _write(files: Any, place: str, data: bytes) -> None:  # noqa: ANN401 - see above
    files.makedirs(place.rpartition("/")[0], exist_ok=True)
    files.pipe_file(f"{place}.part", data)
    files.mv(f"{place}.part", place)


def _hash(files: Any, place: str) -> str:  # noqa: ANN401 - see above
    digest = hashlib.sha256()
    with files.open(place, "rb") as source:
        while block := source.read(BLOCK_BYTES):
            digest.update(block)
    return digest.hexdigest()


def _list_manifests(files: Any, root: str) -> list[str]:  # noqa: ANN401 - see above
    files.invalidate_cache()
    try:
        found = files.ls(f"{root}/manifests", detail=False)
    except FileNotFoundError:
        return []
    names = (str(one).rpartition("/")[2] for one in found)
    return sorted(name for name in names if _MANIFEST.fullmatch(name))


def _read_manifest(files: Any, place: str) -> list[dict[str, Any]]:  # noqa: ANN401 - see above
    try:
        listed = json.loads(files.cat_file(place))["files"]
        whole = all(_OBJECT.fullmatch(one["sha256"]) and one["path"] for one in listed)
    except (ValueError, KeyError, TypeError) as error:
        raise CowornError(f"{place}: damaged; remove it to use the backup before it") from error
    if not whole:
        raise CowornError(f"{place}: damaged; remove it to use the backup before it")
    return list(listed)


def _find_target(home: Home, path: str) -> Path:
    """Return where a file of a backup belongs; it never leads out of the home."""
    target = home.root / path
    if ".." in Path(path).parts or Path(path).is_absolute():
        raise CowornError(f"{path!r}: a name in the backup leads out of the home")
    return target


def _fetch(files: Any, place: str, target: Path, *, file_id: str) -> None:  # noqa: ANN401 - see above
    for folder in reversed(target.parents):
        folder.mkdir(mode=0o700, exist_ok=True)
    building = target.with_name(f".{uuid.uuid4().hex}.building")
    try:
        try:
            files.get_file(place, str(building))
        except FileNotFoundError as error:
            raise CowornError(f"{target.name}: {place} is gone from the backup") from error
        if hash_file(building) != file_id:
            raise CowornError(f"{target.name}: {place} is damaged in the backup")
        building.chmod(0o400 if "originals" in target.parts else 0o600)
        building.replace(target)
        sync_folder(target.parent)
    finally:
        building.unlink(missing_ok=True)


def _remove_old(files: Any, root: str, *, keep: int) -> None:  # noqa: ANN401 - see above
    """Remove all but the newest manifests, and the objects that none of those names."""
    names = _list_manifests(files, root)
    for name in names[:-keep]:
        files.rm_file(f"{root}/manifests/{name}")
    if not names[:-keep]:
        return
    named = {
        one["sha256"]
        for name in names[-keep:]
        for one in _read_manifest(files, f"{root}/manifests/{name}")
    }
    _remove_all(files, files.find(f"{root}/objects"), lambda file_id: file_id not in named)


def _remove_all(files: Any, found: Iterable[str], is_old: Callable[[str], bool]) -> None:  # noqa: ANN401 - see above
    for one in found:
        file_id = str(one).rpartition("/")[2]
        if _OBJECT.fullmatch(file_id) and is_old(file_id):
            files.rm_file(one)
