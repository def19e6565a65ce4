"""KML 2.2 and 2.3: tracks with a time for each position, and points that each have a time."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from lxml import etree

from tasks.core.errors import NothingRecordedError
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
from tasks.core.zones import StampClock
from tasks.tables.recordings import PointLog, build_recording

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

#: Names of arrays beside a track, in lower case without blanks: what exports were seen to hold.
_ARRAYS: Final = {
    "heartrate": "heart_rate_bpm",
    "heart_rate": "heart_rate_bpm",
    "hr": "heart_rate_bpm",
    "cadence": "cadence_rpm",
    "power": "power_w",
    "temperature": "temperature_degc",
    "speed": "speed_mps",
    "accuracy": "position_accuracy_m",
}
_POSITION: Final = ("longitude_deg", "latitude_deg", "altitude_m")
_CHANNELS: Final = (*_POSITION, *sorted(set(_ARRAYS.values())))
_FEWEST: Final = 2


def _sniff(head: bytes) -> bool:
    return find_root_name(head) == "kml"


def _is_complete(path: Path) -> bool:
    return has_closing_tag(path, "kml")


@reader(
    "kml",
    suffixes=(".kml",),
    sniff=_sniff,
    is_complete=_is_complete,
    source="OGC 07-147r2 (KML 2.2) with its extension gx:Track, and OGC 12-007r2 (KML 2.3, Track)",
)
def read_kml(export: ExportFile, options: ReadOptions) -> tuple[Recording, ...]:
    """Read every track that has times, and the points that have times as one more.

    Parameters
    ----------
    export
        The file, its name and its hash.
    options
        The zone of times without one.

    Returns
    -------
    tuple[Recording, ...]
        One for each track, or for each group of tracks; of a file that was cut off the whole ones.

    Raises
    ------
    NothingRecordedError
        Lines without times only: the course of a route.
    DamagedError
        It is no XML.
    NoClockError
        Times without a zone that nobody stated.
    """
    markup = load_markup(export.path.read_bytes(), name=export.name)
    # The times of a track may all stand before its positions: those up to the cut are whole.
    row = "coord" if "coord>" in markup.text else "Placemark"
    root, cut = parse_whole_rows(markup.text, row, name=export.name)
    clock = StampClock(export.name, options.zone)
    logs = [log for log in _read_logs(root, clock) if len(log.micros) >= _FEWEST]
    clock.check()
    if not logs:
        raise _refuse(root, export.name)
    recordings: list[Recording] = []
    for log in logs:
        header = Header(
            format="kml",
            reader=f"lxml {etree.__version__}",
            index=len(recordings),
            time_basis=clock.basis,
            status="partial" if cut else "whole",
            reason="the file was cut off" if cut else None,
        )
        remarks = list(markup.remarks)
        if log.n_unreadable:
            remarks.append(
                Remark("points without a readable time or position were left out", log.n_unreadable)
            )
        columns: dict[str, list[Any]] = {"piece": log.pieces, **log.columns}
        recording = build_recording(header, log.micros, columns, name=export.name, remarks=remarks)
        recordings.append(recording)
    return tuple(recordings)


def _read_logs(root: Any, clock: StampClock) -> Iterator[PointLog]:  # noqa: ANN401 - lxml ships no types
    """Yield what was recorded: groups of tracks, single tracks, and all points with a time."""
    points = PointLog(_CHANNELS)
    for placemark in _find_all(root, "Placemark"):
        tracks = list(_find_all(placemark, "Track"))
        if tracks:
            log = PointLog(_CHANNELS)
            for piece, track in enumerate(tracks):
                _read_track(track, log, clock, piece)
            yield log
        stamp = next(_find_all(placemark, "TimeStamp"), None)
        point = next(_find_all(placemark, "Point"), None)
        if stamp is not None and point is not None:
            micros = clock.read(read_text(stamp, "when"))
            points.add(micros, _read_position(read_text(point, "coordinates") or "", ","), 0)
    yield points


def _read_track(track: Any, log: PointLog, clock: StampClock, piece: int) -> None:  # noqa: ANN401 - lxml
    """Read one track: as many times as positions, and arrays of as many values beside them."""
    whens = [(one.text or "").strip() for one in find_children(track, "when")]
    coords = [(one.text or "").strip() for one in find_children(track, "coord")]
    arrays: dict[str, list[str]] = {}
    for array in _find_all(track, "SimpleArrayData"):
        ours = _ARRAYS.get((array.get("name") or "").lower().replace(" ", ""))
        values = [(one.text or "").strip() for one in find_children(array, "value")]
        if ours is not None and len(values) == len(whens):
            arrays.setdefault(ours, values)
    for place, (when, coord) in enumerate(zip(whens, coords, strict=False)):
        said = _read_position(coord, None) | {
            ours: number
            for ours, cells in arrays.items()
            if (number := _read_number(cells[place])) is not None
        }
        log.add(clock.read(when), said, piece)
    log.n_unreadable += abs(len(whens) - len(coords))


def _read_position(text: str, delimiter: str | None) -> dict[str, float]:
    """Return longitude, latitude and, where it is there, altitude; empty when unreadable."""
    numbers = [_read_number(part) for part in text.split(delimiter)]
    if len(numbers) < _FEWEST or None in numbers[:2]:
        return {}
    return {
        name: number for name, number in zip(_POSITION, numbers, strict=False) if number is not None
    }


def _read_number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def _find_all(element: Any, name: str) -> Iterator[Any]:  # noqa: ANN401 - lxml
    """Yield the descendants of `element` with the local name `name`."""
    return (child for child in element.iter() if read_local_name(child) == name)


def _refuse(root: Any, name: str) -> NothingRecordedError:  # noqa: ANN401 - lxml
    lines = sum(1 for _ in _find_all(root, "LineString"))
    found = (
        f"a route: its {lines} lines have no time for each point"
        if lines
        else "it holds no track and no points with times"
    )
    return NothingRecordedError(
        name,
        found=found,
        remedy="export the activity as a track with times (gx:Track), or as GPX; put course lines "
        "under courses/",
    )
