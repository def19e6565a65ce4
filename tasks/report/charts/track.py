"""Tracks in plan, cut corners marked, the worst ones enlarged."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.registers import chart
from tasks.core.wording import convert, join_words, name_unit
from tasks.maths.geodesy import find_plane_origin, project_to_plane
from tasks.report.drawing import Drawing, encode_device
from tasks.report.facts import TRACK_BREAK, DeviceFacts
from tasks.report.looks import COURSE_LOOK
from tasks.report.pages import TRACK_TOLERANCE_M
from tasks.report.summary import name_reference
from tasks.report.thin import thin_track
from tasks.report.words import describe_finding

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tasks.maths.geodesy import PlaneOrigin
    from tasks.report.facts import FindingFacts, WorkoutData

    Floats = NDArray[np.float64]

_MARKED: Final = ("cut_corner", "position_jump")
_ENLARGED: Final = 3
#: Half of the side of an enlargement [m], and what it is thinned to [m].
_AROUND_M: Final = 45.0
_FINE_M: Final = 0.05
#: A fix that comes later than this starts a new line [s].
_GAP_S: Final = 30.0
_MARGIN: Final = 1.06
#: Width of the line of a course [px].
_COURSE_PX: Final = 6.0


@dataclass(frozen=True)
class _Track:
    """One device's fixes in the plane; arrays `(n,)`, NaN where the track breaks."""

    device: DeviceFacts
    seconds: Floats
    east: Floats
    north: Floats


@dataclass(frozen=True)
class _Mark:
    """One finding with its place in the plane."""

    finding: FindingFacts
    east: float
    north: float
    label: str


@chart("workout", section="track")
def draw_track(data: WorkoutData) -> tuple[Drawing, ...]:
    """Draw all tracks in one plan, then the surroundings of the deepest cut corners."""
    located = {
        recording_id: series
        for recording_id, series in data.series.items()
        if series.has("latitude_deg")
        and series.has("longitude_deg")
        and data.recording(recording_id).position_kind != "virtual"
    }
    if not located:
        return ()
    origin = find_plane_origin(
        np.concatenate([one.values("latitude_deg") for one in located.values()]),
        np.concatenate([one.values("longitude_deg") for one in located.values()]),
    )
    factor = convert(1.0, "m", units=data.settings.units)[0]
    tracks = [_place(data, recording_id, origin, factor) for recording_id in located]
    marks = _list_marks(data, origin, factor)
    course = _place_course(data, origin, factor)
    return (
        _draw_plan(data, tracks, marks, course=course),
        *(
            _enlarge(data, tracks, mark, course=course, number=number, half=_AROUND_M * factor)
            for number, mark in enumerate(_find_worst(marks), start=1)
        ),
    )


def _place(data: WorkoutData, recording_id: str, origin: PlaneOrigin, factor: float) -> _Track:
    series = data.series[recording_id]
    plane = project_to_plane(
        series.values("latitude_deg"), series.values("longitude_deg"), origin=origin
    )
    # A fix after a long silence does not continue the line; a missing one in between breaks it.
    known = np.isfinite(plane.east_m)
    seconds, east, north = series.seconds[known], plane.east_m[known], plane.north_m[known]
    broken = series.values(TRACK_BREAK)[known][1:] > 0
    late = np.flatnonzero((np.diff(seconds) > _GAP_S) | broken) + 1
    return _Track(
        data.recording(recording_id).device,
        np.insert(seconds, late, seconds[late - 1] + 1.0),
        np.insert(east, late, np.nan) * factor,
        np.insert(north, late, np.nan) * factor,
    )


def _place_course(data: WorkoutData, origin: PlaneOrigin, factor: float) -> _Track | None:
    """Return the course as one more track, None where there is none."""
    line = data.course
    if line is None:
        return None
    label = f"course {line.name}"
    while any(device.label == label for device in data.devices):
        label += " (line)"
    plane = project_to_plane(line.latitude_deg, line.longitude_deg, origin=origin)
    return _Track(
        DeviceFacts("", label, label, "", "", "none", COURSE_LOOK),
        np.arange(len(plane.east_m), dtype=np.float64),
        plane.east_m * factor,
        plane.north_m * factor,
    )


def _list_marks(data: WorkoutData, origin: PlaneOrigin, factor: float) -> list[_Mark]:
    labels = {one.device_id: one.label for one in data.devices}
    found = [
        one
        for one in data.findings
        if one.kind in _MARKED and one.latitude_deg is not None and one.longitude_deg is not None
    ]
    plane = project_to_plane(
        np.array([one.latitude_deg for one in found], dtype=np.float64),
        np.array([one.longitude_deg for one in found], dtype=np.float64),
        origin=origin,
    )
    return [
        _Mark(one, float(east) * factor, float(north) * factor, labels.get(one.device_id, ""))
        for one, east, north in zip(found, plane.east_m, plane.north_m, strict=True)
    ]


def _find_worst(marks: list[_Mark]) -> list[_Mark]:
    """Return the deepest cut corners, each place once."""
    corners = [one for one in marks if one.finding.kind == "cut_corner"]
    corners.sort(key=lambda one: -abs(one.finding.size or 0.0))
    chosen: list[_Mark] = []
    for one in corners:
        if all(np.hypot(one.east - two.east, one.north - two.north) > _AROUND_M for two in chosen):
            chosen.append(one)
    return chosen[:_ENLARGED]


def _draw_plan(
    data: WorkoutData, tracks: list[_Track], marks: list[_Mark], *, course: _Track | None
) -> Drawing:
    lines = [*tracks, *([] if course is None else [course])]
    east = np.concatenate([one.east for one in lines])
    north = np.concatenate([one.north for one in lines])
    shape = _frame(east, north)
    unit = name_unit("m", units=data.settings.units)
    devices = tuple(one.device for one in tracks)
    corners = sum(one.finding.kind == "cut_corner" for one in marks)
    jumps = len(marks) - corners
    names = join_words([device.label for device in devices])
    alternative = (
        f"Tracks of {names}, north up, {shape['wide']:.0f} {unit} wide and {shape['high']:.0f} "
        f"{unit} high. {corners} cut corners and {jumps} position jumps are marked."
        f"{_say_course(course)}"
    )
    return Drawing(
        name="track",
        title="Tracks in plan, north up",
        alternative=alternative,
        spec=_specify(devices, shape, unit=unit, height=0.62, course=course),
        tables={
            "track": _tabulate(tracks, TRACK_TOLERANCE_M),
            "marks": _tabulate_marks(data, marks),
            **_tabulate_course(course, TRACK_TOLERANCE_M),
        },
        devices=_list_looks(devices, course),
        kind="plan",
        note="Rings: cut corners and position jumps, in the colour of the device.",
        facts={"shape": shape},
    )


def _list_looks(devices: tuple[DeviceFacts, ...], course: _Track | None) -> tuple[DeviceFacts, ...]:
    return devices if course is None else (*devices, course.device)


def _say_course(course: _Track | None) -> str:
    return "" if course is None else f" The {course.device.label} lies beneath them."


def _enlarge(
    data: WorkoutData,
    tracks: list[_Track],
    mark: _Mark,
    *,
    course: _Track | None,
    number: int,
    half: float,
) -> Drawing:
    shape = {"x": mark.east, "y": mark.north, "wide": 2 * half, "high": 2 * half}
    near = [_cut(one, mark, reach=3 * half) for one in tracks]
    near = [one for one in near if np.isfinite(one.east).any()]
    unit = name_unit("m", units=data.settings.units)
    devices = tuple(one.device for one in near)
    said = f"{mark.label} {describe_finding(mark.finding, data)}"
    if mark.finding.reference is not None:
        said += f"; compared with {name_reference(data, mark.finding.reference)}"
    under = None if course is None else _cut(course, mark, reach=3 * half)
    if under is not None and not np.isfinite(under.east).any():
        under = None
    return Drawing(
        name=f"corner--{number}",
        title=f"Cut corner {number}",
        alternative=f"Tracks around the place where {said}.{_say_course(under)}",
        spec=_specify(devices, shape, unit=unit, height=0.7, course=under),
        tables={
            "track": _tabulate(near, _FINE_M),
            "marks": _tabulate_marks(data, [mark]),
            **_tabulate_course(under, _FINE_M),
        },
        devices=_list_looks(devices, under),
        kind="plan",
        note=f"{said}.",
        facts={"shape": shape},
    )


def _cut(track: _Track, mark: _Mark, *, reach: float) -> _Track:
    """Return the part of a track near a mark; the rest is missing, so that the line breaks."""
    away = np.hypot(track.east - mark.east, track.north - mark.north)
    near = away < reach
    return _Track(
        track.device,
        track.seconds,
        np.where(near, track.east, np.nan),
        np.where(near, track.north, np.nan),
    )


def _frame(east: Floats, north: Floats) -> dict[str, float]:
    low_x, high_x = float(np.nanmin(east)), float(np.nanmax(east))
    low_y, high_y = float(np.nanmin(north)), float(np.nanmax(north))
    return {
        "x": (low_x + high_x) / 2,
        "y": (low_y + high_y) / 2,
        "wide": max((high_x - low_x) * _MARGIN, 10.0),
        "high": max((high_y - low_y) * _MARGIN, 10.0),
    }


def _tabulate(tracks: list[_Track], tolerance: float) -> dict[str, list[Any]]:
    columns: dict[str, list[Any]] = {"s": [], "x": [], "y": [], "device": []}
    for one in tracks:
        kept = thin_track(one.east, one.north, tolerance_m=tolerance)
        columns["s"] += [round(float(value), 1) for value in one.seconds[kept]]
        for name, values in (("x", one.east), ("y", one.north)):
            columns[name] += [
                None if np.isnan(value) else round(float(value), 1) for value in values[kept]
            ]
        columns["device"] += [one.device.label] * len(kept)
    return columns


def _tabulate_course(course: _Track | None, tolerance: float) -> dict[str, dict[str, list[Any]]]:
    return {} if course is None else {"course": _tabulate([course], tolerance)}


def _tabulate_marks(data: WorkoutData, marks: list[_Mark]) -> dict[str, list[Any]]:
    return {
        "x": [round(one.east, 1) for one in marks],
        "y": [round(one.north, 1) for one in marks],
        "owner": [one.label for one in marks],
        "words": [describe_finding(one.finding, data) for one in marks],
    }


def _specify(
    devices: tuple[DeviceFacts, ...],
    shape: dict[str, float],
    *,
    unit: str,
    height: float,
    course: _Track | None,
) -> dict[str, Any]:
    east = _encode_axis("x", shape["x"], shape["wide"] / 2, title=f"east ({unit})")
    north = _encode_axis("y", shape["y"], shape["high"] / 2, title=f"north ({unit})")
    looks = encode_device(_list_looks(devices, course))
    colour = looks["color"]
    line = {"type": "line", "clip": True, "invalid": "break-paths-show-path-domains"}
    along = {"x": east, "y": north, "order": {"field": "s", "type": "quantitative"}, **looks}
    # Broad and pale, so that a track upon it stays visible.
    broad = {**line, "strokeWidth": _COURSE_PX, "opacity": 0.5}
    under = {"data": {"name": "course"}, "mark": broad, "encoding": along}
    return {
        "height": height,
        "layer": [
            *([] if course is None else [under]),
            {"data": {"name": "track"}, "mark": line, "encoding": along},
            {
                "data": {"name": "marks"},
                "mark": {"type": "point", "size": 190, "strokeWidth": 2.2, "clip": True},
                "encoding": {
                    "x": east,
                    "y": north,
                    "color": {**colour, "field": "owner"},
                },
            },
        ],
    }


def _encode_axis(field: str, middle: float, half: float, *, title: str) -> dict[str, Any]:
    return {
        "field": field,
        "type": "quantitative",
        "scale": {"domain": [middle - half, middle + half], "nice": False, "zero": False},
        "axis": {"title": title, "tickCount": 5},
    }
