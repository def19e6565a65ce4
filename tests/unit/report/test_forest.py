"""The figure of what was found across workouts, and the tables beside it."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest

from config.settings import load_settings
from tasks.report import read, write_report
from tasks.report.device_page import COLUMNS, draw_device
from tasks.report.gather import gather_device
from tasks.store import connect_for_reading
from tests.unit.report_home import RIDE, add_answers, build_home

if TYPE_CHECKING:
    from pathlib import Path

    from config.home import Home
    from config.settings import Settings
    from tasks.report.drawing import Drawing

MINUS = "\N{MINUS SIGN}"


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Home:
    home = build_home(tmp_path_factory.mktemp("forest"), RIDE)
    add_answers(home)
    return home


@pytest.fixture(scope="module")
def drawings(home: Home) -> dict[str, Drawing]:
    connection = connect_for_reading(home)
    devices = read.read_devices(connection)
    data = gather_device(
        connection,
        devices["alder-2"],
        workouts=read.read_workouts(connection),
        definitions=read.read_definitions(connection),
        settings=load_settings(),
        metrics=COLUMNS,
        devices=devices,
    )
    connection.close()
    return {one.name: one for one in draw_device(data)["verdicts"]}


def small(*figures: str) -> Settings:
    settings = load_settings()
    report = settings.report.model_copy(
        update={"figures": figures, "figure_wide_px": 480, "figure_square_px": 300}
    )
    return settings.model_copy(update={"report": report})


def write(home: Home, folder: Path, settings: Settings, *, most_figures: int | None) -> int:
    connection = connect_for_reading(home)
    try:
        return write_report(
            connection, folder, settings=settings, most_figures=most_figures
        ).written
    finally:
        connection.close()


def test_better_is_right_whichever_way_the_number_goes(drawings: dict[str, Drawing]) -> None:
    tables = drawings["forest--alder-1"].tables
    placed = dict(zip(tables["settled"]["row"], tables["settled"]["value"], strict=True))
    # An error that is 2.5 bpm smaller, by its margin of 1; a distance 0.05 m larger, by 0.5.
    assert placed == {
        "Mean absolute error": pytest.approx(2.5),
        "Cross-track error, median": pytest.approx(-0.1),
    }
    spans = dict(
        zip(
            tables["spans"]["row"],
            zip(tables["spans"]["low"], tables["spans"]["high"], strict=True),
            strict=True,
        )
    )
    assert spans["Mean absolute error"] == pytest.approx((1.5, 3.5))


def test_what_lies_beyond_the_scale_is_pointed_to(drawings: dict[str, Drawing]) -> None:
    # 45 percent points fewer within 5 bpm, by a margin of 3: 15 margins to the worse.
    tables = drawings["forest--alder-1"].tables
    assert tables["beyond"]["row"] == ["Within 5 bpm"]
    assert (tables["beyond"]["at"], tables["beyond"]["side"]) == ([-6.0], ["left"])
    assert "Within 5 bpm" not in tables["settled"]["row"]


def test_activities_have_a_figure_of_their_own_and_few_workouts_no_line(
    drawings: dict[str, Drawing],
) -> None:
    drawing = drawings["forest--alder-1--by-activity"]
    assert drawing.tables["open"]["row"] == ["cycling", "running"]
    assert drawing.tables["spans"]["row"] == ["cycling"]
    assert f"running: too few, {MINUS}2.0 bpm" in drawing.alternative


def test_words_name_verdict_and_amount(drawings: dict[str, Drawing]) -> None:
    said = drawings["forest--alder-1"].tables["words"]["said"]
    assert said == [f"better, {MINUS}2.5 bpm", f"worse, {MINUS}45.0 %", "alike, +0.1 m"]


def test_the_page_shows_levels_limits_and_the_model(home: Home, tmp_path: Path) -> None:
    write(home, tmp_path, small(), most_figures=0)
    page = (tmp_path / "devices" / "alder-2.html").read_text(encoding="utf-8")
    text = " ".join(re.sub(r"<[^>]+>", " ", page).split())
    assert "Mean absolute error (bpm) all 9 3.0 2.0 to 4.0 3.2 2.5 to 4.5 1.2" in text
    assert "running wrist: left 9 3.0" in text
    assert f"all 9 {MINUS}0.5 bpm {MINUS}9.0 {MINUS}11.0 to {MINUS}7.5 +8.0 +6.5 to +10.0" in text
    assert f"by a model of 14 workouts {MINUS}2.2, {MINUS}3.0 to {MINUS}1.4" in text
    other = (tmp_path / "devices" / "alder-1.html").read_text(encoding="utf-8")
    assert "Usual values" not in other
    assert "chart-forest" not in other


def test_figures_are_written_when_asked_and_only_when_they_changed(
    home: Home, tmp_path: Path
) -> None:
    place = tmp_path / "figures" / "device-alder-2"
    page = tmp_path / "devices" / "alder-2.html"
    write(home, tmp_path, small("forest"), most_figures=3)
    # A drop does not draw them: every drop changes what was found.
    assert not place.exists()
    assert "No figure to publish was written of it yet" in page.read_text(encoding="utf-8")
    write(home, tmp_path, small("forest"), most_figures=None)
    names = sorted(path.name for path in place.iterdir())
    assert len(names) == 2 * 8
    assert "forest--alder-1-wide-light.svg" in names
    assert "device-alder-2/forest--alder-1-square-dark.png" in page.read_text(encoding="utf-8")
    times = {path: path.stat().st_mtime_ns for path in place.iterdir()}
    assert write(home, tmp_path, small("forest"), most_figures=None) == 0
    assert {path: path.stat().st_mtime_ns for path in place.iterdir()} == times
    # Other sizes make them outdated; a drop takes them away rather than link to what was.
    (place / "mine.txt").write_text("kept", encoding="utf-8")
    bigger = small("forest")
    report = bigger.report.model_copy(update={"figure_wide_px": 500})
    write(home, tmp_path, bigger.model_copy(update={"report": report}), most_figures=0)
    assert [path.name for path in place.iterdir()] == ["mine.txt"]
