"""Every command is declared once, in its own file, and listed with a whole sentence."""

from __future__ import annotations

import importlib
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from flows import commands
from flows.commands import GROUPS
from flows.commands.declare import app, read_first_sentence, read_usage_error

NAMES = [name for names in GROUPS.values() for name in names]
FOLDER = Path(commands.__file__).parent


def call(*words: str, columns: int = 80) -> str:
    done = CliRunner().invoke(app, words, env={"COLUMNS": str(columns), "NO_COLOR": "1"})
    assert done.exit_code == 0, done.output
    return done.output


def test_each_command_has_a_file_and_each_declaring_file_is_listed() -> None:
    declaring = {path.stem for path in FOLDER.glob("*.py") if "\n@command(" in path.read_text()}
    assert declaring == set(NAMES)
    assert len(NAMES) == len(set(NAMES))


@pytest.mark.parametrize("name", NAMES)
def test_the_list_holds_the_first_sentence_of_the_help(name: str) -> None:
    sentence = read_first_sentence(name)
    module = importlib.import_module(f"flows.commands.{name}")
    beginning = " ".join((getattr(module, name).__doc__ or "").split())
    assert beginning.startswith(sentence)
    assert sentence.endswith(".")
    assert " ".join(call(name, "--help", columns=300).split()).count(sentence) == 1


def test_the_list_is_whole_at_eighty_columns() -> None:
    listed = call("--help")
    assert max(len(line) for line in listed.splitlines()) <= 80
    assert "..." not in listed.partition("Every day:")[2]
    words = " ".join(listed.split())
    assert all(read_first_sentence(name) in words for name in NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_every_command_takes_the_common_options_behind_it(name: str) -> None:
    shown = call(name, "--help")
    assert "--debug" in shown
    assert "--quiet" in shown
    assert ("--home" in shown) == (name != "metrics")
    assert "Raises" not in shown


def test_an_unknown_command_is_a_usage_error() -> None:
    group = typer.main.get_command(app)
    with pytest.raises(Exception, match="nosuch") as raised:
        group.main(["nosuch"], standalone_mode=False)
    usage = read_usage_error(raised.value)
    assert usage is not None
    assert usage.code == 2
