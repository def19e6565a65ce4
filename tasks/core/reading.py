"""From the bytes of an export to the reader that knows them, and to its recordings."""

from __future__ import annotations

from pathlib import PurePath
from typing import TYPE_CHECKING, Final

from tasks.core.discovery import load_readers
from tasks.core.errors import CowornError, DamagedError, NothingRecordedError, UnknownFormatError
from tasks.core.registers import READERS, Reader, ReadOptions

if TYPE_CHECKING:
    from pathlib import Path

    from tasks.core.recording import ExportFile, Recording

#: How much of a file a reader looks at to know its format [byte].
SNIFFED_BYTES: Final = 4096
#: A file with fewer bytes may be one that another program has only just begun to write [byte].
FEWEST_BYTES: Final = 16


def find_reader(path: Path, name: str) -> Reader:
    """Return the reader that knows the first bytes of the file at `path`.

    The bytes decide; the suffix of `name` only settles a tie.
    Raises: UnknownFormatError; OSError when the file cannot be opened.
    """
    load_readers()
    with path.open("rb") as file:
        head = file.read(SNIFFED_BYTES)
    return _choose_reader(head, name)


def read_export(export: ExportFile, options: ReadOptions) -> tuple[Recording, ...]:
    """Read `export` with the reader that knows its bytes; at least one recording.

    Raises: an ExportRefusedError that says why, also for whatever a decoding library throws at
    damaged bytes. Errors of the disk (OSError with a number), lack of memory and requests to stop
    pass through: they say nothing about the export.
    """
    reader = find_reader(export.path, export.name)
    try:
        recordings = reader.read(export, options)
    except CowornError:
        raise
    except BaseException as error:
        if _is_not_about_the_bytes(error):
            raise
        raise DamagedError(
            export.name,
            found=f"its {reader.format} content cannot be decoded ({_describe(error)})",
            remedy="export the activity again from the device or its app",
        ) from error
    if not recordings:
        raise NothingRecordedError(
            export.name,
            found=f"a {reader.format} file without an activity",
            remedy="export an activity that was recorded",
        )
    return recordings


def is_complete(path: Path, name: str) -> bool:
    """Say whether the file at `path`, which stopped growing, holds all that its format promises.

    Content that no reader knows counts as complete, so that it is refused soon and with a reason;
    a handful of bytes does not, for it may be the beginning of anything.
    """
    try:
        reader = find_reader(path, name)
    except UnknownFormatError:
        return path.stat().st_size >= FEWEST_BYTES
    return reader.is_complete(path)


def _choose_reader(head: bytes, name: str) -> Reader:
    suffix = PurePath(name).suffix.lower()
    fitting = [READERS[key] for key in sorted(READERS) if READERS[key].sniff(head)]
    if len(fitting) > 1:
        fitting = [reader for reader in fitting if suffix in reader.suffixes] or fitting
    if len(fitting) == 1:
        return fitting[0]
    raise UnknownFormatError(
        name,
        found=_describe_head(head, suffix, [reader.format for reader in fitting]),
        remedy=f"coworn reads {', '.join(sorted(READERS))}, also gzipped or in a zip archive",
    )


def _describe_head(head: bytes, suffix: str, fitting: list[str]) -> str:
    if not head:
        return "the file is empty"
    if fitting:
        return f"the content could be {' or '.join(fitting)}, and the name does not say which"
    named = [key for key in sorted(READERS) if suffix in READERS[key].suffixes]
    beginning = f"the content begins with {head[:12].decode('latin-1')!r}"
    if named:
        return f"the name says {named[0]}, but {beginning}, which is none"
    return f"{beginning}, which is no known format"


def _is_not_about_the_bytes(error: BaseException) -> bool:
    """Tell the machine's troubles and requests to stop from what damaged bytes can cause.

    A panic of a decoder written in Rust is no Exception, so `except Exception` would miss it.
    """
    if type(error).__module__ == "pyo3_runtime":
        return False
    if not isinstance(error, Exception) or isinstance(error, MemoryError):
        return True
    return isinstance(error, OSError) and error.errno is not None


def _describe(error: BaseException) -> str:
    lines = str(error).strip().splitlines()
    kind = type(error).__name__
    return f"{kind}: {lines[0][:200]}" if lines else kind
