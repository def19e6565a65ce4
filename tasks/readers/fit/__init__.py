"""Reads FIT activity files: checksums first, then the values by columns.

What the decoder by columns declines, fitparse reads; what fitparse refuses, fitdecode.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cache
from importlib.metadata import version
from typing import TYPE_CHECKING, Final

from tasks.core.errors import DamagedError, NoClockError, NothingRecordedError
from tasks.core.recording import Recording, Remark
from tasks.core.registers import ReadOptions, reader
from tasks.readers.fit import columns, parts, with_fitdecode, with_fitparse
from tasks.readers.fit.build import Origin, build_recordings
from tasks.readers.fit.fields import (
    ACTIVITY,
    FILE_ID,
    FILE_TYPES,
    PLANNED_FILE_TYPES,
    SESSION,
    Message,
)
from tasks.readers.fit.gather import Gathered, MessageCollector
from tasks.readers.fit.layouts import DeclinedError

if TYPE_CHECKING:
    from tasks.core.recording import ExportFile
    from tasks.readers.fit.parts import Part

_AGAIN: Final = "export it again from the device or its app"
_TYPE_ACTIVITY: Final = 4
_NOT_CLOSED: Final = (
    "perhaps incomplete: it lacks the messages that close an activity (session, activity), "
    "so its end may be missing"
)


@reader(
    "fit",
    suffixes=(".fit",),
    sniff=parts.looks_like_fit,
    is_complete=parts.has_all_declared_bytes,
    source="FIT protocol and profile (file header, records, base types, CRC), public description",
)
def read_fit(export: ExportFile, options: ReadOptions) -> tuple[Recording, ...]:  # noqa: ARG001 - one signature for all readers
    """Read all sessions of all parts of a FIT file.

    Parameters
    ----------
    export
        The file, its name and its hash.
    options
        Not used: times are UTC.

    Returns
    -------
    tuple[Recording, ...]
        One for each session. A cut part gives what came before the cut, with status "partial".

    Raises
    ------
    DamagedError
        A part has the right size and a wrong checksum: the file is refused with it.
    NoClockError
        Times since the device's start-up only.
    NothingRecordedError
        A course, a workout plan, settings, or nothing at all.
    """
    data = export.path.read_bytes()
    found, n_trailing = _split(data, name=export.name)
    for part in found:
        if part.state == "whole" and not parts.has_right_crc(part, data):
            raise DamagedError(
                export.name,
                found=f"the checksum is wrong although all {part.end - part.start} bytes are there",
                remedy=f"its numbers cannot be trusted: {_AGAIN}",
            )
    recordings: list[Recording] = []
    left_out: list[tuple[int, Part, NothingRecordedError | NoClockError]] = []
    for number, part in enumerate(found, start=1):
        try:
            recordings += _read_part(part, data, name=export.name)
        except (NothingRecordedError, NoClockError) as error:
            # A chain may hold settings or a part without a clock beside an activity.
            left_out.append((number, part, error))
    if not recordings:
        raise left_out[0][2]
    for number, part, refusal in left_out:
        text = f"part {number} of the file was left out: {refusal.found}"
        recordings = _remark_missing(recordings, text, is_loss=part.state != "whole")
    if n_trailing:
        text = f"{n_trailing} bytes after the end of the FIT data were left aside"
        recordings = _remark_missing(recordings, text, is_loss=any(data[-n_trailing:]))
    return tuple(
        replace(recording, header=replace(recording.header, index=index))
        for index, recording in enumerate(recordings)
    )


def _split(data: bytes, *, name: str) -> tuple[tuple[Part, ...], int]:
    try:
        return parts.split_parts(data)
    except parts.FrameError as error:
        found = "the file is empty" if not data else "it does not begin with a FIT header"
        raise DamagedError(name, found=found, remedy=_AGAIN) from error


def _read_part(part: Part, data: bytes, *, name: str) -> list[Recording]:
    gathered, reader_name, why_not = _decode(part, data, name=name)
    cut = _describe_cut(part, len(data))
    _refuse_plan(gathered, name=name)
    origin = Origin(reader_name, "whole" if cut is None else "partial", cut)
    recordings = build_recordings(gathered, origin)
    if not recordings:
        raise _explain_nothing(gathered, cut, name=name)
    remarks = []
    if why_not is not None:
        remarks.append(Remark(f"fitparse refused the file ({why_not}); fitdecode read it"))
    if parts.has_wrong_header_crc(part, data):
        remarks.append(Remark("the header's own checksum is wrong, that of the file is right"))
    found = [recording.with_remarks(*remarks) for recording in recordings]
    if cut is None and _lacks_closing(gathered):
        return _remark_missing(found, _NOT_CLOSED, is_loss=True)
    return found


def _lacks_closing(gathered: Gathered) -> bool:
    """Say whether an activity lacks all that is written at its end.

    Its size and checksum may be right all the same: a program that cuts files can mend them.

    References
    ----------
    FIT SDK, file types, activity: session and activity messages are required.
    """
    is_activity = _find_type(gathered) == _TYPE_ACTIVITY
    return is_activity and not gathered.messages[SESSION] and not gathered.messages[ACTIVITY]


def _decode(part: Part, data: bytes, *, name: str) -> tuple[Gathered, str, str | None]:
    """Return the messages of a part, who decoded them, and why fitparse did not if it did not."""
    piece = part.open_bytes(data)
    try:
        return columns.gather_columns(piece), columns.READER, None
    except DeclinedError:
        # Nothing is wrong with such a part: its form is only not that of columns.
        pass
    try:
        gathered = _gather(with_fitparse.read_messages, piece, part=part)
    except with_fitparse.DECODER_ERRORS as error:
        first = _describe(error)
    else:
        return gathered, _name_reader("fitparse"), None
    try:
        gathered = _gather(with_fitdecode.read_messages, piece, part=part)
    except with_fitdecode.find_decoder_errors() as error:
        raise DamagedError(
            name,
            found=f"it cannot be decoded (fitparse: {first}; fitdecode: {_describe(error)})",
            remedy=_AGAIN,
        ) from error
    return gathered, _name_reader("fitdecode"), first


def _gather(
    read_messages: Callable[[bytes], Iterator[Message]], piece: bytes, *, part: Part
) -> Gathered:
    """Collect what a decoder gives; running out of bytes is expected of a part that is cut."""
    collector = MessageCollector()
    try:
        collector.take_all(read_messages(piece))
    except with_fitdecode.find_cut_errors():
        if part.state == "whole":
            raise
    return collector.finish()


def _describe_cut(part: Part, n_bytes: int) -> str | None:
    if part.state == "whole":
        return None
    if part.state == "unclosed":
        return "the header declares no data: the device did not close the file"
    return f"the file holds {n_bytes} of {part.declared_end} bytes"


def _refuse_plan(gathered: Gathered, *, name: str) -> None:
    kind = _find_type(gathered)
    if kind in PLANNED_FILE_TYPES:
        raise NothingRecordedError(
            name,
            found=f"it is a {FILE_TYPES[kind]}, not a recording",
            remedy="drop the activity that was recorded",
        )


def _explain_nothing(
    gathered: Gathered, cut: str | None, *, name: str
) -> NoClockError | NothingRecordedError:
    if len(gathered.records.seconds):
        return NoClockError(
            name,
            found="all its times count from the device's start-up, not from a date",
            remedy="set the device's clock (a satellite fix or a sync does) before recording",
        )
    if gathered.n_without_time:
        return NoClockError(
            name,
            found=f"none of its {gathered.n_without_time} records has a time",
            remedy="export it again with times",
        )
    kind = _find_type(gathered)
    what = FILE_TYPES.get(kind, f"file of type {kind}") if kind is not None else "file"
    if cut is not None:
        return NothingRecordedError(
            name, found=f"{cut}, and no sample comes before the cut", remedy=_AGAIN
        )
    return NothingRecordedError(
        name,
        found=f"a FIT {what} without a single sample, length or beat",
        remedy="drop an activity that was recorded",
    )


def _find_type(gathered: Gathered) -> int | None:
    return next(
        (int(message["type"]) for message in gathered.messages[FILE_ID] if "type" in message), None
    )


def _remark_missing(recordings: list[Recording], text: str, *, is_loss: bool) -> list[Recording]:
    """Say that some of the file was not read; a loss makes the last recording a partial one."""
    *before, last = [recording.with_remarks(Remark(text)) for recording in recordings]
    if is_loss and last.header.status == "whole":
        last = replace(last, header=replace(last.header, status="partial", reason=text))
    return [*before, last]


@cache
def _name_reader(distribution: str) -> str:
    return f"{distribution} {version(distribution)}"


def _describe(error: BaseException) -> str:
    lines = str(error).strip().splitlines()
    return lines[0][:120] if lines else type(error).__name__
