"""GPX: odd and broken documents. Every track is invented; expected values are typed in the text."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from tasks.core.errors import CowornError, DamagedError, NoClockError, NothingRecordedError
from tasks.core.reading import is_complete, read_export
from tasks.core.recording import ExportFile, Recording
from tasks.core.registers import ReadOptions

if TYPE_CHECKING:
    from pathlib import Path

NAMESPACE = 'xmlns="http://www.topografix.com/GPX/1/1"'
HEAD = f'<?xml version="1.0" encoding="UTF-8"?>\n<gpx version="1.1" creator="Alder 2" {NAMESPACE}>'
POINT = '<trkpt lat="10.5" lon="20.5"><ele>7.5</ele><time>2025-06-15T08:00:{:02d}Z</time></trkpt>'


def wrap(points: str, *, head: str = HEAD) -> str:
    return f"{head}\n<trk><trkseg>{points}</trkseg></trk>\n</gpx>\n"


def read(
    folder: Path, content: str | bytes, options: ReadOptions | None = None
) -> tuple[Recording, ...]:
    path = folder / "run.gpx"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return read_export(ExportFile(path, path.name), options or ReadOptions())


def read_one(folder: Path, content: str | bytes) -> Recording:
    (recording,) = read(folder, content)
    return recording


def list_rows(recording: Recording, *names: str) -> list[tuple[Any, ...]]:
    return [tuple(row[name] for name in names) for row in recording.samples.to_pylist()]


def list_remarks(recording: Recording) -> dict[str, int]:
    return {remark.text: remark.count for remark in recording.remarks}


# --- dialects ---------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("element", "column", "value"),
    [
        ("<hr>141</hr>", "heart_rate_bpm", 141.0),
        ("<heartrate>141</heartrate>", "heart_rate_bpm", 141.0),
        ("<cad>85</cad>", "cadence_rpm", 85.0),
        ("<cadence>85</cadence>", "cadence_rpm", 85.0),
        ("<atemp>-3.5</atemp>", "temperature_degc", -3.5),
        ("<temp>21</temp>", "temperature_degc", 21.0),
        ("<speed>3.25</speed>", "speed_mps", 3.25),
        ("<course>359.5</course>", "course_deg", 359.5),
        ("<power>250</power>", "power_w", 250.0),
        ("<PowerInWatts>251</PowerInWatts>", "power_w", 251.0),
        ("<Watts>252</Watts>", "power_w", 252.0),
        ("<distance>1234.5</distance>", "distance_m", 1234.5),
    ],
)
@pytest.mark.parametrize("prefix", ["", "a:", "a:TrackPointExtension/a:", "unbound:"])
def test_extensions_are_known_by_local_name_in_any_namespace(
    tmp_path: Path, element: str, column: str, value: float, prefix: str
) -> None:
    *frames, prefix = prefix.split("/")
    inner = element.replace("</", "\0").replace("<", f"<{prefix}").replace("\0", f"</{prefix}")
    for frame in frames:
        inner = f"<{frame}>{inner}</{frame}>"
    head = HEAD.replace("<gpx ", '<gpx xmlns:a="urn:invented" ')
    extensions = f"<extensions>{inner}</extensions>"
    point = POINT.format(0).replace("</trkpt>", f"{extensions}</trkpt>")
    recording = read_one(tmp_path, wrap(point, head=head))
    assert list_rows(recording, column) == [(value,)]


def test_gpx_1_0_keeps_its_speed_its_course_and_what_other_namespaces_add(tmp_path: Path) -> None:
    head = (
        '<gpx version="1.0" creator="Birch" xmlns="http://www.topografix.com/GPX/1/0" '
        'xmlns:x="urn:invented">'
    )
    point = (
        '<trkpt lat="1" lon="2"><ele>3</ele><time>2025-06-15T08:00:00Z</time><course>90</course>'
        "<speed>2.5</speed><fix>3d</fix><x:hr>120</x:hr></trkpt>"
    )
    recording = read_one(tmp_path, wrap(point, head=head))
    assert recording.header.creator == "Birch"
    assert list_rows(recording, "course_deg", "speed_mps", "heart_rate_bpm", "altitude_m") == [
        (90.0, 2.5, 120.0, 3.0)
    ]


def test_a_prefix_on_its_own_elements_is_no_obstacle(tmp_path: Path) -> None:
    content = (
        '<g:gpx version="1.1" creator="Birch" xmlns:g="http://www.topografix.com/GPX/1/1">'
        '<g:trk><g:type>Ride</g:type><g:trkseg><g:trkpt lat="1" lon="2">'
        "<g:time>2025-06-15T08:00:00Z</g:time></g:trkpt></g:trkseg></g:trk></g:gpx>"
    )
    recording = read_one(tmp_path, content)
    assert recording.header.sport == "cycling"
    assert list_rows(recording, "latitude_deg", "longitude_deg") == [(1.0, 2.0)]
    assert is_complete(tmp_path / "run.gpx", "run.gpx")


def test_a_value_that_the_standard_does_not_know_spoils_nothing_else(tmp_path: Path) -> None:
    point = (
        '<trkpt lat="1" lon="2"><ele>12,5</ele><time>\n2025-06-15T08:00:00Z </time>'
        "<fix>gps</fix><extensions><hr>--</hr></extensions></trkpt>"
    )
    recording = read_one(tmp_path, wrap(point + POINT.format(1)))
    assert list_rows(recording, "latitude_deg", "altitude_m", "heart_rate_bpm") == [
        (1.0, None, None),
        (10.5, 7.5, None),
    ]
    assert list_remarks(recording)["numbers that cannot be read were taken as missing"] == 1


def test_a_point_without_position_keeps_its_heart_rate(tmp_path: Path) -> None:
    point = "<trkpt><time>2025-06-15T08:00:00Z</time><extensions><hr>99</hr></extensions></trkpt>"
    recording = read_one(tmp_path, wrap(point))
    assert list_rows(recording, "latitude_deg", "heart_rate_bpm") == [(None, 99.0)]
    assert recording.header.position_kind == "none"


def test_a_virtual_ride_says_so(tmp_path: Path) -> None:
    head = HEAD.replace("Alder 2", "Zwift")
    assert read_one(tmp_path, wrap(POINT.format(0), head=head)).header.position_kind == "virtual"


def test_a_numeric_type_names_no_sport(tmp_path: Path) -> None:
    content = wrap(POINT.format(0)).replace("<trk>", "<trk><type>9</type>")
    assert read_one(tmp_path, content).header.sport is None


# --- times ------------------------------------------------------------------------------------
def test_a_time_without_a_zone_is_utc_whatever_zone_was_stated(tmp_path: Path) -> None:
    content = wrap(POINT.format(0).replace("Z<", "<"))
    (recording,) = read(tmp_path, content, ReadOptions(zone="Asia/Tokyo"))
    assert recording.start_utc == datetime(2025, 6, 15, 8, tzinfo=UTC)
    assert recording.header.time_basis == "utc"
    assert list_remarks(recording) == {"times without a zone were taken as UTC, as GPX demands": 1}


def test_offsets_are_applied_and_kept_as_local_time(tmp_path: Path) -> None:
    content = wrap(POINT.format(0).replace("08:00:00Z", "08:00:00.5-03:30"))
    recording = read_one(tmp_path, content)
    assert recording.start_utc == datetime(2025, 6, 15, 11, 30, 0, 500_000, tzinfo=UTC)
    assert recording.header.local_offset_s == -(3 * 3600 + 1800)


def test_a_clock_that_was_not_set_is_refused(tmp_path: Path) -> None:
    with pytest.raises(NoClockError, match="begin in 1980"):
        read(tmp_path, wrap(POINT.format(0).replace("2025", "1980")))


def test_a_single_impossible_time_is_left_out_and_counted(tmp_path: Path) -> None:
    wild = POINT.format(3).replace("2025", "2052")
    recording = read_one(tmp_path, wrap("".join(map(POINT.format, range(3))) + wild))
    assert recording.samples.num_rows == 3
    assert recording.end_utc == datetime(2025, 6, 15, 8, 0, 2, tzinfo=UTC)
    assert list_remarks(recording) == {"samples with impossible times were left out": 1}


def test_points_without_a_time_are_left_out_and_counted(tmp_path: Path) -> None:
    recording = read_one(tmp_path, wrap('<trkpt lat="1" lon="2"/>' + POINT.format(0)))
    assert recording.samples.num_rows == 1
    assert list_remarks(recording) == {"points without a readable time were left out": 1}


def test_order_and_doubled_stamps_are_left_to_normalise(tmp_path: Path) -> None:
    recording = read_one(tmp_path, wrap(POINT.format(5) + POINT.format(1) + POINT.format(1)))
    seconds = [time.second for (time,) in list_rows(recording, "time_utc")]
    assert seconds == [5, 1, 1]
    assert (recording.start_utc.second, recording.end_utc.second) == (1, 5)


def test_a_planned_route_is_refused(tmp_path: Path) -> None:
    content = f'{HEAD}<rte><rtept lat="1" lon="2"/><rtept lat="1" lon="3"/></rte></gpx>'
    with pytest.raises(NothingRecordedError, match="2 planned points and no recorded track"):
        read(tmp_path, content)


def test_a_document_without_anything_is_refused(tmp_path: Path) -> None:
    with pytest.raises(NothingRecordedError, match="no track point"):
        read(tmp_path, f"{HEAD}</gpx>")


# --- bytes ------------------------------------------------------------------------------------
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"])
def test_encodings_are_found_by_mark_or_by_zero_bytes(tmp_path: Path, encoding: str) -> None:
    content = wrap(POINT.format(0)).replace("Alder 2", "Läufer").encode(encoding)
    recording = read_one(tmp_path, content)
    assert recording.header.creator == "Läufer"
    assert is_complete(tmp_path / "run.gpx", "run.gpx")


def test_a_declared_encoding_is_used_and_a_wrong_one_mended(tmp_path: Path) -> None:
    text = wrap(POINT.format(0)).replace("Alder 2", "Läufer")
    declared = text.replace("UTF-8", "ISO-8859-1")
    assert read_one(tmp_path, declared.encode("latin-1")).header.creator == "Läufer"
    recording = read_one(tmp_path, text.encode("latin-1"))
    assert recording.header.creator == "Läufer"
    assert list_remarks(recording) == {"bytes that are no utf-8 were read as Latin-1": 1}


def test_leading_blanks_and_trailing_zero_bytes_are_tolerated(tmp_path: Path) -> None:
    content = b"\n  \n" + wrap(POINT.format(0)).encode() + bytes(512)
    assert read_one(tmp_path, content).header.status == "whole"
    assert is_complete(tmp_path / "run.gpx", "run.gpx")


def test_stray_ampersands_and_control_characters_are_mended(tmp_path: Path) -> None:
    content = wrap(POINT.format(0)).replace("Alder 2", "Oak & Sons\x01")
    recording = read_one(tmp_path, content)
    assert recording.header.creator == "Oak & Sons\ufffd"
    assert list_remarks(recording) == {
        "ampersands that were not escaped were mended": 1,
        "characters that XML forbids were replaced": 1,
    }


# --- damage -----------------------------------------------------------------------------------
def test_a_cut_file_gives_every_whole_point_before_the_cut(tmp_path: Path) -> None:
    content = wrap("".join(map(POINT.format, range(20)))).encode()
    first, last = content.index(b"</trkpt>") + len("</trkpt>"), content.rindex(b"</gpx>")
    for length in range(first, last + len("</gpx>") - 1, 7):
        cut = content[:length]
        recording = read_one(tmp_path, cut)
        assert recording.samples.num_rows == cut.count(b"</trkpt>")
        assert recording.header.status == "partial"
        assert recording.header.reason is not None
        assert not is_complete(tmp_path / "run.gpx", "run.gpx")


def test_only_the_last_recording_of_a_cut_file_is_partial(tmp_path: Path) -> None:
    content = wrap(POINT.format(0) + "</trkseg></trk><trk><trkseg>" + POINT.format(1))
    recordings = read(tmp_path, content[: content.rindex("</trkseg>")])
    assert [recording.header.status for recording in recordings] == ["whole", "partial"]


def test_a_cut_before_the_first_point_is_refused(tmp_path: Path) -> None:
    content = wrap(POINT.format(0))
    with pytest.raises(DamagedError, match="not well-formed"):
        read(tmp_path, content[: content.index("</trkpt>")])


def test_damage_in_the_middle_is_no_cut(tmp_path: Path) -> None:
    content = wrap(POINT.format(0) + POINT.format(1)).replace("</ele>", "</elf>", 1)
    with pytest.raises(DamagedError, match="line 3"):
        read(tmp_path, content)


@pytest.mark.parametrize(
    "declaration",
    [
        '<!DOCTYPE gpx [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">]>',
        '<!DOCTYPE gpx [<!ENTITY secret SYSTEM "file:///etc/hostname">]>',
        '<!DOCTYPE gpx SYSTEM "http://localhost/gpx.dtd">',
        "<!-- a comment first --><!DOCTYPE gpx>",
    ],
)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_document_types_are_refused(tmp_path: Path, declaration: str, encoding: str) -> None:
    content = wrap(POINT.format(0)).replace("<gpx ", f"{declaration}<gpx ", 1)
    content = content.replace("Alder 2", "&secret;")
    with pytest.raises(DamagedError, match="document type"):
        read(tmp_path, content.encode(encoding))


def test_any_damage_gives_recordings_or_a_reason(tmp_path: Path) -> None:
    rich = (
        '<trkpt lat="10.5" lon="20.5"><ele>7.5</ele><time>2025-06-15T08:00:{:02d}Z</time>'
        '<extensions><x:T xmlns:x="urn:invented"><x:hr>141</x:hr></x:T></extensions></trkpt>'
    )
    whole = wrap("".join(map(rich.format, range(6)))).encode()
    chance = np.random.default_rng(20250615)
    outcomes = {"read": 0, "refused": 0}
    for _ in range(600):
        data = bytearray(whole)
        if chance.random() < 0.3:
            data = data[: int(chance.integers(1, len(data)))]
        for _ in range(int(chance.integers(0, 4))):
            data[int(chance.integers(len(data)))] ^= 1 << int(chance.integers(8))
        try:
            recordings = read(tmp_path, bytes(data))
        except CowornError:
            outcomes["refused"] += 1
        else:
            assert all(recording.samples.num_rows <= 6 for recording in recordings)
            outcomes["read"] += 1
    assert min(outcomes.values()) > 100
