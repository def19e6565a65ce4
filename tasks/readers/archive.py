"""Zip and gzip archives: every export inside, written out under a safe name.

An archive is hostile until shown otherwise: one member that is a link, that names a place outside
or that hides its content refuses the whole archive, and what counts against the limit are the
bytes that come out, not those that the archive declares.
"""

from __future__ import annotations

import errno
import gzip
import hashlib
import re
import stat
import unicodedata
import zipfile
import zlib
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Final, NoReturn, Protocol

from tasks.core.errors import CowornError, DamagedError, NothingRecordedError, UnsafeArchiveError
from tasks.core.folders import is_housekeeping
from tasks.core.recording import ExportFile

if TYPE_CHECKING:
    from pathlib import Path

_CHUNK_BYTES: Final = 1 << 20
_GZIP_MAGIC: Final = b"\x1f\x8b"
#: A member, and the end record that an empty zip consists of. Source: APPNOTE.TXT 4.3.7, 4.3.16.
_ZIP_MAGICS: Final = (b"PK\x03\x04", b"PK\x05\x06")
#: Bit 0: encrypted, bit 13: names are masked. Source: APPNOTE.TXT 4.4.4.
_ENCRYPTED_BITS: Final = 0x2001
#: Bit 11: the name is UTF-8. Source: APPNOTE.TXT 4.4.4.
_UTF8_BIT: Final = 0x800
_COMPRESSIONS: Final = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
_DRIVE: Final = re.compile(r"[A-Za-z]:")
_SAFE_SUFFIX: Final = re.compile(r"\.[a-z0-9]{1,8}")
_UNPACK: Final = "unpack it by hand, look at what is inside, and drop the exports themselves"


def is_archive(path: Path) -> bool:
    """Say whether the first bytes are those of a zip or gzip archive."""
    return _is_zip(path) or _is_gzip(path)


def is_complete_archive(path: Path, *, max_expanded_bytes: int) -> bool:
    """Say whether an archive that stopped growing is whole.

    A gzip archive is decompressed in passing, up to `max_expanded_bytes`; one that is damaged but
    ends is complete, so that it is refused with the reason.
    """
    if _is_zip(path):
        return zipfile.is_zipfile(path)
    try:
        with gzip.open(path) as file:
            n_bytes = 0
            while chunk := file.read(_CHUNK_BYTES):
                n_bytes += len(chunk)
                if n_bytes > max_expanded_bytes:
                    break
    except EOFError:
        return False
    except (gzip.BadGzipFile, zlib.error):
        return True
    return True


def expand_archive(
    export: ExportFile, into: Path, *, max_expanded_bytes: int, max_members: int
) -> tuple[ExportFile, ...]:
    """Write every export of an archive into a folder, under numbered names.

    Parameters
    ----------
    export
        The archive.
    into
        The folder; nothing is left in it after an error.
    max_expanded_bytes
        Most that may be written [bytes].
    max_members
        Most files that may be inside.

    Returns
    -------
    tuple[ExportFile, ...]
        A member's `name` is its own, its `folder` the one that it lies in inside the archive, else
        the archive's; its `file_id` is the hash of its bytes. Gzipped members of a zip are
        unpacked, too; folders, hidden files and the side files of one desktop system are skipped.

    Raises
    ------
    UnsafeArchiveError
        It would write more than is allowed, or elsewhere.
    DamagedError
        It cannot be unpacked.
    NothingRecordedError
        No file is inside.
    """
    expansion = _Expansion(export, into, max_expanded_bytes=max_expanded_bytes)
    try:
        if _is_zip(export.path):
            _expand_zip(export, expansion, max_members=max_members)
        else:
            _expand_gzip(export, expansion)
        _refuse_nothing(expansion)
    except BaseException as error:
        expansion.remove()
        if isinstance(error, CowornError) or not _is_about_the_bytes(error):
            raise
        raise DamagedError(
            export.name,
            found=f"the archive is damaged or ends early ({str(error) or type(error).__name__})",
            remedy="download or copy it again",
        ) from error
    return tuple(expansion.exports)


class _Source(Protocol):
    """Anything that gives its bytes in portions."""

    def read(self, size: int, /) -> bytes: ...


class _Expansion:
    """What came out so far, and how much more may."""

    def __init__(self, export: ExportFile, into: Path, *, max_expanded_bytes: int) -> None:
        self.archive = export
        self.into = into
        self.max_expanded_bytes = max_expanded_bytes
        self.n_bytes = 0
        self.exports: list[ExportFile] = []
        self.paths: list[Path] = []

    def write(self, source: _Source, name: str, *, folder: str | None) -> None:
        """Write one member, chunk by chunk, counting."""
        suffix = PurePosixPath(name).suffix.lower()
        suffix = suffix if _SAFE_SUFFIX.fullmatch(suffix) else ".bin"
        path = self.into / f"{len(self.paths):06d}{suffix}"
        self.paths.append(path)
        digest = hashlib.sha256()
        with path.open("xb") as target:
            while chunk := source.read(_CHUNK_BYTES):
                self.n_bytes += len(chunk)
                if self.n_bytes > self.max_expanded_bytes:
                    self._refuse_size()
                digest.update(chunk)
                target.write(chunk)
        self.exports.append(ExportFile(path, name, digest.hexdigest(), folder))

    def remove(self) -> None:
        """Take away everything that was written."""
        for path in self.paths:
            path.unlink(missing_ok=True)

    def _refuse_size(self) -> NoReturn:
        raise UnsafeArchiveError(
            self.archive.name,
            found=f"it expands to more than {self.max_expanded_bytes / 1e6:.0f} MB",
            remedy="raise max_expanded_mb under [archive] in coworn.toml if you trust it",
        )


def _expand_zip(export: ExportFile, expansion: _Expansion, *, max_members: int) -> None:
    with zipfile.ZipFile(export.path) as archive:
        members = archive.infolist()
        if len(members) > max_members:
            raise UnsafeArchiveError(
                export.name,
                found=f"it holds {len(members)} files, more than {max_members}",
                remedy="raise max_members under [archive] in coworn.toml if you trust it",
            )
        for member in members:
            _refuse_unsafe_member(member, export.name)
        for member in members:
            path = _clean_path(_read_member_name(member))
            if member.is_dir() or path is None:
                continue
            folder = path.parent.name or export.folder
            with archive.open(member) as source:
                is_gzip = source.read(2) == _GZIP_MAGIC
            with archive.open(member) as source:
                if is_gzip:
                    with gzip.GzipFile(fileobj=source) as inner:
                        expansion.write(inner, _drop_gz(path.name), folder=folder)
                else:
                    expansion.write(source, path.name, folder=folder)


def _expand_gzip(export: ExportFile, expansion: _Expansion) -> None:
    with gzip.open(export.path) as source:
        expansion.write(source, _drop_gz(export.name), folder=export.folder)


def _refuse_nothing(expansion: _Expansion) -> None:
    if not expansion.exports:
        raise NothingRecordedError(
            expansion.archive.name, found="an archive without a file in it", remedy="drop exports"
        )


def _refuse_unsafe_member(member: zipfile.ZipInfo, archive_name: str) -> None:
    """Raise UnsafeArchiveError, naming the member and what is wrong with it."""
    name = _read_member_name(member)
    parts = re.split(r"[/\\]", name)
    mode = member.external_attr >> 16
    found = None
    if "\x00" in member.orig_filename:
        found = "has a name with a zero byte"
    elif name.startswith(("/", "\\")) or _DRIVE.match(name):
        found = "has an absolute name"
    elif ".." in parts:
        found = "climbs out of the archive"
    elif stat.S_IFMT(mode) not in (0, stat.S_IFREG, stat.S_IFDIR):
        found = "is a link" if stat.S_ISLNK(mode) else "is no ordinary file"
    elif member.flag_bits & _ENCRYPTED_BITS:
        found = "is encrypted"
    elif member.compress_type not in _COMPRESSIONS:
        found = f"is packed by method {member.compress_type}, not stored or deflated"
    if found is not None:
        raise UnsafeArchiveError(
            archive_name, found=f"the member {_make_printable(name)!r} {found}", remedy=_UNPACK
        )


def _read_member_name(member: zipfile.ZipInfo) -> str:
    """Return the member's name; many programs write UTF-8 without setting the bit that says so."""
    if member.flag_bits & _UTF8_BIT:
        return member.filename
    try:
        return member.filename.encode("cp437").decode("utf-8")
    except (UnicodeEncodeError, UnicodeDecodeError):
        return member.filename


def _clean_path(name: str) -> PurePosixPath | None:
    """Return the member's path with printable names; None for what is no export by its name."""
    path = PurePosixPath(_make_printable(name.replace("\\", "/")))
    if not path.name or is_housekeeping(path.name) or "__MACOSX" in path.parts:
        return None
    return path


def _make_printable(name: str) -> str:
    """Return one name per name: composed characters, and nothing that breaks a line."""
    composed = unicodedata.normalize("NFC", name)
    return "".join(letter if letter.isprintable() else "_" for letter in composed)


def _drop_gz(name: str) -> str:
    return name[:-3] if name.lower().endswith(".gz") and len(name) > len(".gz") else name


def _is_zip(path: Path) -> bool:
    return _read_magic(path, 4) in _ZIP_MAGICS


def _is_gzip(path: Path) -> bool:
    return _read_magic(path, 2) == _GZIP_MAGIC


def _read_magic(path: Path, n_bytes: int) -> bytes:
    with path.open("rb") as file:
        return file.read(n_bytes)


def _is_about_the_bytes(error: BaseException) -> bool:
    """Tell what damaged bytes cause from the machine's troubles and requests to stop."""
    if not isinstance(error, Exception) or isinstance(error, MemoryError):
        return False
    # Damaged offsets make zipfile seek where no file begins (EINVAL).
    return not isinstance(error, OSError) or error.errno in (None, errno.EINVAL)
