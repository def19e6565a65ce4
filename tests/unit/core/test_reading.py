"""From bytes to reader to recordings, with readers that are registered for the test alone."""

from __future__ import annotations

import errno
from typing import TYPE_CHECKING, Any

import pytest

from tasks.core.discovery import load_readers
from tasks.core.errors import (
    DamagedError,
    NoClockError,
    NothingRecordedError,
    UnknownFormatError,
)
from tasks.core.reading import SNIFFED_BYTES, find_reader, is_complete, read_export
from tasks.core.recording import ExportFile
from tasks.core.registers import READERS, ReadOptions, reader

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

MAGIC = b"\x00invented-format"


class Behaviour:
    """What the invented reader does, set by each test."""

    error: BaseException | None = None
    complete: bool = True


@pytest.fixture
def behaviour() -> Iterator[Behaviour]:
    load_readers()
    chosen = Behaviour()

    def register(name: str) -> None:
        @reader(
            name,
            suffixes=(f".{name}",),
            sniff=lambda head: head.startswith(MAGIC),
            is_complete=lambda _: chosen.complete,
            source="invented",
        )
        def read_invented(export: ExportFile, options: ReadOptions) -> tuple[Any, ...]:  # noqa: ARG001
            if chosen.error is not None:
                raise chosen.error
            return ()

    register("first")
    register("second")
    yield chosen
    del READERS["first"], READERS["second"]


@pytest.fixture
def export(tmp_path: Path) -> ExportFile:
    path = tmp_path / "3f2a.bin"
    path.write_bytes(MAGIC * 1000)
    return ExportFile(path, "ride.first")


def test_the_suffix_of_the_known_name_settles_a_tie(
    behaviour: Behaviour, export: ExportFile
) -> None:
    assert behaviour.error is None
    assert find_reader(export.path, "ride.first").format == "first"
    assert find_reader(export.path, "RIDE.SECOND").format == "second"


def test_a_tie_that_no_suffix_settles_is_refused(behaviour: Behaviour, export: ExportFile) -> None:
    assert behaviour.error is None
    with pytest.raises(
        UnknownFormatError, match=r"ride\.xyz: the content could be first or second"
    ):
        find_reader(export.path, "ride.xyz")


def test_the_bytes_decide_against_the_suffix(tmp_path: Path) -> None:
    path = tmp_path / "3f2a.bin"
    path.write_bytes(b'<gpx version="1.1" creator="Alder 2"></gpx>')
    assert find_reader(path, "ride.fit").format == "gpx"


def test_only_the_beginning_is_looked_at(tmp_path: Path) -> None:
    path = tmp_path / "late.gpx"
    path.write_bytes(b" " * SNIFFED_BYTES + b'<gpx version="1.1" creator="Alder 2"></gpx>')
    with pytest.raises(UnknownFormatError):
        find_reader(path, "late.bin")


@pytest.mark.parametrize(
    ("content", "name", "says"),
    [
        (b"", "run.gpx", "the file is empty"),
        (b"\x89PNG\r\n\x1a\n" * 9, "run.gpx", "the name says gpx, but the content begins with"),
        (b"\x89PNG\r\n\x1a\n" * 9, "photo.png", "no known format"),
    ],
)
def test_unknown_bytes_are_refused_with_what_was_seen(
    tmp_path: Path, content: bytes, name: str, says: str
) -> None:
    path = tmp_path / "3f2a.bin"
    path.write_bytes(content)
    with pytest.raises(UnknownFormatError, match=says) as caught:
        find_reader(path, name)
    assert str(caught.value).startswith(f"{name}: ")
    assert "\n" not in str(caught.value)


class PanicError(BaseException):
    """Stands where the panic of a decoder written in Rust stands."""


PanicError.__module__ = "pyo3_runtime"


@pytest.mark.parametrize(
    "error",
    [
        ValueError("first line\nsecond line"),
        AssertionError(),
        RecursionError("too deep"),
        OSError("not a gzipped file"),
        PanicError("index out of bounds"),
    ],
)
def test_whatever_a_decoder_throws_becomes_one_refusal(
    behaviour: Behaviour, export: ExportFile, error: BaseException
) -> None:
    behaviour.error = error
    with pytest.raises(DamagedError, match=r"ride\.first: its first content cannot be") as caught:
        read_export(export, ReadOptions())
    assert "\n" not in str(caught.value)
    assert type(error).__name__ in str(caught.value)
    assert caught.value.__cause__ is error


@pytest.mark.parametrize(
    "error",
    [
        KeyboardInterrupt(),
        SystemExit(1),
        MemoryError(),
        OSError(errno.ENOSPC, "No space left on device"),
        PermissionError(errno.EACCES, "Permission denied"),
        NoClockError("ride.first", found="no zone", remedy="state one"),
    ],
)
def test_what_says_nothing_about_the_bytes_passes_through(
    behaviour: Behaviour, export: ExportFile, error: BaseException
) -> None:
    behaviour.error = error
    with pytest.raises(type(error)) as caught:
        read_export(export, ReadOptions())
    assert caught.value is error


def test_a_reader_that_finds_no_activity_is_a_refusal(
    behaviour: Behaviour, export: ExportFile
) -> None:
    assert behaviour.error is None
    with pytest.raises(NothingRecordedError, match="a first file without an activity"):
        read_export(export, ReadOptions())


@pytest.mark.parametrize("complete", [True, False])
def test_the_reader_says_whether_its_file_is_complete(
    behaviour: Behaviour, export: ExportFile, *, complete: bool
) -> None:
    behaviour.complete = complete
    assert is_complete(export.path, export.name) is complete


def test_unknown_content_is_complete_once_there_is_some(tmp_path: Path) -> None:
    path = tmp_path / "photo.png"
    path.write_bytes(b"\x89PNG\r\n\x1a\n")
    assert not is_complete(path, path.name)
    path.write_bytes(b"\x89PNG\r\n\x1a\n" * 9)
    assert is_complete(path, path.name)


def test_a_file_that_is_gone_is_no_damage(tmp_path: Path) -> None:
    gone = tmp_path / "gone.gpx"
    with pytest.raises(FileNotFoundError):
        read_export(ExportFile(gone, gone.name), ReadOptions())
