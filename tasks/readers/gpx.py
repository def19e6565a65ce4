"""GPX 1.0 and 1.1: tracks with times, one recording each.

gpxpy reads the document. It refuses a whole file for one bad number, knows no prefix on GPX's own
elements and loses what other namespaces add to a GPX 1.0 point, so such a document is first
rebuilt as a plain GPX 1.1 one.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC
from importlib.metadata import version
from math import isfinite, nan
from typing import TYPE_CHECKING, Any, Final

import gpxpy
import numpy as np
from gpxpy.gpx import GPXException
from lxml import etree

from tasks.core.activities import name_activity, names_virtual_place
from tasks.core.errors import NoClockError, NothingRecordedError
from tasks.core.instants import find_possible, from_microseconds, to_microseconds
from tasks.core.markup import (
    find_children,
    find_root_name,
    has_closing_tag,
    load_markup,
    parse_whole_rows,
    read_local_name,
    read_text,
)
from tasks.core.recording import ExportFile, Header, Recording, Remark
from tasks.core.registers import ReadOptions, reader
from tasks.tables.arrow import make_empty, make_table
from tasks.tables.tables import BATTERY, BEATS, EVENTS, LAPS, LENGTHS, SAMPLES

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

#: Local names of point extensions, in lower case, whatever their namespace. Source:
#: TrackPointExtension v1 and v2, PowerExtension v1, GPXDATA 1.0 and what exports were seen to
#: hold. `cad` counts revolutions or strides; `speed` is in m/s; `distance` counts from the start.
_EXTENSIONS: Final = {
    "hr": "heart_rate_bpm",
    "heartrate": "heart_rate_bpm",
    "cad": "cadence_rpm",
    "cadence": "cadence_rpm",
    "atemp": "temperature_degc",
    "temp": "temperature_degc",
    "speed": "speed_mps",
    "course": "course_deg",
    "power": "power_w",
    "powerinwatts": "power_w",
    "watts": "power_w",
    "distance": "distance_m",
}
#: Totals in a track's own extensions. Source: TrackStatsExtension v1.
_TOTALS: Final = {
    "distance": "device_distance_m",
    "ascent": "device_ascent_m",
    "descent": "device_descent_m",
}
_TOTALS_FRAME: Final = "trackstatsextension"
#: Parts of a track that hold points, not facts about it.
_STRUCTURE: Final = frozenset({"trkseg", "trkpt"})
_CHANNELS: Final = (
    "latitude_deg",
    "longitude_deg",
    "altitude_m",
    *sorted(set(_EXTENSIONS.values())),
)


def _sniff(head: bytes) -> bool:
    return find_root_name(head) == "gpx"


def _is_complete(path: Path) -> bool:
    return has_closing_tag(path, "gpx")


@reader(
    "gpx",
    suffixes=(".gpx",),
    sniff=_sniff,
    is_complete=_is_complete,
    source="GPX 1.1 schema, http://www.topografix.com/GPX/1/1/gpx.xsd, and its GPX 1.0 forerunner",
)
def read_gpx(export: ExportFile, options: ReadOptions) -> tuple[Recording, ...]:  # noqa: ARG001
    """Read every track that has times; its segments become pieces.

    Parameters
    ----------
    export
        The file, its name and its hash.
    options
        Not used: a time without a zone is UTC, as the standard says, and is remarked upon.

    Returns
    -------
    tuple[Recording, ...]
        One for each track; of a file that was cut off the points up to the cut.

    Raises
    ------
    DamagedError
        It is no XML, or no GPX.
    NothingRecordedError
        Routes only.
    NoClockError
        Impossible years.
    """
    markup = load_markup(export.path.read_bytes(), name=export.name)
    remarks = list(markup.remarks)
    gpx = _parse_plain(markup.text)
    cut = False
    if gpx is None:
        root, cut = parse_whole_rows(markup.text, "trkpt", name=export.name)
        gpx = _parse_rebuilt(root, remarks)
    tracks = [(track, _collect_points(track)) for track in gpx.tracks]
    timed = [(track, points) for track, points in tracks if points.times]
    if not timed:
        raise _refuse_route(gpx, [points for _, points in tracks], export.name)
    n_routes = sum(not points.times and points.n_untimed > 0 for _, points in tracks)
    if n_routes:
        remarks.append(Remark("tracks without times were left out", n_routes))
    recordings: list[Recording] = []
    for track, points in timed:
        recording = _build_recording(gpx, track, points, index=len(recordings))
        if recording is not None:
            recordings.append(recording.with_remarks(*remarks))
    if not recordings:
        raise NoClockError(
            export.name,
            found=f"its times begin in {_first_year(timed[0][1])}, when the clock was not set",
            remedy="record with a set clock; these times cannot be placed",
        )
    if cut:
        recordings[-1] = _mark_partial(recordings[-1])
    return tuple(recordings)


@dataclass
class _Points:
    """Points of one track, column by column."""

    times: list[int] = field(default_factory=list)
    pieces: list[int] = field(default_factory=list)
    columns: dict[str, list[float]] = field(
        default_factory=lambda: {name: [] for name in _CHANNELS}
    )
    offsets_s: set[int] = field(default_factory=set)
    n_naive: int = 0
    n_untimed: int = 0
    n_unreadable: int = 0


def _parse_plain(text: str) -> Any | None:  # noqa: ANN401 - gpxpy's own document
    """Return gpxpy's document when it can see all of it, else None."""
    try:
        gpx = gpxpy.parse(text)
    except (GPXException, ValueError):
        return None
    points = [point for track in gpx.tracks for part in track.segments for point in part.points]
    # Blanks around a time make gpxpy miss it; GPX 1.0 has no extensions for it.
    seen = gpx.version == "1.1" and all(point.time is not None for point in points)
    return gpx if points and seen else None


def _parse_rebuilt(root: Any, remarks: list[Remark]) -> Any:  # noqa: ANN401 - lxml and gpxpy
    """Rebuild `root` as plain GPX 1.1 that holds what a recording needs, and let gpxpy read it."""
    plain = etree.Element("gpx", version="1.1", creator=root.get("creator") or "")
    n_unreadable = 0
    for track in find_children(root, "trk"):
        plain_track = etree.SubElement(plain, "trk")
        for word in ("name", "type"):
            text = read_text(track, word)
            if text:
                etree.SubElement(plain_track, word).text = text
        _copy_known(track, etree.SubElement(plain_track, "extensions"), {*_TOTALS, _TOTALS_FRAME})
        for part in find_children(track, "trkseg"):
            plain_part = etree.SubElement(plain_track, "trkseg")
            for point in find_children(part, "trkpt"):
                n_unreadable += _rebuild_point(point, plain_part)
    for route in find_children(root, "rte"):
        etree.SubElement(plain, "rte").extend(
            [etree.Element("rtept", lat="0", lon="0") for _ in find_children(route, "rtept")]
        )
    if n_unreadable:
        remarks.append(Remark("numbers that cannot be read were taken as missing", n_unreadable))
    return gpxpy.parse(etree.tostring(plain, encoding="unicode"))


def _rebuild_point(point: Any, into: Any) -> int:  # noqa: ANN401 - elements of lxml
    """Copy `point`; return how many of its numbers cannot be read."""
    n_unreadable = 0
    position = {}
    for key in ("lat", "lon"):
        text = (point.get(key) or "nan").strip()
        readable = _is_number(text)
        n_unreadable += not readable
        position[key] = text if readable else "nan"
    plain = etree.SubElement(into, "trkpt", **position)
    altitude = read_text(point, "ele")
    if altitude:
        if _is_number(altitude):
            etree.SubElement(plain, "ele").text = altitude
        else:
            n_unreadable += 1
    time = read_text(point, "time")
    if time:
        etree.SubElement(plain, "time").text = time
    _copy_known(point, etree.SubElement(plain, "extensions"), set(_EXTENSIONS))
    return n_unreadable


def _copy_known(element: Any, into: Any, names: set[str]) -> None:  # noqa: ANN401 - lxml
    """Copy what `element` holds under `names`, in lower case and without prefix, frames kept."""
    for child in element:
        name = read_local_name(child).lower()
        if name in names:
            plain = etree.SubElement(into, name)
            plain.text = child.text
            _copy_known(child, plain, names)
        elif len(child) and name not in _STRUCTURE:
            _copy_known(child, into, names)


def _collect_points(track: Any) -> _Points:  # noqa: ANN401 - gpxpy's own track
    points = _Points()
    for piece, part in enumerate(track.segments):
        for point in part.points:
            if point.time is None:
                points.n_untimed += 1
            else:
                _collect_point(point, points, piece)
    return points


def _collect_point(point: Any, points: _Points, piece: int) -> None:  # noqa: ANN401
    time = point.time
    if time.tzinfo is None:
        points.n_naive += 1
        time = time.replace(tzinfo=UTC)
    else:
        points.offsets_s.add(round(time.utcoffset().total_seconds()))
    points.times.append(to_microseconds(time))
    points.pieces.append(piece)
    values = {
        "latitude_deg": point.latitude,
        "longitude_deg": point.longitude,
        "altitude_m": point.elevation,
        **_read_extensions(point.extensions, points),
    }
    for name, column in points.columns.items():
        value = values.get(name)
        column.append(nan if value is None else value)


def _read_extensions(extensions: Iterable[Any], points: _Points) -> dict[str, float]:
    """Return the known values of a point by column; the first one of a column wins."""
    values: dict[str, float] = {}
    for extension in extensions:
        for element in extension.iter():
            column = _EXTENSIONS.get(read_local_name(element).lower())
            if column is None or column in values or not element.text:
                continue
            try:
                values[column] = float(element.text)
            except ValueError:
                points.n_unreadable += 1
    return values


def _build_recording(gpx: Any, track: Any, points: _Points, *, index: int) -> Recording | None:  # noqa: ANN401
    """Build the recording of one track; None when none of its times is possible."""
    times = np.array(points.times, dtype=np.int64)
    possible = find_possible(times)
    if not possible.any():
        return None
    columns = {name: np.array(values)[possible] for name, values in points.columns.items()}
    times = times[possible]
    samples = make_table(
        SAMPLES,
        {"time_utc": times, "piece": np.array(points.pieces)[possible], **columns},
    )
    positioned = np.isfinite(columns["latitude_deg"]).any()
    return Recording(
        header=_build_header(gpx, track, points, index=index, positioned=bool(positioned)),
        start_utc=from_microseconds(times.min()),
        end_utc=from_microseconds(times.max()),
        samples=samples,
        remarks=_list_remarks(points, n_impossible=int((~possible).sum())),
        **{table.name: make_empty(table) for table in (LAPS, LENGTHS, BEATS, BATTERY, EVENTS)},
    )


def _build_header(
    gpx: Any,  # noqa: ANN401 - gpxpy's own document
    track: Any,  # noqa: ANN401 - gpxpy's own track
    points: _Points,
    *,
    index: int,
    positioned: bool,
) -> Header:
    kind = (track.type or "").strip()
    creator = (gpx.creator or "").strip() or None
    virtual = names_virtual_place(kind, creator)
    offsets_s = points.offsets_s - {0}
    totals = _read_totals(track.extensions)
    return Header(
        format="gpx",
        reader=f"gpxpy {version('gpxpy')}",
        index=index,
        creator=creator,
        sport=_name_sport(kind),
        sub_sport=kind.lower() or None,
        position_kind=("virtual" if virtual else "gnss") if positioned else "none",
        # One offset throughout is the local time; Z tells nothing about it.
        local_offset_s=offsets_s.pop() if len(points.offsets_s) == 1 and offsets_s else None,
        device_distance_m=totals.get("device_distance_m"),
        device_ascent_m=totals.get("device_ascent_m"),
        device_descent_m=totals.get("device_descent_m"),
    )


def _name_sport(kind: str) -> str | None:
    """Return our word for a track's type; a bare number is the code of one service, not a word."""
    word = kind.lower().replace("virtual", "").strip(" _-")
    return None if word.isdecimal() else name_activity(word)


def _read_totals(extensions: Iterable[Any]) -> dict[str, float]:
    """Return the device's own totals; empty when the track says none."""
    totals: dict[str, float] = {}
    for extension in extensions:
        if read_local_name(extension).lower() != _TOTALS_FRAME:
            continue
        for element in extension:
            key = _TOTALS.get(read_local_name(element).lower())
            if key is not None and element.text and _is_number(element.text):
                totals[key] = float(element.text)
    return {key: value for key, value in totals.items() if isfinite(value)}


def _list_remarks(points: _Points, *, n_impossible: int) -> tuple[Remark, ...]:
    found = (
        ("points without a readable time were left out", points.n_untimed),
        ("times without a zone were taken as UTC, as GPX demands", points.n_naive),
        ("numbers that cannot be read were taken as missing", points.n_unreadable),
        ("samples with impossible times were left out", n_impossible),
    )
    return tuple(Remark(text, count) for text, count in found if count)


def _mark_partial(recording: Recording) -> Recording:
    """Say that the file ends early; totals of a whole that is not there are dropped."""
    header = replace(
        recording.header,
        status="partial",
        reason=f"the file was cut off; {recording.samples.num_rows} samples before the cut",
        device_distance_m=None,
        device_ascent_m=None,
        device_descent_m=None,
    )
    return replace(recording, header=header)


def _refuse_route(gpx: Any, tracks: list[_Points], name: str) -> NothingRecordedError:  # noqa: ANN401
    n_untimed = sum(points.n_untimed for points in tracks)
    n_planned = sum(len(route.points) for route in gpx.routes)
    if n_untimed:
        found = f"a route: none of its {n_untimed} track points has a time"
    elif n_planned:
        found = f"a route: {n_planned} planned points and no recorded track"
    else:
        found = "it holds no track point"
    return NothingRecordedError(
        name, found=found, remedy="export the recorded activity; put course lines under courses/"
    )


def _first_year(points: _Points) -> int:
    return from_microseconds(points.times[0]).year


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
