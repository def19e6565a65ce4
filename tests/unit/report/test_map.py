"""The map: distances along the way, a round scale bar, outlines as background, nothing private."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from config.report import PrivatePlace
from tasks.core.errors import DamagedError
from tasks.report.map_shapes import MapLine, Pin, Plan, choose_bar, mark_way
from tasks.report.map_svg import draw_map, frame_map, write_path
from tasks.report.outline_lines import find_near
from tasks.report.private import hide_private_places
from tasks.report.sections import draw_workout
from tasks.workout.outlines import load_outlines, mark_outlines, read_outline
from tests.unit.report.test_write import gather, make_settings

if TYPE_CHECKING:
    from pathlib import Path

    import duckdb

    from tasks.report.facts import WorkoutData

GPX = """<?xml version="1.0"?><gpx version="1.1" creator="x" xmlns="http://www.topografix.com/GPX/1/1">
<trk><trkseg><trkpt lat="63.41" lon="15.80"/><trkpt lat="63.42" lon="15.82"/></trkseg></trk>
<rte><rtept lat="63.40" lon="15.80"/><rtept lat="63.40" lon="15.81"/></rte></gpx>"""


def make_straight(length_m: float) -> MapLine:
    """A line due east with a point each metre."""
    east = np.arange(length_m + 1.0)
    return MapLine("track", east, np.zeros(len(east)), east)


def test_distances_stand_where_they_were_walked() -> None:
    pins = mark_way(make_straight(3500.0), units="metric", wide_m=3500.0)
    marks = {one.words: one.east_m for one in pins if one.kind == "distance"}
    assert marks == {"1 km": 1000.0, "2 km": 2000.0, "3 km": 3000.0}
    kinds = [one.kind for one in pins]
    assert kinds[:2] == ["start", "finish"]
    # East is 90 degrees from north.
    assert {one.turn_deg for one in pins if one.kind == "arrow"} == {90.0}


def test_miles_are_marked_where_they_are_asked_for() -> None:
    pins = mark_way(make_straight(3500.0), units="statute", wide_m=3500.0)
    marks = {one.words: one.east_m for one in pins if one.kind == "distance"}
    # The mile is 1609.344 m by definition (NIST Handbook 44, appendix C).
    assert marks == pytest.approx({"1 mi": 1609.344, "2 mi": 3218.688})


def test_a_loop_has_one_mark_for_start_and_finish_and_a_gap_is_not_counted() -> None:
    there = make_straight(1500.0)
    back = replace(
        there,
        east_m=np.concatenate([there.east_m, [np.nan], there.east_m[::-1]]),
        north_m=np.zeros(3003),
    )
    pins = mark_way(back, units="metric", wide_m=1500.0)
    assert pins[0].kind == "both"
    assert [one.east_m for one in pins if one.kind == "distance"] == [1000.0, 1000.0, 0.0]


@pytest.mark.parametrize(
    ("longest_m", "units", "words"),
    [
        (230.0, "metric", "200 m"),
        (1999.0, "metric", "1 km"),
        (0.7, "metric", "0.5 m"),
        (100.0, "statute", "200 ft"),
        (4000.0, "statute", "2 mi"),
    ],
)
def test_a_scale_bar_is_the_longest_round_length_that_fits(
    longest_m: float, units: str, words: str
) -> None:
    length_m, said = choose_bar(longest_m, units=units)
    assert said == words
    assert length_m <= longest_m


def test_the_scale_bar_is_as_long_as_its_words_say() -> None:
    plan = Plan(500.0, 0.0, 1000.0, 100.0, (make_straight(1000.0),), (), "metric")
    svg = draw_map(plan, width=1056.0, height=400.0)
    # 28 px are left at each side: 1000 m are 1000 px.
    assert '<path d="M0-6V0H100.0V-6"/><text x="4" y="-6">100 m</text>' in svg


def test_words_of_marks_do_not_lie_upon_each_other() -> None:
    pins = tuple(
        Pin("distance", east, 0.0, f"{number} km")
        for number, east in enumerate([0.0, 10.0, 500.0], start=1)
    )
    plan = Plan(500.0, 0.0, 1000.0, 100.0, (make_straight(1000.0),), pins, "metric")
    svg = draw_map(plan, width=1056.0, height=400.0)
    shown = {
        words: 'class="crowded"' in rest for rest, words in re.findall(r"<text([^>]*)>(\d km)", svg)
    }
    assert shown == {"1 km": False, "2 km": True, "3 km": False}


def test_an_enlargement_shows_one_passing_of_its_place(ride: WorkoutData) -> None:
    # The way home is the way out: without times both would be drawn.
    enlarged = [one.plan for one in draw_workout(ride)["track"] if one.name != "track"]
    assert enlarged
    for plan in enlarged:
        assert plan is not None
        tracks = [one for one in plan.lines if one.seconds is not None]
        assert tracks
        for line in tracks:
            assert line.seconds is not None
            seen = line.seconds[np.isfinite(line.east_m)]
            assert np.ptp(seen) <= 120.0


def test_a_path_is_whole_decimetres_and_breaks_where_a_point_is_missing() -> None:
    path = write_path(np.array([0.0, 1.0, np.nan, 2.0]), np.array([0.0, 0.5, np.nan, -1.0]))
    assert path == "M0 0l0 0 10-5M20 10l0 0"


def test_outlines_are_read_from_gpx_and_geojson(tmp_path: Path) -> None:
    (tmp_path / "roads.gpx").write_text(GPX)
    ring = [[15.8, 63.4], [15.9, 63.4], [15.9, 63.5], [15.8, 63.4]]
    collection = {
        "type": "FeatureCollection",
        "features": [
            {"type": "Feature", "geometry": {"type": "Polygon", "coordinates": [ring]}},
            {"type": "Feature", "geometry": {"type": "Point", "coordinates": [15, 63]}},
            {"type": "Feature", "geometry": None},
        ],
    }
    (tmp_path / "coast.geojson").write_text(json.dumps(collection))
    found = load_outlines(tmp_path)
    assert found.complaints == ()
    # Longitude comes first in GeoJSON (RFC 7946, 3.1.1), latitude here.
    assert [line[0].tolist() for line in found.lines] == [[63.4, 15.8], [63.41, 15.8], [63.4, 15.8]]
    assert found.mark == mark_outlines(tmp_path) != ""
    (tmp_path / "roads.gpx").write_text(GPX.replace("15.82", "15.83"))
    assert mark_outlines(tmp_path) != found.mark


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        "{}",
        '{"type": "LineString"}',
        '{"type": "LineString", "coordinates": [[1, 2], ["x", 3]]}',
        '{"type": "LineString", "coordinates": [[1, 2], [3, 400]]}',
        '{"type": "Point", "coordinates": [1, 2]}',
        '{"type": "LineString", "coordinates": [[1, 2], [NaN, 3]]}',
        '{"type": "Circle"}',
        '{"type":"GeometryCollection","geometries":' * 3000,
    ],
)
def test_a_bad_outline_is_told_in_one_line_and_skipped(tmp_path: Path, text: str) -> None:
    (tmp_path / "bad.geojson").write_text(text)
    (tmp_path / "roads.gpx").write_text(GPX)
    (tmp_path / "notes.txt").write_text("no outline")
    with pytest.raises(DamagedError):
        read_outline(tmp_path / "bad.geojson")
    found = load_outlines(tmp_path)
    assert len(found.lines) == 2
    assert len(found.complaints) == 1
    assert "bad.geojson" in found.complaints[0]
    assert "\n" not in found.complaints[0]


@pytest.fixture
def ride(connection: duckdb.DuckDBPyConnection) -> WorkoutData:
    return gather(connection, make_settings())


def find_fix(data: WorkoutData) -> tuple[float, float]:
    series = next(one for one in data.series.values() if one.has("latitude_deg"))
    known = np.flatnonzero(np.isfinite(series.values("latitude_deg")))
    middle = known[len(known) // 2]
    return float(series.values("latitude_deg")[middle]), float(
        series.values("longitude_deg")[middle]
    )


def test_an_outline_near_the_tracks_is_drawn_and_one_far_away_is_not(ride: WorkoutData) -> None:
    latitude, longitude = find_fix(ride)
    near = np.array([[latitude - 1.0, longitude], [latitude + 1.0, longitude]])
    far = near + 20.0
    data = replace(ride, outlines=find_near([near, far], ride.series.values()))
    drawing = draw_workout(data)["track"][0]
    assert drawing.plan is not None
    outlines = [line for line in drawing.plan.lines if line.kind == "outline"]
    assert len(outlines) == 1
    half = 0.6 * max(drawing.plan.wide_m, drawing.plan.high_m)
    assert np.nanmax(np.abs(outlines[0].north_m - drawing.plan.north_m)) <= half


def test_an_outline_is_cut_where_a_private_place_is_and_tells_no_hidden_extent(
    ride: WorkoutData,
) -> None:
    latitude, longitude = find_fix(ride)
    # Straight parts that lead to the place go; behind a bend one of the two ways stays, as a drawn
    # side of the place is hidden as well.
    bend = latitude + 0.003
    lines = [
        np.array([[latitude, longitude], [bend, longitude], [bend, longitude + aside]])
        for aside in (0.02, -0.02)
    ]
    place = PrivatePlace(latitude_deg=latitude, longitude_deg=longitude, radius_m=20.0)
    settings = ride.settings.model_copy(update={"private": (place,)})
    data = replace(ride, outlines=find_near(lines, ride.series.values()), settings=settings)
    hidden = hide_private_places(data, key=b"key")
    shown = np.concatenate([one.latitude_deg for one in hidden.outlines])
    whole = np.concatenate([one.latitude_deg for one in data.outlines])
    assert np.isfinite(shown).sum() < np.isfinite(whole).sum()
    # A degree of latitude is about 111 km.
    assert np.nanmin(np.abs(shown - latitude)) * 111_000 > 20.0
    drawing = draw_workout(hidden)["track"][0]
    assert drawing.plan is not None
    # What is drawn ends with the tracks that show, not with those that were there.
    tracks = [one for one in drawing.plan.lines if one.kind == "track"]
    east = np.concatenate([one.east_m for one in tracks])
    assert drawing.plan.wide_m == pytest.approx(np.nanmax(east) - np.nanmin(east), abs=1.0)


def test_a_figure_of_the_map_is_whole_and_names_its_devices(ride: WorkoutData) -> None:
    drawing = draw_workout(ride)["track"][0]
    assert drawing.plan is not None
    svg = frame_map(
        drawing.plan, title="A title", caption=("Where", "From"), size_px=(1600, 900), theme="dark"
    )
    for words in ("A title", "Where", "From", "Alder 2", "start"):
        assert words in svg
    widths = re.findall(r'<rect width="([\d.]+)" height="([\d.]+)" fill="#14191c"', svg)
    assert len(widths) == 1
    assert svg.count("<script") == 0
