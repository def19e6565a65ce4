"""Every error that coworn raises itself.

    CowornError
    ├── UsageError            the command line or a settings file is wrong; nothing was done
    │   └── SettingsError     ... with the file, the line and the key
    ├── ExportRefusedError    one export is not taken; the others go on
    │   ├── DamagedError      its checksum or structure says that its numbers cannot be trusted
    │   ├── UnknownFormatError
    │   ├── UnknownLayoutError    a CSV whose columns no layout describes
    │   ├── NoClockError      its times cannot be placed on the UTC axis
    │   ├── NothingRecordedError  a route, or a recording without a single sample
    │   ├── ReaderFailedError     reading it hung, ate the memory or ended the process that reads
    │   └── UnsafeArchiveError
    ├── NotesError            notes that cannot be used, with file, line and value
    └── StoreBusyError        another program holds the results for too long

Each message is one line: which file, what was found, what was expected, what to do.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from datetime import datetime


class CowornError(Exception):
    """Root of all errors that are reported in one line."""


class UsageError(CowornError):
    """The command line or the configuration is wrong; nothing was done."""


class SettingsError(UsageError):
    """A settings or devices file cannot be used.

    Attributes: `file` (name), `line` (1-based, None when unknown), `found`, `remedy`.
    """

    def __init__(self, file: str, *, line: int | None = None, found: str, remedy: str) -> None:
        self.file = file
        self.line = line
        self.found = found
        self.remedy = remedy
        super().__init__(f"{_place(file, line)}: {found}; {remedy}")

    def __reduce__(self) -> tuple[object, ...]:
        """Keep the facts when the error travels between processes."""
        return _rebuild_placed, (type(self), self.file, self.line, self.found, self.remedy)


class ExportRefusedError(CowornError):
    """One export is not taken.

    Attributes: `file` (the name that the person knows), `found`, `remedy`.
    """

    def __init__(self, file: str, *, found: str, remedy: str) -> None:
        self.file = file
        self.found = found
        self.remedy = remedy
        super().__init__(f"{file}: {found}; {remedy}")

    @property
    def reason(self) -> str:
        """What was found and what to do, without the file's name."""
        return f"{self.found}; {self.remedy}"

    def __reduce__(self) -> tuple[object, ...]:
        """Keep the facts when the error travels between processes."""
        return _rebuild_refusal, (type(self), self.file, self.found, self.remedy, self._extra())

    def _extra(self) -> dict[str, object]:
        return {}


class DamagedError(ExportRefusedError):
    """The checksum or the structure says that the numbers cannot be trusted."""


class UnknownFormatError(ExportRefusedError):
    """No reader knows these bytes."""


class UnknownLayoutError(ExportRefusedError):
    """A CSV file whose columns no layout describes.

    Attributes: as for every refusal, and `proposal`: the text of a layout file that a person can
    finish and put under `columns/` in the home folder.
    """

    def __init__(self, file: str, *, found: str, remedy: str, proposal: str = "") -> None:
        super().__init__(file, found=found, remedy=remedy)
        self.proposal = proposal

    def _extra(self) -> dict[str, object]:
        return {"proposal": self.proposal}


class NoClockError(ExportRefusedError):
    """The times of this export cannot be placed on the UTC axis.

    Attributes: as for every refusal, and `local_span`: the first and the last time where all that
    is missing is their zone, as naive times.
    """

    def __init__(
        self,
        file: str,
        *,
        found: str,
        remedy: str,
        local_span: tuple[datetime, datetime] | None = None,
    ) -> None:
        super().__init__(file, found=found, remedy=remedy)
        self.local_span = local_span

    def _extra(self) -> dict[str, object]:
        return {"local_span": self.local_span}


class NothingRecordedError(ExportRefusedError):
    """A route without times, or a recording without a single sample."""


class ReaderFailedError(ExportRefusedError):
    """Reading it took too long, needed too much memory, or ended the process that reads."""


class UnsafeArchiveError(ExportRefusedError):
    """An archive with links, absolute names, paths that climb out, or too much inside."""


class NotesError(CowornError):
    """Notes that cannot be used.

    Attributes: `file`, `line` (1-based, None when the fault has no place), `found`, `remedy`.
    """

    def __init__(self, file: str, *, line: int | None = None, found: str, remedy: str) -> None:
        self.file = file
        self.line = line
        self.found = found
        self.remedy = remedy
        super().__init__(f"{_place(file, line)}: {found}; {remedy}")

    @property
    def reason(self) -> str:
        """What was found and what to do, without the file's name."""
        place = "" if self.line is None else f"line {self.line}: "
        return f"{place}{self.found}; {self.remedy}"

    def __reduce__(self) -> tuple[object, ...]:
        """Keep the facts when the error travels between processes."""
        return _rebuild_placed, (type(self), self.file, self.line, self.found, self.remedy)


class StoreBusyError(CowornError):
    """Another program holds the results for longer than we wait."""


def _place(file: str, line: int | None) -> str:
    return file if line is None else f"{file}, line {line}"


def _rebuild_refusal(
    kind: type[ExportRefusedError], file: str, found: str, remedy: str, extra: dict[str, Any]
) -> ExportRefusedError:
    return kind(file, found=found, remedy=remedy, **extra)


def _rebuild_placed(
    kind: type[SettingsError | NotesError], file: str, line: int | None, found: str, remedy: str
) -> SettingsError | NotesError:
    return kind(file, line=line, found=found, remedy=remedy)
