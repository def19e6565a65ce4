"""What the README and the reference show can be typed: SQL, Python and TOML."""

from __future__ import annotations

import re
import shlex
import tomllib
from typing import TYPE_CHECKING

import pytest

from config.devices import load_devices
from config.layouts import parse_layout
from config.plan import parse_plan
from config.settings import load_settings
from tasks.readers.csv.fitting import VOCABULARY
from tasks.readers.notes import read_notes
from tests.pipeline.conftest import ROOT, Place

if TYPE_CHECKING:
    from pathlib import Path

README = ROOT / "README.md"
PAGES = (README, *sorted((ROOT / "config" / "reference").glob("*.md")))
FENCE = re.compile(r"^```(?P<language>\w+)\n(?P<text>.*?)^```$", re.MULTILINE | re.DOTALL)
LINK = re.compile(r"\]\((?P<target>[^)#:]+)(?P<anchor>#[^)]*)?\)")
MOST_BYTES = 12_000


def list_blocks(path: Path, language: str) -> list[str]:
    """Return the fenced blocks of one language."""
    text = path.read_text(encoding="utf-8")
    return [match["text"] for match in FENCE.finditer(text) if match["language"] == language]


TOML_BLOCKS = [block for path in PAGES for block in list_blocks(path, "toml")]
SQL_COMMANDS = [
    line
    for path in PAGES
    for block in list_blocks(path, "sh")
    for line in block.splitlines()
    if line.startswith("coworn sql ")
]


def test_the_readme_is_a_door_and_not_the_house() -> None:
    assert README.stat().st_size <= MOST_BYTES


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.name)
def test_links_lead_to_files_that_are_there(path: Path) -> None:
    targets = [match["target"] for match in LINK.finditer(path.read_text(encoding="utf-8"))]
    gone = [target for target in targets if not (path.parent / target).exists()]
    assert gone == []


@pytest.mark.parametrize("block", TOML_BLOCKS)
def test_toml_that_is_shown_is_accepted(block: str, tmp_path: Path) -> None:
    shown = tmp_path / "shown.toml"
    shown.write_text(block, encoding="utf-8")
    keys = set(tomllib.loads(block))
    if "against" in keys:
        assert parse_plan(block).plan.planned_workouts
    elif "device" in keys:
        assert load_devices(shown)
    elif "start" in keys:
        notes = read_notes(block, name="shown.notes.toml")
        assert notes.truth.known_distance_m or notes.exclusions
    elif "column" in keys:
        assert parse_layout(block, file="shown.toml", vocabulary=VOCABULARY).column
    else:
        assert load_settings(shown)


def test_the_settings_that_are_shown_are_all_defaults() -> None:
    page = ROOT / "config" / "reference" / "settings.md"
    shown = [tomllib.loads(block) for block in list_blocks(page, "toml")]
    merged = {name: section for block in shown for name, section in block.items()}
    expected = load_settings().model_dump(mode="json", exclude_none=True)
    assert merged == expected


def test_sql_of_the_readme_answers_on_the_demo(demo: Place) -> None:
    assert len(SQL_COMMANDS) >= 3
    for command in SQL_COMMANDS:
        words = shlex.split(command)[1:]
        done = demo.run(*words[: words.index("--home")], "--format", "csv")
        assert (done.returncode, done.stderr) == (0, ""), command
        assert len(done.stdout.splitlines()) > 1, command


def test_python_of_the_readme_runs_on_the_demo(
    demo: Place, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "coworn-demo").symlink_to(demo.root)
    monkeypatch.chdir(tmp_path)
    blocks = list_blocks(README, "python")
    assert blocks
    for block in blocks:
        *first, last = block.strip().splitlines()
        names: dict[str, object] = {}
        exec("\n".join(first), names)  # noqa: S102 - the README's own lines
        assert len(eval(last, names)) > 0  # noqa: S307 - the same
        names["results"].close()  # type: ignore[attr-defined]
