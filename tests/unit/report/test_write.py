from __future__ import annotations

import json
import re
import shutil
import struct
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from config.report import PrivatePlace
from config.settings import Settings, load_settings
from tasks.core.discovery import load_charts
from tasks.core.registers import CHARTS
from tasks.report import list_waiting, write_report
from tasks.report.figures import make_svg, write_figures
from tasks.report.files import read_key, write_if_changed
from tasks.report.gather import gather_workout
from tasks.report.map_svg import write_path
from tasks.report.private import hide_private_places
from tasks.report.read import read_definitions, read_devices, read_workouts
from tasks.report.sections import draw_workout
from tasks.workout.published_clock import GAP_S

if TYPE_CHECKING:
    from pathlib import Path

    import duckdb

    from tasks.report.drawing import Drawing
    from tasks.report.facts import WorkoutData


KEY = b"a secret of the tests"
TEXTS = {".html", ".svg", ".md", ".json"}


def make_settings(**report: Any) -> Settings:  # noqa: ANN401 - values of settings
    settings = load_settings()
    return settings.model_copy(update={"report": settings.report.model_copy(update=report)})


def gather(connection: duckdb.DuckDBPyConnection, settings: Settings) -> WorkoutData:
    facts = next(iter(read_workouts(connection).values()))
    return gather_workout(
        connection,
        facts,
        devices=read_devices(connection),
        definitions=read_definitions(connection),
        settings=settings,
    )


def list_stamps(folder: Path) -> dict[str, int]:
    return {
        path.relative_to(folder).as_posix(): path.stat().st_mtime_ns
        for path in folder.rglob("*")
        if path.is_file()
    }


def test_only_what_changed_is_written_again(
    connection: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    settings = make_settings(figures=())
    first = write_report(connection, tmp_path, settings=settings)
    assert first.written == first.pages
    before = list_stamps(tmp_path)
    assert write_report(connection, tmp_path, settings=settings).written == 0
    assert list_stamps(tmp_path) == before
    changed = write_report(connection, tmp_path, settings=settings, waiting=("new.fit",))
    assert changed.written == 1
    assert "new.fit" in (tmp_path / "index.html").read_text(encoding="utf-8")


def test_a_changed_setting_writes_the_workout_again(
    connection: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    write_report(connection, tmp_path, settings=make_settings(figures=()))
    write_report(connection, tmp_path, settings=make_settings(figures=(), units="statute"))
    page = next((tmp_path / "workouts").glob("*.html")).read_text(encoding="utf-8")
    assert "speed (mi/h)" in page
    assert "\N{NO-BREAK SPACE}ft" in page


def test_pages_of_what_is_gone_are_taken_away(
    connection: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    gone = tmp_path / "workouts" / "20200101T0000Z-abcdef.html"
    write_if_changed(gone, '<link rel="stylesheet" href="../shared/report.css">gone')
    write_report(connection, tmp_path, settings=make_settings(figures=()))
    assert not gone.exists()


def test_figures_are_written_of_the_newest_workouts_and_then_of_all(
    connection: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    settings = make_settings(figures=("battery",), figure_wide_px=480, figure_square_px=300)
    write_report(connection, tmp_path, settings=settings, most_figures=0)
    page = next((tmp_path / "workouts").glob("*.html"))
    assert not (tmp_path / "figures").exists()
    assert not (read_key(page) or "").endswith("+")
    assert write_report(connection, tmp_path, settings=settings, most_figures=3).written == 0
    text = page.read_text(encoding="utf-8")
    assert f"coworn figure {page.stem} battery" in text
    assert "battery-wide-light.svg" not in text
    write_report(connection, tmp_path, settings=settings)
    assert "battery-wide-light.svg" in page.read_text(encoding="utf-8")
    figures = sorted(path.name for path in (tmp_path / "figures").rglob("*.*"))
    assert figures == sorted(
        f"battery-{form}-{theme}.{suffix}"
        for form in ("wide", "square")
        for theme in ("light", "dark")
        for suffix in ("svg", "png")
    )
    for path in (tmp_path / "figures").rglob("*.png"):
        # Width and height stand in bytes 16 to 24 (PNG, third edition, 11.2.2).
        size = struct.unpack(">II", path.read_bytes()[16:24])
        assert size == ((480, 270) if "wide" in path.name else (300, 300))


SMALL = {"figures": ("battery",), "figure_wide_px": 480, "figure_square_px": 300}


def test_the_night_makes_up_for_figures_that_were_left_out(
    connection: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    settings = make_settings(**SMALL)
    write_report(connection, tmp_path, settings=settings, most_figures=0)
    night = write_report(connection, tmp_path, settings=settings, most_figures=1, catch_up=True)
    assert night.written == 1
    assert list((tmp_path / "figures").rglob("*.svg"))
    again = write_report(connection, tmp_path, settings=settings, most_figures=1, catch_up=True)
    assert again.written == 0


def list_dead_links(page: Path) -> list[str]:
    links = re.findall(r'(?:href|src)="([^"#]+)"', page.read_text(encoding="utf-8"))
    assert links
    return [one for one in links if one[:5] != "data:" and not (page.parent / one).exists()]


def test_a_page_never_links_to_figures_that_are_not_there(
    connection: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    settings = make_settings(**SMALL)
    write_report(connection, tmp_path, settings=settings)
    page = next((tmp_path / "workouts").glob("*.html"))
    assert "battery-wide-light.svg" in page.read_text(encoding="utf-8")
    assert list_dead_links(page) == []
    shutil.rmtree(tmp_path / "figures")
    assert len(set(list_dead_links(page))) == 8
    write_report(connection, tmp_path, settings=settings, most_figures=0)
    assert list_dead_links(page) == []
    assert "battery-wide-light.svg" not in page.read_text(encoding="utf-8")


def test_how_many_figures_a_run_writes_makes_no_page_outdated(
    connection: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    write_report(connection, tmp_path, settings=make_settings(figures=()))
    other = make_settings(figures=(), figures_per_run=1, figures_per_night=1)
    assert write_report(connection, tmp_path, settings=other).written == 0


def test_a_figure_is_the_same_every_time(
    connection: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    settings = make_settings(figure_wide_px=480, figure_square_px=300)
    drawing = draw_workout(gather(connection, settings))["heart_rate"][0]
    caption = ("a ride", "Source: a test.")
    once, again = (
        write_figures(drawing, tmp_path / name, settings=settings.report, caption=caption)
        for name in ("once", "again")
    )
    for form, path in once.items():
        assert path.read_bytes() == again[form].read_bytes()
    svg = once["wide-light.svg"].read_text(encoding="utf-8")
    for words in ("a ride", "Source: a test.", "heart rate (bpm)", "UTC+01:00", "Alder 2"):
        assert words in svg


def test_page_and_figure_come_from_one_specification(
    connection: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    settings = make_settings(figures=())
    write_report(connection, tmp_path, settings=settings)
    page = next((tmp_path / "workouts").glob("*.html")).read_text(encoding="utf-8")
    data = gather(connection, settings)
    for drawing in (one for several in draw_workout(data).values() for one in several):
        figure = make_svg(drawing, theme="dark", width=480, height=300, caption=())
        assert figure.startswith("<svg")
        if drawing.plan is not None:
            for line in drawing.plan.lines:
                path = f'd="{write_path(line.east_m, line.north_m)}"'
                assert path in page
                assert path in figure
            continue
        found = re.search(
            f'<script type="application/json" id="chart-{re.escape(drawing.name)}">(.*?)</script>',
            page,
            re.DOTALL,
        )
        assert found is not None
        assert json.loads(found[1])["spec"] == json.loads(json.dumps(drawing.spec))


def test_every_chart_says_in_words_what_it_shows(connection: duckdb.DuckDBPyConnection) -> None:
    load_charts()
    sections = draw_workout(gather(connection, make_settings()))
    drawn = [one for several in sections.values() for one in several]
    assert len(drawn) >= len([one for one in CHARTS.values() if one.page == "workout"])
    for drawing in drawn:
        assert len(drawing.alternative) > 30, drawing.name


def test_what_is_published_has_no_position_inside_a_private_place(
    connection: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    whole = gather(connection, make_settings())
    series = next(one for one in whole.series.values() if one.has("latitude_deg"))
    latitude, longitude = (
        series.values(name)[~_is_missing(series.values(name))][0]
        for name in ("latitude_deg", "longitude_deg")
    )
    place = PrivatePlace(
        latitude_deg=float(latitude), longitude_deg=float(longitude), radius_m=50.0
    )
    settings = make_settings(private=(place,), figures=())
    hidden = hide_private_places(gather(connection, settings), key=KEY)
    # A degree of latitude is at most 111.7 km anywhere on WGS 84, one of longitude 111.4 km:
    # 0.0003 degrees both ways are inside 50 m.
    for recording_id, one in hidden.series.items():
        north = abs(one.values("latitude_deg") - latitude) < 0.0003
        east = abs(one.values("longitude_deg") - longitude) < 0.0003
        assert not (north & east).any(), recording_id
        # What is left out leaves no trace in the times: what shows begins a quarter of an hour on.
        shows = np.isfinite(one.values("latitude_deg"))
        assert not shows.any() or one.seconds[shows][0] >= GAP_S
        assert set(one.values("heart_rate_bpm")[np.isfinite(one.values("heart_rate_bpm"))]) <= set(
            whole.series[recording_id].values("heart_rate_bpm")
        )
    assert hidden.facts.is_shown_in_part
    assert {one.n for one in hidden.results} == {None}
    for metric in ("distance_own_m", "ascent_m", "distance_summed_m"):
        assert {one.value for one in hidden.results if one.metric == metric} <= {None}
    for finding in hidden.findings:
        if finding.latitude_deg is not None and finding.longitude_deg is not None:
            assert (
                abs(finding.latitude_deg - latitude) > 0.0003
                or abs(finding.longitude_deg - longitude) > 0.0003
            )
    # A place that is passed in seconds cuts the line: no straight stroke leads across it.
    known = [series.values(name) for name in ("latitude_deg", "longitude_deg")]
    middle = [float(one[~_is_missing(one)][len(one) // 2]) for one in known]
    passed = PrivatePlace(latitude_deg=middle[0], longitude_deg=middle[1], radius_m=20.0)
    small = make_settings(private=(passed,), figures=())
    halves = draw_workout(hide_private_places(gather(connection, small), key=KEY))["track"][0]
    assert _count_breaks(halves) > _count_breaks(draw_workout(whole)["track"][0])
    write_report(
        connection,
        tmp_path,
        settings=settings,
        waiting=("home.fit",),
        public=True,
        publishing_key=KEY,
    )
    page = next((tmp_path / "workouts").glob("*.html")).read_text(encoding="utf-8")
    public, private = (list_paths(draw_workout(one)["track"][0]) for one in (hidden, whole))
    assert public
    assert all(path in page for path in public)
    assert not any(path in page for path in private)
    index = (tmp_path / "index.html").read_text(encoding="utf-8")
    assert "home.fit" not in index
    assert "Waiting and refused" not in index


def test_no_id_in_a_published_set_leads_back_to_an_original(
    connection: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    settings = make_settings(figures=("heart_rate",))
    write = partial(
        write_report,
        connection,
        tmp_path,
        settings=settings,
        public=True,
        publishing_key=KEY,
        most_figures=1,
    )
    write()
    rows = connection.execute("SELECT recording_id, workout_id FROM recordings").fetchall()
    texts = 0
    for path in tmp_path.rglob("*"):
        name = path.relative_to(tmp_path).as_posix()
        text = path.read_text(encoding="utf-8") if path.suffix in TEXTS else ""
        texts += bool(text)
        for recording_id, workout_id in rows:
            assert recording_id[:16] not in f"{name}{text}", name
            assert workout_id is None or workout_id not in f"{name}{text}", name
    assert texts > 3
    # Links still lead somewhere.
    index = (tmp_path / "index.html").read_text(encoding="utf-8")
    links = set(re.findall(r'href="((?:workouts|devices)/[^"#]+)', index))
    assert links
    assert [link for link in links if not (tmp_path / link).is_file()] == []
    # Nothing has changed, so nothing is written again, nor taken away.
    stamps = list_stamps(tmp_path)
    assert write().written == 0
    assert list_stamps(tmp_path) == stamps


def list_paths(drawing: Drawing) -> list[str]:
    """Return the tracks of a map as its page has them."""
    assert drawing.plan is not None
    tracks = [one for one in drawing.plan.lines if one.kind == "track"]
    return [f'd="{write_path(one.east_m, one.north_m)}"' for one in tracks]


def _count_breaks(drawing: Drawing) -> int:
    assert drawing.plan is not None
    return sum(int(np.isnan(one.east_m).sum()) for one in drawing.plan.lines if one.kind == "track")


def _is_missing(values: Any) -> Any:  # noqa: ANN401 - arrays
    return values != values  # noqa: PLR0124 - NaN alone differs from itself


def test_an_unknown_workout_is_an_error(
    connection: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    with pytest.raises(LookupError):
        write_report(connection, tmp_path, settings=make_settings(), only="nobody")


def test_half_written_exports_do_not_wait_yet(tmp_path: Path) -> None:
    (tmp_path / "alder-2").mkdir()
    (tmp_path / "alder-2" / "run.gpx").write_text("x", encoding="utf-8")
    (tmp_path / ".run.fit.part").write_text("x", encoding="utf-8")
    assert list_waiting(tmp_path) == ("alder-2/run.gpx",)
    assert list_waiting(tmp_path / "nowhere") == ()


def test_a_file_that_holds_the_same_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "page.html"
    assert write_if_changed(path, "one")
    assert not write_if_changed(path, "one")
    assert write_if_changed(path, "two")
    assert [one.name for one in tmp_path.iterdir()] == ["page.html"]
    assert read_key(path) is None
    assert read_key(tmp_path / "none.html") is None
