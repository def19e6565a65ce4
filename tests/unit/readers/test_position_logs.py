"""What position logs hold beside the contract: cuts, odd sentences, gaps."""

from __future__ import annotations

import sys
from functools import reduce
from operator import xor
from pathlib import Path

import pytest

from tasks.core.errors import ExportRefusedError, NothingRecordedError, ReaderFailedError
from tasks.core.reading import read_export
from tasks.core.recording import ExportFile, Recording
from tasks.core.registers import ReadOptions
from tasks.core.satellites import from_gps_week, gps_to_utc

FILES = Path(__file__).resolve().parents[2] / "contract" / "files"


def read(folder: Path, name: str, data: bytes) -> Recording:
    path = folder / name
    path.write_bytes(data)
    (recording,) = read_export(ExportFile(path, name), ReadOptions(zone="UTC"))
    return recording


def seal(sentence: str) -> str:
    return f"${sentence}*{reduce(xor, sentence.encode()):02X}\r\n"


def test_a_track_that_was_cut_off_keeps_its_whole_positions(tmp_path: Path) -> None:
    whens = "".join(f"<when>2026-05-02T06:00:{n:02d}Z</when>" for n in range(30))
    coords = "".join(f"<gx:coord>15.8 63.41{n:02d} 320</gx:coord>" for n in range(30))
    whole = f"<kml xmlns:gx='g'><Placemark><gx:Track>{whens}{coords}</gx:Track></Placemark></kml>"
    cut = whole[: whole.index("63.4120") + 3]
    recording = read(tmp_path, "track.kml", cut.encode())
    assert recording.samples.num_rows == 20
    assert recording.header.status == "partial"


def test_kinds_of_solutions_are_counted(tmp_path: Path) -> None:
    recording = read(tmp_path, "a.pos", (FILES / "pos" / "good.pos").read_bytes())
    told = {remark.text: remark.count for remark in recording.remarks}
    assert told == {
        "position by RTK, fixed": 1,
        "position by RTK, float": 1,
        "position by single": 1,
    }


def test_a_damaged_sentence_costs_one_sample_and_is_told(tmp_path: Path) -> None:
    recording = read(tmp_path, "a.nmea", (FILES / "nmea" / "good.nmea").read_bytes())
    told = {remark.text: remark.count for remark in recording.remarks}
    assert told["sentences with a wrong checksum were left out"] == 1
    assert told["times without a fix were left out"] == 1
    assert told["position by RTK, fixed"] == 1


def test_sentences_of_several_systems_and_other_lines_are_one_log(tmp_path: Path) -> None:
    lines = [
        seal("GNRMC,060000.00,A,6324.6000,N,01548.0000,E,6.00,90.0,020526,,,A"),
        seal("GPGSV,1,1,00"),
        "# a comment of a logger\r\n",
        seal("GNGGA,060001.00,6324.6000,S,01548.0000,W,1,12,0.8,321.5,M,38.2,M,,"),
    ]
    samples = read(tmp_path, "a.nmea", "".join(lines).encode()).samples
    assert samples.column("latitude_deg").to_pylist() == pytest.approx([63.41, -63.41])
    assert samples.column("longitude_deg").to_pylist() == pytest.approx([15.8, -15.8])


def test_a_log_without_any_fix_is_refused(tmp_path: Path) -> None:
    log = seal("GPRMC,060000.00,V,,,,,,,020526,,,N") + seal("GPGGA,060000.00,,,,,0,00,,,M,,M,,")
    with pytest.raises(NothingRecordedError, match="no sample with a time"):
        read(tmp_path, "a.nmea", log.encode())


def test_gps_time_is_ahead_of_utc_by_its_leap_seconds() -> None:
    # GPS week 1930 begins on 2017-01-01: the leap second before it is the newest one.
    start = from_gps_week(1930, 0.0)
    assert start == 1_483_228_800_000_000
    assert gps_to_utc(start + 18_000_000) == start
    assert gps_to_utc(start + 16_000_000) == start - 1_000_000


@pytest.mark.parametrize("time", ["JST", ""])
def test_a_time_system_that_is_not_known_is_refused(tmp_path: Path, time: str) -> None:
    data = f"% {time} latitude(deg) longitude(deg) height(m) Q\n2026/05/02 06:00:00 63 15 300 1\n"
    with pytest.raises(ExportRefusedError, match="its times are in"):
        read(tmp_path, "a.pos", data.encode())


def test_an_electrocardiogram_that_was_cut_off_is_partial(tmp_path: Path) -> None:
    data = (FILES / "edf" / "good.edf").read_bytes()
    recording = read(tmp_path, "heart.edf", data[: len(data) // 2])
    assert recording.header.status == "partial"
    assert recording.header.reason == "the file was cut off; 29 s are there"
    assert 30 < recording.beats.num_rows < 40


def test_a_missing_extra_is_told_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "edfio", None)
    with pytest.raises(ReaderFailedError, match="the extra ecg is not installed"):
        read(tmp_path, "heart.edf", (FILES / "edf" / "good.edf").read_bytes())
