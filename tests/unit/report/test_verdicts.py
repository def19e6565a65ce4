"""Answers across workouts stand on the index and on the device's page, in words."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import pytest

from config.settings import load_settings
from tasks.report import write_report
from tasks.store import append_rows, connect_for_reading, open_store, publish
from tasks.tables.arrow import make_rows
from tasks.tables.tables import VERDICTS
from tests.unit.report_home import RIDE, build_home

if TYPE_CHECKING:
    from pathlib import Path

    from config.home import Home

SETTINGS = load_settings()
COMMON = {
    "run_id": "20260502T120000-abcdef",
    "device_id": "alder-2",
    "family": "headline",
    "place": "all",
    "activity": "running",
    "segment": "all",
}
ROWS: list[dict[str, Any]] = [
    {
        **COMMON,
        "against": "hazel",
        "metric": "hr_mae_bpm",
        "n_workouts": 8,
        "estimate": -1.25,
        "ci_low": -2.04,
        "ci_high": -0.41,
        "p_value": 0.0156,
        "p_adjusted": 0.0469,
        "verdict": "better",
    },
    {
        **COMMON,
        "against": "criterion",
        "metric": "hr_mape_pct",
        "n_workouts": 3,
        "estimate": 4.0,
        "verdict": "too few",
        "workouts_needed": 9,
    },
    {**COMMON, "device_id": "nobody", "against": "hazel", "metric": "hr_mae_bpm"},
]


def write(home: Home, folder: Path) -> tuple[str, str]:
    """Write the report; return index and the device's page without tags, in single spaces."""
    connection = connect_for_reading(home)
    try:
        settings = SETTINGS.model_copy(
            update={"report": SETTINGS.report.model_copy(update={"figures": ()})}
        )
        write_report(connection, folder, settings=settings)
    finally:
        connection.close()
    pages = (folder / "index.html", folder / "devices" / "alder-2.html")
    index, device = (path.read_text(encoding="utf-8") for path in pages)
    return index, device


def read_rows(page: str) -> list[str]:
    section = page.partition('<section id="verdicts">')[2].partition("</section>")[0]
    rows = re.findall(r"<tr>(<th scope=\"row\">.*?)</tr>", section, re.DOTALL)
    return [" ".join(re.sub(r"<[^>]+>", " ", row).split()) for row in rows]


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Home:
    return build_home(tmp_path_factory.mktemp("verdicts"), RIDE)


def test_pages_show_verdicts_and_nothing_without_them(home: Home, tmp_path: Path) -> None:
    for page in write(home, tmp_path):
        assert "Across workouts" not in page
    with open_store(home) as connection:
        append_rows(connection, VERDICTS, make_rows(VERDICTS, ROWS))
    publish(home, SETTINGS)
    index, device = write(home, tmp_path)
    minus = "\N{MINUS SIGN}"
    better = f"running Hazel 8 {minus}1.2 bpm {minus}2.0 to {minus}0.4 p 0.047, adjusted better"
    few = "running criterion 3 4.0 % too few workouts; about 9 workouts in all would settle it"
    rows = read_rows(device)
    assert len(rows) == 2
    assert [row.partition("running")[1] + row.partition("running")[2] for row in rows] == [
        better,
        few,
    ]
    assert rows[0].startswith("Mean absolute error")
    # The first page has sentences in their place, from two workouts on.
    assert read_rows(index) == []
    assert "Alder 2 was worn in 1 workout: answers begin with the second one." in index
