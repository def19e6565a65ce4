"""GeoJSON: lines with a time for each position, and points that each have a time.

The standard has no times; they stand in the properties, as a list beside a line or as one time of
a point.
"""

from __future__ import annotations

import json
from math import isfinite
from typing import TYPE_CHECKING, Any, Final

from tasks.core.errors import NothingRecordedError
from tasks.core.instants import EARLIEST, LATEST, to_microseconds
from tasks.core.json_text import is_map, make_malformed_error
from tasks.core.recording import ExportFile, Header, Recording, Remark
from tasks.core.registers import ReadOptions, reader
from tasks.core.zones import StampClock
from tasks.tables.recordings import PointLog, build_recording

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

#: Properties that hold times, in lower case without `_` (common practice, no source).
_LIST_TIMES: Final = ("coordtimes", "times", "timestamps", "time")
_POINT_TIMES: Final = ("time", "timestamp", "datetime", "date", "when")
#: Properties beside them: one value for each position, or that of a point.
_VALUES: Final = {
    "heartrate": "heart_rate_bpm",
    "heartrates": "heart_rate_bpm",
    "heart": "heart_rate_bpm",
    "heartratebpm": "heart_rate_bpm",
    "hr": "heart_rate_bpm",
    "cadence": "cadence_rpm",
    "cadences": "cadence_rpm",
    "cad": "cadence_rpm",
    "power": "power_w",
    "powers": "power_w",
    "temperature": "temperature_degc",
    "atemp": "temperature_degc",
    "atemps": "temperature_degc",
    "speedmps": "speed_mps",
    "accuracy": "position_accuracy_m",
    "horizontalaccuracy": "position_accuracy_m",
}
_POSITION: Final = ("longitude_deg", "latitude_deg", "altitude_m")
_CHANNELS: Final = (*_POSITION, *sorted(set(_VALUES.values())))
_MILLISECONDS_FROM: Final = 1e11
_FEWEST: Final = 2


def _sniff(head: bytes) -> bool:
    text = head.lstrip(b"\xef\xbb\xbf \t\r\n")
    return text.startswith(b"{") and b"\x00" not in head and is_map(head)


def _is_complete(path: Path) -> bool:
    return path.read_bytes().rstrip().endswith(b"}")


@reader(
    "geojson",
    suffixes=(".geojson", ".json"),
    sniff=_sniff,
    is_complete=_is_complete,
    source="RFC 7946; times stand in the properties (common practice, no source)",
)
def read_geojson(export: ExportFile, options: ReadOptions) -> tuple[Recording, ...]:
    """Read every line that has times, and the points that have times as one more.

    Parameters
    ----------
    export
        The file, its name and its hash.
    options
        The zone of times without one.

    Returns
    -------
    tuple[Recording, ...]
        One for each line; the parts of a line of several parts become pieces.

    Raises
    ------
    NothingRecordedError
        Lines without times only: the course of a route.
    DamagedError
        It is no JSON.
    NoClockError
        Times without a zone that nobody stated.
    """
    try:
        document = json.loads(export.path.read_bytes().decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:
        raise make_malformed_error(export.name, error) from error
    clock = StampClock(export.name, options.zone)
    features = list(_find_features(document))
    logs = [log for log in _read_logs(features, clock) if len(log.micros) >= _FEWEST]
    clock.check()
    if not logs:
        raise NothingRecordedError(
            export.name,
            found=f"none of its {len(features)} features has a time for each position",
            remedy="export the activity with times; put course lines under courses/",
        )
    return tuple(
        build_recording(
            Header(format="geojson", reader="json", index=index, time_basis=clock.basis),
            log.micros,
            {"piece": log.pieces, **log.columns},
            name=export.name,
            remarks=_list_remarks(log),
        )
        for index, log in enumerate(logs)
    )


def _list_remarks(log: PointLog) -> tuple[Remark, ...]:
    text = "positions without a readable time or place were left out"
    return (Remark(text, log.n_unreadable),) if log.n_unreadable else ()


def _find_features(document: Any) -> Iterator[dict[str, Any]]:  # noqa: ANN401 - JSON
    if not isinstance(document, dict):
        return
    if document.get("type") == "FeatureCollection":
        parts = document.get("features")
        yield from (one for one in parts or () if isinstance(one, dict))
    elif document.get("type") == "Feature":
        yield document
    else:
        yield {"type": "Feature", "geometry": document, "properties": {}}


def _read_logs(features: Sequence[dict[str, Any]], clock: StampClock) -> Iterator[PointLog]:
    points = PointLog(_CHANNELS)
    for feature in features:
        geometry, properties = feature.get("geometry"), _read_properties(feature)
        if not isinstance(geometry, dict):
            continue
        kind, places = geometry.get("type"), geometry.get("coordinates")
        if kind == "Point" and isinstance(places, list):
            time = next((properties[key] for key in _POINT_TIMES if key in properties), None)
            if time is not None:
                values = _read_position(places) | _read_values(properties, None)
                points.add(_read_time(time, clock), values, 0)
        elif kind == "LineString" and isinstance(places, list):
            log = PointLog(_CHANNELS)
            _read_line(places, properties, log, clock)
            yield log
        elif kind == "MultiLineString" and isinstance(places, list):
            log = PointLog(_CHANNELS)
            for piece, part in enumerate(one for one in places if isinstance(one, list)):
                own = {
                    key: values[piece] if _has_part(values, piece) else values
                    for key, values in properties.items()
                }
                _read_line(part, own, log, clock, piece)
            yield log
    yield points


def _read_properties(feature: Mapping[str, Any]) -> dict[str, Any]:
    """Return the properties by their names in lower case, those for each position among them."""
    properties = feature.get("properties")
    found: dict[str, Any] = {}
    for part in (properties, (properties or {}).get("coordinateProperties")):
        if isinstance(part, dict):
            found |= {str(key).lower().replace("_", ""): value for key, value in part.items()}
    return found


def _read_line(
    places: Sequence[Any],
    properties: Mapping[str, Any],
    log: PointLog,
    clock: StampClock,
    piece: int = 0,
) -> None:
    """Read one line, where it has as many times as positions."""
    times = next(
        (
            properties[key]
            for key in _LIST_TIMES
            if isinstance(properties.get(key), list) and len(properties[key]) == len(places)
        ),
        None,
    )
    if times is None:
        return
    beside = {
        key: values
        for key, values in properties.items()
        if isinstance(values, list) and len(values) == len(places)
    }
    for place, (time, position) in enumerate(zip(times, places, strict=True)):
        values = _read_position(position) | _read_values(beside, place)
        log.add(_read_time(time, clock), values, piece)


def _read_time(value: object, clock: StampClock) -> int | None:
    """Return a time as text, or a count of seconds or milliseconds since 1970."""
    if isinstance(value, str):
        return clock.read(value)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not isfinite(value):
        return None
    seconds = value / 1e3 if value > _MILLISECONDS_FROM else float(value)
    micros = round(seconds * 1e6)
    return micros if to_microseconds(EARLIEST) <= micros < to_microseconds(LATEST) else None


def _read_position(position: object) -> dict[str, float]:
    if not isinstance(position, list):
        return {}
    return {
        name: float(number)
        for name, number in zip(_POSITION, position, strict=False)
        if _is_number(number)
    }


def _read_values(properties: Mapping[str, Any], place: int | None) -> dict[str, float]:
    values = {}
    for key, said in properties.items():
        value = said if place is None else said[place]
        if key in _VALUES and _is_number(value):
            values[_VALUES[key]] = float(value)
    return values


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and isfinite(value)


def _has_part(values: object, piece: int) -> bool:
    return isinstance(values, list) and piece < len(values) and isinstance(values[piece], list)
