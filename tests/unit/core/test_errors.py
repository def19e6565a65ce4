"""Errors tell one line, keep their facts, and travel between processes."""

from __future__ import annotations

import pickle

import pytest

from tasks.core.errors import (
    CowornError,
    DamagedError,
    ExportRefusedError,
    NotesError,
    SettingsError,
    UnknownLayoutError,
    UsageError,
)


def list_refusals() -> list[type[ExportRefusedError]]:
    return [ExportRefusedError, *ExportRefusedError.__subclasses__()]


@pytest.mark.parametrize("kind", list_refusals())
def test_a_refusal_names_the_file_what_was_found_and_what_to_do(
    kind: type[ExportRefusedError],
) -> None:
    error = kind("run.fit", found="wrong checksum", remedy="copy it again")
    assert str(error) == "run.fit: wrong checksum; copy it again"
    assert error.reason == "wrong checksum; copy it again"
    assert isinstance(error, CowornError)


@pytest.mark.parametrize("kind", list_refusals())
def test_a_refusal_survives_the_way_to_another_process(kind: type[ExportRefusedError]) -> None:
    error = pickle.loads(pickle.dumps(kind("run.fit", found="a", remedy="b")))  # noqa: S301 - own
    assert type(error) is kind
    assert (error.file, error.found, error.remedy) == ("run.fit", "a", "b")


def test_a_proposal_for_a_layout_survives_too() -> None:
    error = UnknownLayoutError("x.csv", found="a", remedy="b", proposal="[columns]")
    again = pickle.loads(pickle.dumps(error))  # noqa: S301 - pickled above
    assert again.proposal == "[columns]"


def test_errors_of_settings_and_notes_name_the_line_where_it_is_known() -> None:
    settings = SettingsError("coworn.toml", line=3, found="unknown key", remedy="remove it")
    assert str(settings) == "coworn.toml, line 3: unknown key; remove it"
    assert isinstance(settings, UsageError)
    notes = NotesError("run.notes.toml", found="no start", remedy="add one")
    assert str(notes) == "run.notes.toml: no start; add one"
    placed = NotesError("run.notes.toml", line=7, found="no start", remedy="add one")
    assert placed.reason == "line 7: no start; add one"
    assert pickle.loads(pickle.dumps(placed)).line == 7  # noqa: S301 - pickled here
    assert pickle.loads(pickle.dumps(settings)).line == 3  # noqa: S301 - pickled here


def test_damage_is_a_refusal_and_a_settings_fault_is_not() -> None:
    assert issubclass(DamagedError, ExportRefusedError)
    assert not issubclass(SettingsError, ExportRefusedError)
