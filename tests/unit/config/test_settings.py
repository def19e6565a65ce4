"""Settings: the defaults hold, a home's file overrides them, every fault has its line."""

from __future__ import annotations

import pickle
import re
from typing import TYPE_CHECKING

import pytest

from config.settings import NOT_IN_RESULTS, Section, Settings, SettingsFileError, load_settings

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


def load(folder: Path, text: str) -> Settings:
    path = folder / "coworn.toml"
    path.write_text(text, encoding="utf-8")
    return load_settings(path)


def list_fields(section: type[Section]) -> Iterator[tuple[str, str | None]]:
    for name, field in section.model_fields.items():
        if isinstance(field.annotation, type) and issubclass(field.annotation, Section):
            yield from list_fields(field.annotation)
        else:
            yield f"{section.__name__}.{name}", field.description


def test_the_defaults_stand_alone_and_without_a_file_they_hold(tmp_path: Path) -> None:
    assert load_settings(tmp_path / "coworn.toml") == load_settings()
    assert load(tmp_path, "") == load_settings()


def test_a_file_overrides_only_what_it_names(tmp_path: Path) -> None:
    settings = load(tmp_path, '\ufeff[time]\nzone = "Europe/Lisbon"\n[inbox]\nquiet_s = 3\n')
    defaults = load_settings()
    assert settings.time.zone == "Europe/Lisbon"
    assert settings.time.nightly_at == defaults.time.nightly_at
    assert settings.inbox.quiet_s == 3.0
    assert settings.pair == defaults.pair


def test_a_setting_of_an_older_version_is_no_fault_and_has_no_effect(tmp_path: Path) -> None:
    assert load(tmp_path, "[heart_rate]\nbootstrap_runs = 100\n") == load_settings()


def test_every_setting_says_in_a_sentence_what_it_does() -> None:
    fields = list(list_fields(Settings))
    assert fields
    assert [name for name, description in fields if not description] == []


def test_a_number_says_its_unit_in_name_and_sentence() -> None:
    for name, description in list_fields(Settings):
        unit = {"s": "[s]", "m": "[m]", "bpm": "[bpm]"}.get(name.rsplit("_", 1)[-1])
        if unit is not None and "_per_" not in name:
            assert str(description).endswith(unit), name


#: What is wrong, text, line, a part of the message.
BAD = [
    ("no toml", "[inbox]\nquiet_s =\n", 2, "invalid value"),
    ("unknown section", "[inbux]\nquiet_s = 1\n", 1, "unknown setting 'inbux'"),
    ("unknown key", "[inbox]\n# a\nquiet = 1\n", 3, "unknown setting 'inbox.quiet'"),
    ("no section", "quiet_s = 1\n", 1, "unknown setting 'quiet_s'"),
    ("section as value", "inbox = 3\n", 1, "inbox = 3"),
    ("dotted", "[inbox]\n[run]\n[time]\n\nzone = 'Mars/Here'\n", 5, "there is no zone 'Mars/Here'"),
    ("number zone", "[time]\nzone = 1\n", 2, "time.zone = 1"),
    ("hour", '[time]\nnightly_at = "25:00"\n', 2, "time.nightly_at = '25:00'"),
    ("runner", 'run.runner = "gpu"\n', 1, "run.runner = 'gpu': input should be 'threads'"),
    ("negative", "[inbox]\nquiet_s = -1\n", 2, "greater than or equal to 0"),
    ("zero", "[run]\nworkers = 0\n", 2, "greater than 0"),
    ("half a worker", "[run]\nworkers = 1.5\n", 2, "run.workers = 1.5"),
    ("true", "[inbox]\nquiet_s = true\n", 2, "inbox.quiet_s = True"),
    ("text", '[inbox]\nquiet_s = "2"\n', 2, "inbox.quiet_s = '2'"),
    ("one for true", "[inbox]\npolling = 1\n", 2, "inbox.polling = 1"),
    ("nan", "[inbox]\nquiet_s = nan\n", 2, "inbox.quiet_s = nan"),
    ("infinite", "[inbox]\nrescan_s = inf\n", 2, "inbox.rescan_s = inf"),
    ("share", "[pair]\nmin_overlap_share = 50\n", 2, "less than or equal to 1"),
    ("short blocks", "[heart_rate]\nblock_s = 149\n", 2, "greater than or equal to 150"),
    ("edges", "[heart_rate]\nband_edges_pct = [70, 60]\n", 2, "edges of bands rise"),
    ("edge", '[heart_rate]\nband_edges_pct = [\n60,\n"70"]\n', 4, "band_edges_pct.1 = '70'"),
]


@pytest.mark.parametrize(
    ("text", "line", "message"), [case[1:] for case in BAD], ids=[case[0] for case in BAD]
)
def test_a_fault_in_the_file_is_refused_with_its_line(
    text: str, line: int, message: str, tmp_path: Path
) -> None:
    with pytest.raises(SettingsFileError, match=re.escape(message)) as caught:
        load(tmp_path, text)
    assert caught.value.line == line
    assert "\n" not in str(caught.value)


def test_the_hash_changes_with_what_results_depend_on_and_with_nothing_else(
    tmp_path: Path,
) -> None:
    plain = load_settings().hash_of_values
    assert re.fullmatch("[0-9a-f]{12}", plain)
    assert load(tmp_path, "[heart_rate]\nlock_bpm = 6\n").hash_of_values != plain
    assert load(tmp_path, "[align]\nmax_offset_s = 61\n").hash_of_values != plain
    for text in ("[inbox]\nquiet_s = 9\n", "[run]\nworkers = 7\n", "[store]\nkeep_backups = 1\n"):
        assert load(tmp_path, text).hash_of_values == plain


def test_sections_that_no_result_depends_on_exist() -> None:
    assert set(NOT_IN_RESULTS) <= set(Settings.model_fields)


def test_settings_cannot_be_changed_and_travel_between_processes() -> None:
    settings = load_settings()
    with pytest.raises(ValueError, match="frozen"):
        settings.run.workers = 3
    assert pickle.loads(pickle.dumps(settings)) == settings  # noqa: S301 - our own bytes
