"""Exports of somebody who means harm, or of a device gone mad, through the whole line."""

from __future__ import annotations

import csv
import gzip
import io
import math
import zipfile
from typing import TYPE_CHECKING

import pyarrow.parquet as pq
import pytest

from config.settings import load_settings
from tasks.ingest import exports
from tasks.store import connect_for_reading, run_query
from tasks.store.present import format_rows
from tests.faults import crash
from tests.faults.line import run_line

if TYPE_CHECKING:
    from pathlib import Path

    from config.home import Home

HOSTILE_NAMES = (
    "=HYPERLINK(1).gpx",
    "<script>alert(1)</script>".replace("/", "_") + ".gpx",
    "[x](javascript:alert(1)).gpx",
    "'; DROP TABLE files; --.gpx",
    "@SUM(A1).gpx",
)


@pytest.fixture
def home(tmp_path: Path) -> Home:
    # The home's own name must not matter to SQL or to patterns either.
    return crash.make_home(tmp_path / "it's a [home] with * and ; -- in it")


def write_gpx(
    points: list[tuple[float, float, str]], *, creator: str = "x", name: str = "n"
) -> str:
    rows = "".join(
        f'<trkpt lat="{latitude!r}" lon="{longitude!r}"><ele>5</ele><time>{time}</time></trkpt>'
        for latitude, longitude, time in points
    )
    return (
        f'<gpx version="1.1" creator="{creator}" xmlns="http://www.topografix.com/GPX/1/1">'
        f"<trk><name>{name}</name><trkseg>{rows}</trkseg></trk></gpx>"
    )


def stamp(second: int) -> str:
    return f"2026-05-02T06:{second // 60:02}:{second % 60:02}Z"


def take(home: Home) -> None:
    run_line(home, load_settings(home.settings))


def ask(home: Home, sql: str) -> list[dict[str, object]]:
    with connect_for_reading(home) as connection:
        rows: list[dict[str, object]] = run_query(connection, sql).to_pylist()
    return rows


def test_names_with_markup_formulas_and_sql_stay_text_everywhere(home: Home) -> None:
    for number, name in enumerate(HOSTILE_NAMES):
        points = [(47.0 + second * 1e-4, 8.0 + number, stamp(second)) for second in range(60)]
        creator = "&lt;img src=x onerror=alert(1)&gt;=1+1"
        (home.inbox / name).write_text(write_gpx(points, creator=creator, name=creator))
    take(home)
    rows = ask(home, "SELECT name, status FROM files")
    assert {row["name"] for row in rows} == set(HOSTILE_NAMES)
    with connect_for_reading(home) as connection:
        text = format_rows(run_query(connection, "SELECT name FROM files"), "csv")
    cells = [row[0] for row in csv.reader(io.StringIO(text)) if row]
    assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@"))]
    pages = list(home.report.rglob("*.html"))
    assert pages
    for page in pages:
        content = page.read_text(encoding="utf-8")
        assert "<script>alert" not in content, page.name
        assert "<img src=x" not in content, page.name
        assert 'href="javascript:' not in content, page.name


def test_poles_the_date_line_and_speeds_of_light_give_finite_numbers(home: Home) -> None:
    tracks = {
        "pole": [
            (90.0 - second * 1e-5, second * 6.0 - 180.0, stamp(second)) for second in range(60)
        ],
        "date-line": [
            (10.0, (179.9995 + second * 1e-5 + 180.0) % 360.0 - 180.0, stamp(second))
            for second in range(120)
        ],
        "light": [(47.0, -170.0 if second % 2 else 170.0, stamp(second)) for second in range(60)],
        "outside": [(1e308, -1e308, stamp(second)) for second in range(60)],
    }
    for name, points in tracks.items():
        (home.inbox / f"{name}.gpx").write_text(write_gpx(points))
    take(home)
    statuses = {row["name"]: row["status"] for row in ask(home, "SELECT name, status FROM files")}
    assert set(statuses) == {f"{name}.gpx" for name in tracks}
    assert statuses["date-line.gpx"] in {"stored", "duplicate"}
    for path in (home.lake / "samples").glob("*/samples.parquet"):
        table = pq.ParquetFile(path).read()
        for row in table.select(["latitude_deg", "longitude_deg"]).to_pylist():
            latitude, longitude = row["latitude_deg"], row["longitude_deg"]
            assert latitude is None or -90.0 <= latitude <= 90.0
            assert longitude is None or -180.0 <= longitude < 180.0
    values = ask(home, "SELECT value FROM results WHERE value IS NOT NULL")
    assert all(math.isfinite(float(str(row["value"]))) for row in values)
    distances = ask(
        home,
        "SELECT value FROM results JOIN recordings USING (recording_id) JOIN files USING (file_id) "
        "WHERE files.name = 'date-line.gpx' AND metric = 'distance_summed_m' AND segment = 'all'",
    )
    # 119 steps of 1e-5 degrees of longitude at 10 degrees of latitude, 1.0963 m each by the radius
    # of WGS 84 there: nobody goes around the world.
    assert [float(str(row["value"])) for row in distances] == [pytest.approx(130.5, rel=0.02)]


@pytest.mark.parametrize("year", ["0001", "1969", "2100", "9999"])
def test_years_that_cannot_be_are_refused_and_stop_nobody(home: Home, year: str) -> None:
    points = [(47.0, 8.0, stamp(second).replace("2026", year)) for second in range(60)]
    (home.inbox / "when.gpx").write_text(write_gpx(points))
    good = [(47.0 + second * 1e-4, 8.0, stamp(second)) for second in range(60)]
    (home.inbox / "good.gpx").write_text(write_gpx(good))
    run_line(home, load_settings(home.settings), whole=False)
    statuses = {row["name"]: row["status"] for row in ask(home, "SELECT name, status FROM files")}
    assert statuses == {"when.gpx": "refused", "good.gpx": "stored"}


def test_bombs_are_refused_and_leave_nothing(home: Home) -> None:
    entities = "".join(f'<!ENTITY e{level} "{f"&e{level - 1};" * 10}">' for level in range(1, 10))
    bomb = f'<?xml version="1.0"?><!DOCTYPE gpx [<!ENTITY e0 "lol">{entities}]><gpx>&e9;</gpx>'
    outside = '<!DOCTYPE gpx [<!ENTITY x SYSTEM "file:///etc/passwd">]><gpx><name>&x;</name></gpx>'
    (home.inbox / "bomb.gpx").write_text(bomb)
    (home.inbox / "outside.tcx").write_text(outside.replace("gpx", "TrainingCenterDatabase"))
    with zipfile.ZipFile(home.inbox / "bomb.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("zeros.fit", bytes(30_000_000))
    with zipfile.ZipFile(home.inbox / "climbs.zip", "w") as archive:
        archive.writestr("../../../escaped.fit", b"x" * 100)
    (home.inbox / "bomb.gz").write_bytes(gzip.compress(gzip.compress(bytes(30_000_000))))
    (home.inbox / "deep.notes.toml").write_text("[" + "a." * 50_000 + "b]\n")
    (home.inbox / "nested.notes.toml").write_text("x = " + "[" * 50_000)
    settings = load_settings(home.settings)
    small = settings.archive.model_copy(update={"max_expanded_mb": 20.0})
    settings = settings.model_copy(update={"archive": small})
    names = sorted(path.name for path in home.inbox.iterdir())
    files = [exports.Dropped(home.inbox / name, name) for name in names]
    outcomes = exports.ingest_batch(files, home=home, settings=settings, move=True)
    assert {of_file[0].name: of_file[0].status for of_file in outcomes} == dict.fromkeys(
        names, "refused"
    )
    for of_file in outcomes:
        assert "\n" not in (of_file[0].reason or "")
        assert "root:" not in (of_file[0].reason or "")
    assert list(home.root.parent.rglob("escaped*")) == []
    assert list((home.state / "expanding").iterdir()) == []
