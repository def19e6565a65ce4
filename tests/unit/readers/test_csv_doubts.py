"""CSV numbers that contradict each other: what is left out, reported or refused."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tasks.core.errors import DamagedError, UnknownLayoutError
from tasks.core.reading import read_export
from tasks.core.recording import ExportFile
from tasks.core.registers import ReadOptions
from tasks.tables.arrow import read_floats

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tasks.core.recording import Recording

    Read = Callable[..., Recording]


@pytest.fixture
def read(tmp_path: Path) -> Read:
    def read_text(text: str, *folders: Path) -> Recording:
        path = tmp_path / "content"
        path.write_text(text)
        (recording,) = read_export(ExportFile(path, "a.csv"), ReadOptions(layout_folders=folders))
        return recording

    return read_text


def write_run(titles: str, write_row: Callable[[float, float, float], str]) -> str:
    """Write ten minutes at 3 m/s to the north: `write_row` has metres, latitude and longitude."""
    # A degree of latitude at 50 degrees is 111.2 km (WGS 84: 111,229 m).
    rows = (
        f"2026-05-02T07:{30 + n // 60:02d}:{n % 60:02d}Z,"
        + write_row(3.0 * n, 50.0 + 3.0 * n / 111_229.0, 8.0)
        for n in range(601)
    )
    return f"time,{titles}\n" + "\n".join(rows) + "\n"


#: Titles, a row, the titles that are left out, and the unit that the numbers fit.
WRONG = {
    "km beside positions": (
        "distance,lat,lon",
        lambda m, lat, lon: f"{m / 1000:.4f},{lat:.6f},{lon}",
        {"distance": "km"},
    ),
    "miles beside positions": (
        "distance,lat,lon",
        lambda m, lat, lon: f"{m / 1609.344:.4f},{lat:.6f},{lon}",
        {"distance": "mi"},
    ),
    "km/h beside positions": (
        "speed,lat,lon",
        lambda _m, lat, lon: f"10.8,{lat:.6f},{lon}",
        {"speed": "km/h"},
    ),
    "km beside speed": (
        "distance,speed (m/s)", lambda m, *_: f"{m / 1000:.4f},3", {"distance": "km"}
    ),
    "km/h beside distance": ("distance (m),speed", lambda m, *_: f"{m},10.8", {"speed": "km/h"}),
    "mph beside distance": ("distance (m),speed", lambda m, *_: f"{m},6.71", {"speed": "mph"}),
    "km and m/s": ("distance,speed,hr", lambda m, *_: f"{m / 1000:.4f},3,70", {"distance": "km"}),
    "m and km/h": ("distance,speed,hr", lambda m, *_: f"{m},10.8,70", {"speed": "km/h"}),
    "km and km/h": (
        "distance,speed,hr",
        lambda m, *_: f"{m / 1000:.4f},10.8,70",
        {"distance": "km", "speed": "km/h"},
    ),
}  # fmt: skip


@pytest.mark.parametrize(("titles", "row", "out"), WRONG.values(), ids=WRONG)
def test_a_column_whose_unit_cannot_be_the_assumed_one_is_reported_and_not_read(
    titles: str, row: Callable[..., str], out: dict[str, str], read: Read, tmp_path: Path
) -> None:
    text = write_run(titles, row)
    recording = read(text)
    assert recording.header.status == "partial"
    for title, unit in out.items():
        column = {"distance": "distance_m", "speed": "speed_mps"}[title]
        assert not (read_floats(recording.samples, column) > 0.0).any()
        assert f"{title!r} names no unit" in (recording.header.reason or "")
        assert f'unit = "{unit}"  # CHECK: the numbers fit' in recording.proposal
    # The layout that is proposed reads the right numbers: 600 s at 3 m/s.
    (tmp_path / "own").mkdir()
    (tmp_path / "own" / "a.toml").write_text(recording.proposal)
    mended = read(text, tmp_path / "own")
    assert mended.header.status == "whole"
    if "distance" in titles:
        assert read_floats(mended.samples, "distance_m").max() == pytest.approx(1800.0, rel=1e-3)
    if "speed" in titles:
        assert read_floats(mended.samples, "speed_mps").max() == pytest.approx(3.0, rel=1e-2)


RIGHT = {
    "m, m/s, positions": (
        "distance,speed,lat,lon", lambda m, lat, lon: f"{m:.1f},3,{lat:.6f},{lon}"
    ),
    "a speed that stands still": ("distance,speed,hr", lambda *_: "0,0,70"),
    "a distance that counts 20 % too much": ("distance,speed", lambda m, *_: f"{1.2 * m},3"),
}  # fmt: skip


@pytest.mark.parametrize(("titles", "row"), RIGHT.values(), ids=RIGHT)
def test_numbers_that_agree_in_the_assumed_units_are_read(
    titles: str, row: Callable[..., str], read: Read
) -> None:
    recording = read(write_run(titles, row))
    assert recording.header.status == "whole"
    assert (read_floats(recording.samples, "distance_m") >= 0.0).all()


def test_positions_that_are_no_degrees_are_reported(read: Read) -> None:
    text = write_run("position_lat,position_long,hr", lambda *_: "596523235,95443718,70")
    recording = read(text)
    assert "semicircles" in (recording.header.reason or "")
    assert recording.header.position_kind == "none"


def test_a_column_alone_that_contradicts_its_partner_is_refused(read: Read) -> None:
    with pytest.raises(UnknownLayoutError, match="in km/h they would agree"):
        read(write_run("speed,distance", lambda m, *_: f"10.8,{m / 1000:.4f}"))


def test_a_title_that_probably_means_something_is_reported_with_a_proposal(
    read: Read, tmp_path: Path
) -> None:
    text = "time,hr,My power now (kg m/s)\n2026-05-02T07:30:00Z,70,200\n"
    recording = read(text)
    assert recording.header.status == "partial"
    assert "My power now" in (recording.header.reason or "")
    (tmp_path / "own").mkdir()
    (tmp_path / "own" / "a.toml").write_text(recording.proposal)
    mended = read(text, tmp_path / "own")
    assert read_floats(mended.samples, "power_w").tolist() == [200.0]


def test_titles_without_a_known_word_do_not_make_a_file_partial(read: Read) -> None:
    recording = read("time,hr,mood,hr zone\n2026-05-02T07:30:00Z,70,fine,3\n")
    assert recording.header.status == "whole"


# --- several devices ---------------------------------------------------------------------------
def test_rows_of_two_devices_are_refused_by_name(read: Read) -> None:
    text = "time,Device,hr\n" + "".join(
        f"2026-05-02T07:30:0{n}Z,{name},{rate}\n"
        for n in range(4)
        for name, rate in (("Hazel", 120), ("Alder", 131))
    )
    with pytest.raises(DamagedError, match=r"'Device' names 2 devices \(Alder, Hazel\)"):
        read(text)


@pytest.mark.parametrize("titles", ["hr,hr", "hr (bpm),Pulse", "Heart Rate,HR [bpm]"])
def test_two_columns_of_different_heart_rates_are_refused(titles: str, read: Read) -> None:
    rows = "".join(f"2026-05-02T07:30:0{n}Z,{120 + n},{131 + 2 * n}\n" for n in range(4))
    with pytest.raises(DamagedError, match="heart rates of two sensors"):
        read(f"time,{titles}\n{rows}")


def test_two_columns_of_one_heart_rate_are_read_once(read: Read) -> None:
    rows = "".join(f"2026-05-02T07:30:0{n}Z,{120 + n},{120 + n}.0,Hazel\n" for n in range(4))
    recording = read(f"time,hr,hr (bpm),device\n{rows}")
    assert read_floats(recording.samples, "heart_rate_bpm").tolist() == [120, 121, 122, 123]
