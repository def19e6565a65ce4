"""Keeps what a foreign file can do to its reader away from the process that holds all together.

A thread cannot be stopped, and a library written in C can take its whole process down. So exports,
notes, archives and courses are read in a process of their own, with a limit of time and of memory;
what goes too far there is ended and refused with its reason, and the next file finds a new one.
Here, nobody looks at more of a file than its first four bytes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, TypeVar

from tasks.core.errors import NotesError, ReaderFailedError
from tasks.guard.clean import Clean, read_clean
from tasks.guard.foreign import (
    NotesText,
    expand,
    find_fitting,
    find_format,
    look_complete,
    read_notes_text,
    read_notes_texts,
)
from tasks.guard.process import CallEndedError, Pool, ReadingProcessError
from tasks.workout.courses import load_line, read_line
from tasks.workout.outlines import load_outlines, read_outline

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

    from config.settings import ArchiveSettings, ReadSettings
    from tasks.core.recording import ExportFile
    from tasks.core.registers import ReadOptions
    from tasks.workout.outlines import Outlines

__all__ = [
    "POOL",
    "Clean",
    "NotesText",
    "ReadingProcessError",
    "expand_isolated",
    "find_fitting_isolated",
    "find_format_isolated",
    "is_complete_isolated",
    "load_line_isolated",
    "load_outlines_isolated",
    "read_line_isolated",
    "read_notes_isolated",
    "read_some_notes_isolated",
    "run_isolated_read",
    "warm_up",
]

T = TypeVar("T")

#: The reading processes of this process.
POOL = Pool()

#: Limits for looking at a file, which takes far less than reading it.
LOOK_LONGEST_S: Final = 30.0
LOOK_MOST_MB: Final = 1024.0
#: Bytes of a gzip archive that are expanded to see whether its end is there.
LOOK_MOST_EXPANDED_BYTES: Final = 256 * 1024 * 1024

_BYTES_PER_MB: Final = 1_000_000
#: CSV files that are compared with layouts in one call.
_GROUP: Final = 20
_SEND: Final = "send the file to whoever maintains coworn"


def run_isolated_read(export: ExportFile, options: ReadOptions, *, settings: ReadSettings) -> Clean:
    """Read and normalise `export` in a reading process; at least one recording.

    Raises: ExportRefusedError, a ReaderFailedError when it took too long, needed too much memory
    or ended the process; ReadingProcessError when there is none to be had; OSError.
    """
    return _call(read_clean, export, options, name=export.name, settings=settings)


def find_fitting_isolated(
    files: Sequence[ExportFile], layouts: Sequence[Path], *, settings: ReadSettings
) -> set[str]:
    """Return the ids of the CSV files that one of the layout files fits, asked in small groups.

    A group that goes too far counts as fitting: reading its files says why. Raises: OSError;
    ReadingProcessError.
    """
    fitting: set[str] = set()
    for begin in range(0, len(files), _GROUP):
        group = tuple(files[begin : begin + _GROUP])
        try:
            fitting |= POOL.call(
                find_fitting,
                *(group, tuple(layouts)),
                longest_s=settings.longest_s,
                most_memory_mb=settings.most_memory_mb,
            )
        except CallEndedError:
            fitting |= {file.file_id for file in group}
    return fitting


def expand_isolated(
    export: ExportFile, into: Path, *, limits: ArchiveSettings, settings: ReadSettings
) -> tuple[ExportFile, ...]:
    """Write what is in an archive into a folder below `into`; see `expand_archive`.

    Whoever made `into` removes it: what went too far may have left something there.
    Raises: as `run_isolated_read`.
    """
    most_bytes = int(limits.max_expanded_mb * _BYTES_PER_MB)
    return _call(
        expand,
        *(export, into, most_bytes, limits.max_members),
        name=export.name,
        settings=settings,
        remake="pack it again",
    )


def read_notes_isolated(file: ExportFile, *, zone: str | None, settings: ReadSettings) -> NotesText:
    """Read a notes file in a reading process; `zone` as in `read_lines_of_notes`.

    Raises: NotesError, else as `run_isolated_read`.
    """
    return _call(
        read_notes_text,
        *(file, zone),
        name=file.name,
        settings=settings,
        remake="write the notes anew",
    )


def read_some_notes_isolated(
    files: Sequence[ExportFile], *, zone: str | None, settings: ReadSettings
) -> tuple[NotesText | NotesError | ReaderFailedError, ...]:
    """Read several notes files; return for each what it says or why it cannot be used.

    All in one call, which a thousand of them would feel; each on its own when that goes too far.
    Raises: OSError; ReadingProcessError.
    """
    if not files:
        return ()
    try:
        return POOL.call(
            read_notes_texts,
            *(tuple(files), zone),
            longest_s=settings.longest_s,
            most_memory_mb=settings.most_memory_mb,
        )
    except CallEndedError:
        return tuple(_try_notes(file, zone, settings) for file in files)


def read_line_isolated(path: Path, *, settings: ReadSettings) -> NDArray[np.float64] | None:
    """Read the line of a course in a reading process. Raises as `run_isolated_read` does."""
    return _call(
        read_line, path, name=path.name, settings=settings, remake="export the course again"
    )


def load_line_isolated(
    name: str, *, courses: Path, settings: ReadSettings
) -> NDArray[np.float64] | None:
    """Return the line of the course called `name`; None where there is none that can be read."""
    return load_line(
        name, courses=courses, read=lambda path: read_line_isolated(path, settings=settings)
    )


def load_outlines_isolated(folder: Path, *, settings: ReadSettings) -> Outlines:
    """Load the outlines of a folder, each file in a reading process."""

    def read(path: Path) -> tuple[NDArray[np.float64], ...]:
        return _call(
            read_outline, path, name=path.name, settings=settings, remake="export it again"
        )

    return load_outlines(folder, read=read)


def is_complete_isolated(path: Path, name: str) -> bool:
    """Say whether the file at `path` holds all that its format promises; see `look_complete`.

    A file that cannot be looked at within the limits counts as complete: reading it says why.
    Raises: OSError, ReadingProcessError when there is none to be had.
    """
    try:
        return POOL.call(
            look_complete,
            *(path, name, LOOK_MOST_EXPANDED_BYTES),
            longest_s=LOOK_LONGEST_S,
            most_memory_mb=LOOK_MOST_MB,
        )
    except CallEndedError:
        return True


def find_format_isolated(path: Path, name: str, *, settings: ReadSettings) -> str | None:
    """Return format of the file at `path`; None for one that nobody knows, or that goes too far.

    Raises: OSError, ReadingProcessError when there is none to be had.
    """
    try:
        return POOL.call(
            find_format,
            *(path, name),
            longest_s=min(LOOK_LONGEST_S, settings.longest_s),
            most_memory_mb=LOOK_MOST_MB,
        )
    except CallEndedError:
        return None


def warm_up() -> None:
    """Let a reading process start while other things are done."""
    POOL.warm_up()


def _try_notes(
    file: ExportFile, zone: str | None, settings: ReadSettings
) -> NotesText | NotesError | ReaderFailedError:
    try:
        return read_notes_isolated(file, zone=zone, settings=settings)
    except (NotesError, ReaderFailedError) as error:
        return error


def _call(
    function: Callable[..., T],
    *arguments: object,
    name: str,
    settings: ReadSettings,
    remake: str = "export the activity again",
) -> T:
    """Call `function` for the file `name`; what goes too far is a ReaderFailedError of it."""
    try:
        return POOL.call(
            function,
            *arguments,
            longest_s=settings.longest_s,
            most_memory_mb=settings.most_memory_mb,
        )
    except CallEndedError as error:
        raise _make_refusal(name, error, settings=settings, remake=remake) from error


def _make_refusal(
    name: str, error: CallEndedError, *, settings: ReadSettings, remake: str
) -> ReaderFailedError:
    if error.is_too_long:
        found = f"reading it was stopped after {settings.longest_s:g} s"
        remedy = f"if it is that long, raise read.longest_s and try it again, else {_SEND}"
    elif error.is_out_of_memory:
        found = f"reading it needs more than {settings.most_memory_mb:g} MB of memory"
        remedy = f"if it is that large, raise read.most_memory_mb and try it again, else {_SEND}"
    else:
        found = f"reading it ended the process that reads, twice ({error.death})"
        remedy = f"{remake}; if that ends the same way, {_SEND}"
    return ReaderFailedError(name, found=found, remedy=remedy)
