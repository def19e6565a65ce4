"""What every registered reader must do; the register names the members, this file does not."""

from __future__ import annotations

import tomllib
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from tasks.core import errors
from tasks.core.discovery import load_readers
from tasks.core.reading import find_reader, is_complete, read_export
from tasks.core.recording import ExportFile, Recording
from tasks.core.registers import READERS, ReadOptions
from tasks.tables.arrow import build_schema
from tasks.tables.tables import RECORDING_TABLES

FILES = Path(__file__).parent / "files"
#: From the key in an expectation file to the table that it looks into.
TABLE_OF_KEY = {
    "sample": "samples",
    "lap": "laps",
    "length": "lengths",
    "beat": "beats",
    "battery": "battery",
    "event": "events",
}

load_readers()
FORMATS = sorted(READERS)


def list_cases(kind: str) -> list[Any]:
    """List the files of `kind` (good, broken) of all registered formats; none is a failure too."""
    cases = []
    for name in FORMATS:
        found = sorted(
            path
            for path in (FILES / name).glob(f"{kind}*")
            if path.stem.split("-")[0] == kind and path.suffix != ".toml"
        )
        cases += [pytest.param(name, path, id=f"{name}-{path.name}") for path in found]
        if not found:
            cases.append(pytest.param(name, None, id=f"{name}-has-no-{kind}-file"))
    return cases


def load_expectation(path: Path | None, *, name: str) -> tuple[Path, dict[str, Any]]:
    assert path is not None, f"tests/contract/files/{name} lacks a file; see the README there"
    text = (path.parent / f"{path.stem}.expected.toml").read_text(encoding="utf-8")
    return path, tomllib.loads(text)


def read(path: Path, options: dict[str, Any] | None = None) -> tuple[Recording, ...]:
    return read_export(ExportFile(path, path.name), ReadOptions(**(options or {})))


def assert_rows(recording: Recording, key: str, expected: list[dict[str, Any]]) -> None:
    table = getattr(recording, TABLE_OF_KEY[key])
    for wanted in expected:
        row = table.slice(wanted["row"], 1).to_pylist()[0]
        for name, value in wanted.items():
            if name == "row":
                continue
            if name == "missing":
                assert [row[column] for column in value] == [None] * len(value)
            elif isinstance(value, float):
                # Values are typed with at most nine digits; 1e-9 is float noise on them.
                assert row[name] == pytest.approx(value, rel=1e-9, abs=1e-9), name
            else:
                assert row[name] == value, name


def test_some_formats_are_registered() -> None:
    assert FORMATS


@pytest.mark.parametrize("name", FORMATS)
def test_a_reader_says_what_it_reads_and_by_which_standard(name: str) -> None:
    reader = READERS[name]
    assert reader.source.strip()
    assert reader.suffixes
    for suffix in reader.suffixes:
        assert suffix == suffix.lower()
        assert suffix.startswith(".")


@pytest.mark.parametrize(("name", "path"), list_cases("good"))
def test_a_good_file_gives_its_expected_values(name: str, path: Path | None) -> None:
    path, expected = load_expectation(path, name=name)
    assert expected["source"].strip(), "say where the expected values come from"
    recordings = read(path, expected.get("options"))
    assert len(recordings) == len(expected["recording"])
    for recording, wanted in zip(recordings, expected["recording"], strict=True):
        assert isinstance(wanted["start_utc"], datetime)
        assert (recording.start_utc, recording.end_utc) == (wanted["start_utc"], wanted["end_utc"])
        assert {key: getattr(recording, key).num_rows for key in wanted["rows"]} == wanted["rows"]
        for field, value in wanted["header"].items():
            assert getattr(recording.header, field) == value, field
        values = {key: wanted[key] for key in TABLE_OF_KEY if key in wanted}
        assert values, "name the values of at least one row"
        for key, rows in values.items():
            assert_rows(recording, key, rows)


@pytest.mark.parametrize(("name", "path"), list_cases("good"))
def test_a_good_file_keeps_the_form_of_a_recording(name: str, path: Path | None) -> None:
    path, expected = load_expectation(path, name=name)
    recordings = read(path, expected.get("options"))
    assert [recording.header.index for recording in recordings] == list(range(len(recordings)))
    for recording in recordings:
        assert recording.header.format == name
        assert recording.header.reader.strip()
        for table in RECORDING_TABLES:
            assert getattr(recording, table.name).schema == build_schema(table), table.name
        assert recording.start_utc <= recording.end_utc
        assert recording.start_utc.utcoffset() is not None


@pytest.mark.parametrize(("name", "path"), list_cases("good"))
def test_a_good_file_is_known_by_its_bytes_whatever_it_is_called(
    name: str, path: Path | None
) -> None:
    path, _ = load_expectation(path, name=name)
    assert find_reader(path, path.name).format == name
    assert find_reader(path, "download").format == name
    assert is_complete(path, path.name)


@pytest.mark.parametrize(("name", "path"), list_cases("good"))
def test_reading_twice_gives_the_same(name: str, path: Path | None) -> None:
    path, expected = load_expectation(path, name=name)
    options = expected.get("options")
    for first, second in zip(read(path, options), read(path, options), strict=True):
        assert first.header == second.header
        assert first.remarks == second.remarks
        for table in RECORDING_TABLES:
            assert getattr(first, table.name).equals(getattr(second, table.name)), table.name


@pytest.mark.parametrize(("name", "path"), list_cases("broken"))
def test_a_broken_file_is_refused_in_one_line_that_names_it(name: str, path: Path | None) -> None:
    path, expected = load_expectation(path, name=name)
    kind = getattr(errors, expected["error"])
    assert issubclass(kind, errors.ExportRefusedError)
    with pytest.raises(kind) as caught:
        read(path, expected.get("options"))
    assert type(caught.value) is kind
    message = str(caught.value)
    assert message.startswith(path.name)
    assert expected["says"] in message
    assert "\n" not in message


@pytest.mark.parametrize("name", FORMATS)
def test_an_empty_file_is_refused(name: str, tmp_path: Path) -> None:
    path = tmp_path / f"empty{READERS[name].suffixes[0]}"
    path.touch()
    with pytest.raises(errors.ExportRefusedError, match="empty"):
        read(path)
    assert not is_complete(path, path.name)
