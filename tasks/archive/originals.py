"""Taking exports in: originals archived byte for byte, refused ones laid aside with the reason.

The order that loses nothing: archive, write the ledger, and only then take the file out of the
inbox. A program that dies in between leaves a file that is simply taken in again.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import re
import stat
import uuid
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, Final

from tasks.core.durable import sync_folder
from tasks.core.errors import CowornError
from tasks.core.file_locks import FOREIGN, PLAIN, has_writer

if TYPE_CHECKING:
    from collections.abc import Iterator

    from config.home import Home

#: Endings that archived originals keep, so that a person can open them; all others become .bin.
KNOWN_SUFFIXES: Final = (
    ".notes.toml",
    ".notes.csv",
    ".fit",
    ".gpx",
    ".tcx",
    ".csv",
    ".txt",
    ".zip",
    ".gz",
)
OTHER_SUFFIX: Final = ".bin"
WHY_SUFFIX: Final = ".why.txt"
LAYOUT_SUFFIX: Final = ".layout.toml"
BUILDING: Final = ".building"
BLOCK_BYTES: Final = 1 << 20

#: Longest file name that common file systems take [byte].
_LONGEST_NAME_BYTES: Final = 255
#: Room for " (1234)" and ".why.txt" behind a name.
_ROOM_BYTES: Final = 24
_UNSAFE: Final = re.compile(r"[\x00-\x1f\x7f-\x9f/\\\u2028\u2029\u202a-\u202e\u2066-\u2069]")


class NotAFileError(CowornError):
    """What was dropped is no regular file: a folder, a link, a device or a pipe."""


class StillChangingError(CowornError):
    """The file changed while it was read; it stays where it is and is tried again later."""


@dataclass(frozen=True)
class Identity:
    """What tells a file from another one that later has its name."""

    device: int
    inode: int
    bytes: int
    changed_ns: int


@dataclass(frozen=True)
class Archived:
    """An export in the archive.

    `path` is the archived original; `bytes` its size; `identity` is that of the file it was read
    from; `is_new` says whether these bytes were archived just now, `is_mended` whether they took
    the place of a damaged original.
    """

    file_id: str
    path: Path
    bytes: int
    identity: Identity
    is_new: bool
    is_mended: bool = False


def archive_original(path: Path, *, home: Home) -> Archived:
    """Copy the file at `path` into the archive under the hash of its bytes; `path` stays.

    The copy gets its name only when it is whole and on the disk. Bytes that are archived already
    are not written again.
    Raises: NotAFileError, StillChangingError, and OSError when the disk or the file fails.
    """
    home.originals.mkdir(mode=0o700, parents=True, exist_ok=True)
    with _open_regular(path) as source:
        before = _identify(source.fileno())
        with _write_aside(home.originals) as (building, target):
            file_id, n_bytes = _copy_and_hash(source, target)
            if _identify(source.fileno()) != before or n_bytes != before.bytes:
                raise StillChangingError(
                    f"{_show(path)}: changed while it was read; it stays where it is and is "
                    "taken when it no longer changes"
                )
            there = find_original(file_id, home=home)
            if there is not None and _is_copy(there, file_id, n_bytes):
                return Archived(file_id, there, n_bytes, before, is_new=False)
            # A copy of other bytes was damaged on the disk; whole bytes take its place.
            final = there or _place(file_id, find_suffix(path.name), home=home)
            final.parent.mkdir(mode=0o700, exist_ok=True)
            building.chmod(0o400)
            building.replace(final)
            sync_folder(final.parent)
            sync_folder(home.originals)
    return Archived(file_id, final, n_bytes, before, is_new=True, is_mended=there is not None)


def _is_copy(original: Path, file_id: str, n_bytes: int) -> bool:
    try:
        return original.stat().st_size == n_bytes and hash_file(original) == file_id
    except OSError:  # a disk that does not give it back
        return False


def hash_file(path: Path) -> str:
    """Return the id of the export at `path`: the SHA-256 of its bytes. Raises: OSError."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def find_original(file_id: str, *, home: Home) -> Path | None:
    """Return the archived original of `file_id`, None when there is none."""
    if not re.fullmatch(r"[0-9a-f]{64}", file_id):
        return None
    found = sorted((home.originals / file_id[:2]).glob(f"{file_id}.*"))
    return found[0] if found else None


def list_originals(home: Home) -> list[tuple[str, Path]]:
    """Return file_id and path of every archived original, in the order of their ids."""
    found = (
        (path.name.split(".", 1)[0], path)
        for path in home.originals.glob("[0-9a-f][0-9a-f]/*")
        if path.is_file()
    )
    return sorted(
        (file_id, path) for file_id, path in found if re.fullmatch(r"[0-9a-f]{64}", file_id)
    )


def is_being_written(path: Path) -> bool:
    """Say whether another program has `path` open for writing.

    What it still writes would be lost with the file's name. Linux tells it of files on its own
    disks; where nobody tells, the answer is no.
    """
    try:
        with _open_regular(path) as source:
            return has_writer(source.fileno())
    except (OSError, NotAFileError):
        return False


def remove_taken(path: Path, archived: Archived) -> bool:
    """Take `path` out of the inbox; return whether it was still the file that was archived.

    A file that was written again, or put in its place since, stays; so does one that another
    program has open for writing.
    """
    try:
        with _open_regular(path) as source:
            if _identify(source.fileno()) != archived.identity or has_writer(source.fileno()):
                return False
    except (FileNotFoundError, NotAFileError):
        return False
    path.unlink(missing_ok=True)
    return True


def refuse(path: Path, *, name: str, why: str, extra: str | None = None, home: Home) -> Path:
    """Lay a copy of `path` into `refused/` with its reason beside it; return the reason's path.

    `name` is what the person knows the file by; it may hold anything and never leads out of the
    folder. `why` is one line, `extra` further text, such as a proposed layout. The same bytes
    under the same name are laid there once. What is no regular file gets a reason only.
    """
    home.refused.mkdir(mode=0o700, parents=True, exist_ok=True)
    text = f"{why}\n" if not extra else f"{why}\n\n{extra.rstrip()}\n"
    try:
        place = _lay_copy(path, make_safe_name(name), folder=home.refused)
    except NotAFileError:
        free = (home.refused / one for one in _number_names(make_safe_name(name)))
        place = next(one for one in free if not os.path.lexists(one))
    reason = place.with_name(place.name + WHY_SUFFIX)
    _write_text(reason, text)
    return reason


def release(path: Path, *, home: Home) -> None:
    """Take what has the bytes of `path` out of `refused/`, with what lies beside it.

    The bytes go last: a program that dies in between finds them again.
    """
    if not home.refused.is_dir():
        return
    n_bytes = path.stat().st_size
    with os.scandir(home.refused) as found:
        alike = sorted(
            one.path for one in found if one.stat(follow_symlinks=False).st_size == n_bytes
        )
    for place in map(Path, alike):
        if _holds_the_same(place, path):
            for suffix in (WHY_SUFFIX, LAYOUT_SUFFIX):
                place.with_name(place.name + suffix).unlink(missing_ok=True)
            place.unlink(missing_ok=True)


def find_suffix(name: str) -> str:
    """Return the known ending of `name` in lower case, else .bin."""
    folded = name.lower()
    return next((suffix for suffix in KNOWN_SUFFIXES if folded.endswith(suffix)), OTHER_SUFFIX)


def make_safe_name(name: str) -> str:
    """Return a file name that shows `name` as well as a plain, visible name inside a folder can.

    Separators, control characters and marks that turn the writing direction become "_", bytes
    that are no text are spelled out, a leading dot is replaced, and what is too long is cut in
    front of the ending.
    """
    text = name.encode("utf-8", "backslashreplace").decode()
    text = _UNSAFE.sub("_", text)
    if text.startswith("."):
        text = "_" + text[1:]
    if not text.strip(" ._"):
        text = "export"
    longest = _LONGEST_NAME_BYTES - _ROOM_BYTES
    if len(text.encode()) <= longest:
        return text
    stem, dot, suffix = text.rpartition(".")
    if not dot or len(suffix.encode()) > 16:  # noqa: PLR2004 - no real ending is that long
        stem, suffix = text, ""
    ending = f"{dot}{suffix}" if suffix else ""
    room = longest - len(ending.encode())
    return stem.encode()[:room].decode("utf-8", "ignore") + ending


def sweep(home: Home) -> None:
    """Remove copies that a killed program left half written. Call it while nobody takes files in.

    Copies in the making never have the name of an original, so nothing is lost.
    """
    for folder in (home.originals, home.refused):
        for path in folder.glob(f".*{BUILDING}"):
            path.unlink(missing_ok=True)


# --- files ------------------------------------------------------------------------------------
@contextlib.contextmanager
def _open_regular(path: Path) -> Iterator[BinaryIO]:
    """Open a regular file and nothing else; a pipe that nobody writes to must not block."""
    if path.is_symlink():  # for systems whose open knows no way to follow none
        raise NotAFileError(_say_no_file(path))
    try:
        descriptor = os.open(path, os.O_RDONLY | FOREIGN)
    except OSError as error:
        if error.errno in (errno.ELOOP, errno.ENXIO, errno.EISDIR, errno.EOPNOTSUPP):
            raise NotAFileError(_say_no_file(path)) from error
        raise
    if not stat.S_ISREG(os.fstat(descriptor).st_mode):
        os.close(descriptor)
        raise NotAFileError(_say_no_file(path))
    with open(descriptor, "rb", buffering=0) as source:  # noqa: PTH123 - a descriptor, no path
        yield source


def _say_no_file(path: Path) -> str:
    return (
        f"{_show(path)}: a link, folder, pipe or device, not a file; it is left alone, "
        "drop the file itself"
    )


def _show(path: Path) -> str:
    return make_safe_name(path.name)


def _identify(descriptor: int) -> Identity:
    facts = os.fstat(descriptor)
    return Identity(facts.st_dev, facts.st_ino, facts.st_size, facts.st_mtime_ns)


def _place(file_id: str, suffix: str, *, home: Home) -> Path:
    return home.originals / file_id[:2] / f"{file_id}{suffix}"


@contextlib.contextmanager
def _write_aside(folder: Path) -> Iterator[tuple[Path, BinaryIO]]:
    """Return a new file under a name that nobody reads; it is gone at the end unless renamed."""
    building = folder / f".{uuid.uuid4().hex}{BUILDING}"
    descriptor = os.open(building, os.O_WRONLY | os.O_CREAT | os.O_EXCL | PLAIN, 0o600)
    try:
        with open(descriptor, "wb") as target:  # noqa: PTH123 - a descriptor, no path
            yield building, target
    finally:
        building.unlink(missing_ok=True)


def _copy_and_hash(source: BinaryIO, target: BinaryIO) -> tuple[str, int]:
    digest = hashlib.sha256()
    n_bytes = 0
    while block := source.read(BLOCK_BYTES):
        digest.update(block)
        target.write(block)
        n_bytes += len(block)
    target.flush()
    os.fsync(target.fileno())
    return digest.hexdigest(), n_bytes


# --- refused ----------------------------------------------------------------------------------
def _number_names(name: str) -> Iterator[str]:
    """Return `name`, then `stem (2).suffix`, `stem (3).suffix` and so on."""
    yield name
    stem, dot, suffix = name.rpartition(".")
    if not stem:
        stem, dot, suffix = name, "", ""
    number = 2
    while True:
        yield f"{stem} ({number}){dot}{suffix}"
        number += 1


def _lay_copy(path: Path, name: str, *, folder: Path) -> Path:
    """Put a copy into `folder` under `name`, or under one with its hash where that is taken.

    Each file is copied once, however many of its name lie there already.
    Raises: NotAFileError.
    """
    with _open_regular(path) as source, _write_aside(folder) as (building, target):
        file_id, _ = _copy_and_hash(source, target)
        for candidate in _mark_names(name, file_id):
            place = folder / candidate
            if _claim(building, place) or _holds_the_same(building, place):
                return place
    raise AssertionError("no two files have one hash")  # pragma: no cover


def _mark_names(name: str, file_id: str) -> Iterator[str]:
    """Return `name`, then `stem-hash.suffix` with more and more digits of the hash."""
    yield name
    stem, dot, suffix = name.rpartition(".")
    if not stem:
        stem, dot, suffix = name, "", ""
    for digits in (8, 16, len(file_id)):
        yield f"{stem}-{file_id[:digits]}{dot}{suffix}"


def _claim(building: Path, place: Path) -> bool:
    if os.path.lexists(place.with_name(place.name + WHY_SUFFIX)) and not os.path.lexists(place):
        return False  # another file of that name was laid here without its bytes
    try:
        os.link(building, place)
    except FileExistsError:
        return False
    except OSError:  # a disk without hard links
        if os.path.lexists(place):
            return False
        building.rename(place)
    return True


def _holds_the_same(one: Path, other: Path) -> bool:
    try:
        with _open_regular(one) as first, _open_regular(other) as second:
            if _identify(first.fileno()).bytes != _identify(second.fileno()).bytes:
                return False
            while block := first.read(BLOCK_BYTES):
                if block != second.read(len(block)):
                    return False
    except (FileNotFoundError, NotAFileError):
        return False
    return True


def _write_text(path: Path, text: str) -> None:
    with _write_aside(path.parent) as (building, target):
        target.write(text.encode("utf-8", "backslashreplace"))
        target.flush()
        os.fsync(target.fileno())
        building.replace(path)
    sync_folder(path.parent)
