"""No position of the package lies inside a private place, no line of it leads across one.

Distances are reckoned apart, by geographiclib (Karney 2013).
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given, settings
from hypothesis import strategies as st

from config.report import PrivatePlace
from tasks.package.hiding import (
    hide_positions,
    hide_recordings,
    hide_results,
    hide_rows,
    hide_spans,
    hide_workouts,
    split_line,
)
from tasks.tables.arrow import make_table, read_floats, read_seconds
from tasks.tables.tables import FINDINGS, RECORDINGS, RESULTS, SAMPLES, WORKOUTS
from tasks.workout.private_places import Hiding
from tasks.workout.published_clock import WITHHELD, PublishedClock, draw_clock

if TYPE_CHECKING:
    import pyarrow as pa

PLACE = PrivatePlace(latitude_deg=63.4, longitude_deg=15.8, radius_m=100.0)
#: On these few hundred metres a line of the plane is a geodesic to better than this [m].
TOLERANCE_M = 0.05


def place_at(north_m: float, east_m: float, centre: PrivatePlace = PLACE) -> tuple[float, float]:
    """Return the latitude and longitude of a point by distance and azimuth from the centre."""
    distance = float(np.hypot(north_m, east_m))
    azimuth = float(np.degrees(np.arctan2(east_m, north_m)))
    found = Geodesic.WGS84.Direct(centre.latitude_deg, centre.longitude_deg, azimuth, distance)
    return found["lat2"], found["lon2"]


def measure_m(latitude: float, longitude: float, centre: PrivatePlace) -> float:
    inverse = Geodesic.WGS84.Inverse(centre.latitude_deg, centre.longitude_deg, latitude, longitude)
    return float(inverse["s12"])


def find_nearest_m(
    first: tuple[float, float], second: tuple[float, float], centre: PrivatePlace
) -> float:
    """Return the least distance from the centre of 60 points along the geodesic [m]."""
    line = Geodesic.WGS84.InverseLine(*first, *second)
    along = (line.Position(share * line.s13) for share in np.linspace(0, 1, 60))
    return min(measure_m(point["lat2"], point["lon2"], centre) for point in along)


offsets = st.tuples(st.floats(-300, 300), st.floats(-300, 300))
centres = st.builds(
    PrivatePlace,
    latitude_deg=st.sampled_from([0.0, 63.4, -45.0, 84.0]),
    longitude_deg=st.sampled_from([15.8, 179.9999, -180.0, 0.0]),
    radius_m=st.floats(10.0, 150.0),
)


@settings(deadline=None)
@given(centres, st.lists(st.one_of(st.none(), offsets), max_size=25))
def test_no_point_lies_inside_and_no_line_leads_across(
    centre: PrivatePlace, way: list[tuple[float, float] | None]
) -> None:
    missing = (np.nan, np.nan)
    points = [missing if step is None else place_at(*step, centre) for step in way]
    latitude, longitude = np.array(points).reshape(-1, 2).T
    stretches = split_line(latitude, longitude, hiding=Hiding((centre,)))
    drawn: list[list[tuple[float, float]]] = [
        [points[index] for index in stretch] for stretch in stretches
    ]
    for stretch in drawn:
        assert all(measure_m(*point, centre) > centre.radius_m - TOLERANCE_M for point in stretch)
        for first, second in pairwise(stretch):
            assert find_nearest_m(first, second, centre) > centre.radius_m - TOLERANCE_M
    outside = [
        point
        for point in points
        if np.isfinite(point[0]) and measure_m(*point, centre) > centre.radius_m + TOLERANCE_M
    ]
    shown = [point for stretch in drawn for point in stretch]
    assert [point for point in outside if point not in shown] == []


def test_a_line_through_a_place_is_cut_even_without_a_point_inside() -> None:
    latitude, longitude = np.array([place_at(-300, 0), place_at(300, 0), place_at(400, 0)]).T
    cut = split_line(latitude, longitude, hiding=Hiding((PLACE,)))
    assert [stretch.tolist() for stretch in cut] == [[0], [1, 2]]
    assert [stretch.tolist() for stretch in split_line(latitude, longitude)] == [[0, 1, 2]]


def test_a_line_that_only_touched_a_place_inside_is_cut_there() -> None:
    # In and out on the same side: the straight line from the second to the fourth stays outside.
    steps = [(-400, 0), (-150, 0), (-90, 0), (-150, 20), (-400, 20)]
    latitude, longitude = np.array([place_at(*step) for step in steps]).T
    cut = split_line(latitude, longitude, hiding=Hiding((PLACE,)))
    assert [stretch.tolist() for stretch in cut] == [[0, 1], [3, 4]]


def test_a_line_ends_where_the_recording_was_interrupted() -> None:
    latitude, longitude = np.array([place_at(float(step), 200) for step in range(4)]).T
    cut = split_line(latitude, longitude, pieces=np.array([0.0, 0.0, 1.0, 1.0]))
    assert [stretch.tolist() for stretch in cut] == [[0, 1], [2, 3]]


@pytest.mark.parametrize("n", [0, 3])
def test_a_line_without_positions_has_no_stretch(n: int) -> None:
    missing = np.full(n, np.nan)
    assert split_line(missing, missing, hiding=Hiding((PLACE,))) == []


def make_clock() -> PublishedClock:
    """Return that of a workout of 1,000 s whose first 300 s and last 200 s are hidden."""
    return draw_clock(0.0, 1000.0, [(-np.inf, 295.0), (805.0, np.inf)])


def make_walk() -> pa.Table:
    """Return a sample every 10 s with every signal."""
    n = 101
    signals = {
        "latitude_deg": 63.0,
        "longitude_deg": 15.0,
        "course_deg": 90.0,
        "altitude_m": 20.0,
        "pressure_pa": 101_000.0,
        "speed_mps": 2.0,
        "cadence_rpm": 80.0,
        "power_w": 200.0,
        "temperature_degc": 12.0,
        "heart_rate_bpm": 140.0,
    }
    return make_table(
        SAMPLES,
        {
            "time_utc": np.arange(n) * 10_000_000,
            "distance_m": 20.0 * np.arange(n),
            **{name: [value] * n for name, value in signals.items()},
        },
    )


def test_of_a_hidden_start_heart_rate_alone_shows_and_the_counter_begins_outside() -> None:
    rows = hide_rows(make_walk(), make_clock())
    # Two minutes of the start, then what shows, always a quarter of an hour after the start.
    expected = [*np.arange(0.0, 121.0, 10.0), *np.arange(900.0, 1401.0, 10.0)]
    assert read_seconds(rows).tolist() == expected
    for name in rows.column_names:
        if name not in ("time_utc", "heart_rate_bpm", "piece", "position_accuracy_m"):
            shows = np.isfinite(read_floats(rows, name))
            assert shows.tolist() == [False] * 13 + [True] * 51, name
    assert np.isfinite(read_floats(rows, "heart_rate_bpm")).all()
    assert read_floats(rows, "distance_m")[13:].tolist() == (20.0 * np.arange(51)).tolist()
    # Of what a device on another clock recorded, the same seconds.
    late = hide_rows(make_walk(), make_clock(), added_s=100.0)
    assert read_seconds(late)[[0, -1]].tolist() == [0.0, 1300.0]


def make_way_out(more: int) -> tuple[pa.Table, PublishedClock]:
    """Return a walk whose hidden way out and home take so many samples more, and its clock."""
    n = 101 + 2 * more
    spans = [(-np.inf, 295.0 + 10 * more), (805.0 + 10 * more, np.inf)]
    speed = np.full(n, 2.0)
    speed[: 30 + more] += more
    rows = make_table(
        SAMPLES,
        {
            "time_utc": np.arange(n) * 10_000_000,
            "distance_m": np.cumsum(speed * 10),
            "speed_mps": speed,
            "heart_rate_bpm": [140.0] * n,
            "altitude_m": more * np.maximum(0.0, 30.0 + more - np.arange(n)),
        },
    )
    return rows, draw_clock(0.0, 1000.0 + 20 * more, spans)


def test_how_much_is_hidden_and_how_fast_and_high_it_went_leaves_no_trace() -> None:
    short, long = (hide_rows(*make_way_out(more)) for more in (0, 40))
    assert short.num_rows == 64
    assert short.equals(long)


def test_a_start_that_is_hidden_for_less_shows_nothing() -> None:
    rows = hide_rows(make_walk(), draw_clock(0.0, 1000.0, [(-np.inf, 100.0)]))
    assert read_seconds(rows)[0] >= 900.0
    assert np.isfinite(read_floats(rows, "speed_mps")).all()


def test_where_nothing_is_hidden_rows_are_untouched() -> None:
    rows = make_walk()
    assert hide_rows(rows, draw_clock(0.0, 1000.0, [])) is rows


def test_findings_and_parts_show_only_within_one_stretch() -> None:
    spans = [(0, 100), (100, 400), (300, 310), (400, 900), (0, 10)]
    rows = make_table(
        FINDINGS,
        {
            "workout_id": ["run"] * 4 + ["other"],
            "kind": ["late_lock", "dropout", "spike", "dropout", "spike"],
            "start_utc": [begin * 1_000_000 for begin, _ in spans],
            "end_utc": [end * 1_000_000 for _, end in spans],
        },
    )
    shown = hide_spans(rows, {"run": make_clock(), "other": PublishedClock()})
    assert shown.column("kind").to_pylist() == ["late_lock", "spike", "spike"]
    assert read_seconds(shown, "start_utc").tolist() == [0.0, 900.0, 0.0]
    assert read_seconds(shown, "end_utc").tolist() == [100.0, 910.0, 10.0]


def test_findings_inside_lose_their_place_only() -> None:
    inside, outside = place_at(10, 10), place_at(500, 0)
    rows = make_table(
        FINDINGS,
        {
            "kind": ["spike", "late_lock", "dropout"],
            "latitude_deg": [inside[0], outside[0], None],
            "longitude_deg": [inside[1], outside[1], None],
        },
    )
    hidden = hide_positions(rows, Hiding((PLACE,)))
    assert hidden.column("latitude_deg").to_pylist() == [None, outside[0], None]
    assert hidden.column("kind").to_pylist() == rows.column("kind").to_pylist()


def test_results_do_not_tell_how_much_is_hidden() -> None:
    rows = make_table(
        RESULTS,
        {
            "workout_id": ["run"] * 4 + ["other"],
            "metric": ["hr_lock_s", "hr_lock_s", "distance_own_m", "hr_mae_bpm", "distance_own_m"],
            # The second one locked where the track shows: its place there would tell.
            "value": [188.0, 420.0, 5000.0, 2.5, 5000.0],
            "n": [1000] * 5,
            "note": ["of 1000 s"] * 5,
        },
    )
    shown = hide_results(rows, {"run": make_clock(), "other": PublishedClock()})
    assert shown.column("value").to_pylist() == [188.0, None, None, 2.5, 5000.0]
    assert shown.column("n").to_pylist() == [None] * 4 + [1000]
    assert shown.column("note").to_pylist() == [None] * 4 + ["of 1000 s"]
    assert shown.column("reason").to_pylist() == [None, WITHHELD, WITHHELD, None, None]


def test_recordings_and_workouts_last_as_long_as_what_shows() -> None:
    times = {"start_utc": [0, 0], "end_utc": [1_000_000_000, 1_000_000_000]}
    clocks = {"run": make_clock(), "other": PublishedClock()}
    rows = make_table(WORKOUTS, {"workout_id": ["run", "other"], **times})
    assert read_seconds(hide_workouts(rows, clocks), "end_utc").tolist() == [1400.0, 1000.0]
    facts = {
        "recording_id": ["run", "other"],
        "device_distance_m": [5.0, 6.0],
        "n_samples": [7, 8],
    }
    shown = hide_recordings(make_table(RECORDINGS, {**facts, **times}), clocks, {"run": 0.0})
    assert read_seconds(shown, "end_utc").tolist() == [1400.0, 1000.0]
    assert shown.column("device_distance_m").to_pylist() == [None, 6.0]
    assert shown.column("n_samples").to_pylist() == [None, 8]
