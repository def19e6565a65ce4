"""No position of the package lies inside a private place, no line of it leads across one.

Distances are reckoned apart, by geographiclib (Karney 2013).
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given, settings
from hypothesis import strategies as st

from config.report import PrivatePlace
from tasks.package.hiding import hide_findings, hide_laps, hide_pairs, hide_samples, split_line
from tasks.tables.arrow import make_table, read_floats
from tasks.tables.tables import FINDINGS, LAPS, PAIRS, SAMPLES
from tasks.workout.private_places import Hiding

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


def test_positions_and_direction_inside_are_missing_and_nothing_else() -> None:
    points = [place_at(0, 0), place_at(99, 0), place_at(101, 0), (np.nan, np.nan)]
    latitude, longitude = np.array(points).T
    rows = make_table(
        SAMPLES,
        {
            "time_utc": np.arange(4) * 1_000_000,
            "latitude_deg": latitude,
            "longitude_deg": longitude,
            "course_deg": [90.0] * 4,
            "speed_mps": [3.0] * 4,
            "heart_rate_bpm": [140.0] * 4,
        },
    )
    hidden = hide_samples(rows, Hiding((PLACE,)), track="run")
    for name in ("latitude_deg", "longitude_deg", "course_deg"):
        assert np.isfinite(read_floats(hidden, name)).tolist() == [False, False, True, False]
    untouched = [name for name in rows.column_names if not name.endswith("_deg")]
    assert hidden.select(untouched).equals(rows.select(untouched))
    assert hidden.schema.equals(rows.schema)
    assert hide_samples(rows, Hiding(), track="run") is rows


def test_findings_inside_lose_their_place_only() -> None:
    inside, outside = place_at(10, 10), place_at(500, 0)
    rows = make_table(
        FINDINGS,
        {
            "workout_id": ["run"] * 4,
            "kind": ["spike", "late_lock", "dropout", "position_jump"],
            "start_utc": [0, 0, 0, 100_000_000],
            "end_utc": [1_000_000, 1_000_000, 1_000_000, 101_000_000],
            "latitude_deg": [inside[0], outside[0], None, outside[0]],
            "longitude_deg": [inside[1], outside[1], None, outside[1]],
        },
    )
    # The last one lies outside, on a part of the track that is hidden all the same.
    hidden = hide_findings(rows, Hiding((PLACE,)), spans={"run": [(90.0, 110.0)]})
    assert hidden.column("latitude_deg").to_pylist() == [None, outside[0], None, None]
    assert hidden.column("kind").to_pylist() == rows.column("kind").to_pylist()


def test_inside_only_heart_rate_is_left_and_the_counter_begins_outside() -> None:
    latitude, longitude = np.array([place_at(20.0 * step, 0) for step in range(12)]).T
    rows = make_table(
        SAMPLES,
        {
            "time_utc": np.arange(12) * 10_000_000,
            "latitude_deg": latitude,
            "longitude_deg": longitude,
            "altitude_m": np.arange(12.0),
            "pressure_pa": [101_000.0] * 12,
            "distance_m": 20.0 * np.arange(12),
            "speed_mps": [2.0] * 12,
            "cadence_rpm": [80.0] * 12,
            "power_w": [200.0] * 12,
            "heart_rate_bpm": [140.0] * 12,
        },
    )
    # 100 m are hidden: fixes 0 to 5; the next is at 60 s, and clocks may differ by 5 s.
    spans = [(-np.inf, 60.0)]
    hidden = hide_samples(rows, Hiding((PLACE,)), track="run", spans=spans)
    for name in (
        "latitude_deg",
        "altitude_m",
        "pressure_pa",
        "speed_mps",
        "cadence_rpm",
        "power_w",
    ):
        assert np.isfinite(read_floats(hidden, name)).tolist() == [False] * 7 + [True] * 5, name
    assert read_floats(hidden, "distance_m")[7:].tolist() == [0.0, 20.0, 40.0, 60.0, 80.0]
    assert np.isnan(read_floats(hidden, "distance_m")[:7]).all()
    assert read_floats(hidden, "heart_rate_bpm").tolist() == [140.0] * 12
    # A recording without positions that was worn beside it, e.g. a foot pod.
    bare = rows.set_column(1, rows.field(1), make_table(SAMPLES, {"time_utc": [0] * 12}).column(1))
    beside = hide_samples(bare, Hiding((PLACE,)), track="run", spans=spans)
    assert np.isfinite(read_floats(beside, "speed_mps")).tolist() == [False] * 7 + [True] * 5


def test_pairs_and_laps_do_not_lead_on_either() -> None:
    seconds = np.arange(4) * 20_000_000
    pairs = make_table(
        PAIRS,
        {
            "time_utc": seconds,
            "heart_rate_test_bpm": [140.0] * 4,
            "speed_test_mps": [3.0] * 4,
            "altitude_reference_m": [3.0] * 4,
        },
    )
    hidden = hide_pairs(pairs, [(-np.inf, 30.0)])
    for name in ("speed_test_mps", "altitude_reference_m"):
        assert hidden.column(name).to_pylist() == [None, None, 3.0, 3.0]
    assert hidden.column("heart_rate_test_bpm").to_pylist() == [140.0] * 4
    laps = make_table(
        LAPS,
        {
            "start_utc": seconds,
            "end_utc": seconds + 20_000_000,
            "distance_m": [60.0] * 4,
            "elapsed_s": [20.0] * 4,
        },
    )
    kept = hide_laps(laps, [(-np.inf, 30.0)])
    assert kept.column("distance_m").to_pylist() == [None, None, 60.0, 60.0]
    assert kept.column("elapsed_s").to_pylist() == [20.0] * 4
