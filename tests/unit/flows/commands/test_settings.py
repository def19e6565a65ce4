"""`coworn settings` shows values as coworn.toml takes them, beside the defaults."""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING

import pytest

from config.settings import load_settings
from flows.commands.declare import Options
from flows.commands.settings import format_toml, list_settings, settings
from tasks.core.errors import UsageError

if TYPE_CHECKING:
    from pathlib import Path

PRIVATE = """
[inbox]
quiet_s = 7.5
[[report.private]]
latitude_deg = 47.0
longitude_deg = 8.0
radius_m = 200.0
"""


def test_every_setting_is_shown_with_its_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert settings(Options(tmp_path / "none")) == 0
    lines = capsys.readouterr().out.splitlines()
    known = list(list_settings(load_settings()))
    assert lines[0::2] == [f"{key} = {format_toml(value)}" for key, value, _ in known]
    assert lines[1::2] == [f"    {sentence}" for _, _, sentence in known]
    assert all(sentence for _, _, sentence in known)


def test_a_value_of_the_home_stands_before_its_default(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "coworn.toml").write_text(PRIVATE)
    assert settings(Options(tmp_path), "inbox.quiet_s") == 0
    assert capsys.readouterr().out.splitlines()[0] == "inbox.quiet_s = 7.5  (default 2.0)"
    assert settings(Options(tmp_path), "report") == 0
    assert "latitude_deg = 47.0" in capsys.readouterr().out


def test_values_parse_as_toml(tmp_path: Path) -> None:
    path = tmp_path / "coworn.toml"
    path.write_text(PRIVATE)
    for key, value, _ in list_settings(load_settings(path)):
        assert tomllib.loads(f"value = {format_toml(value)}")["value"] == value, key


def test_an_unknown_setting_is_a_usage_error(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no such setting"):
        settings(Options(tmp_path), "inbox.nosuch")
