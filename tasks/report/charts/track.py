"""The map: tracks upon course and outlines, the worst corners ringed and enlarged."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.registers import chart
from tasks.core.wording import convert, count, join_words, name_unit
from tasks.maths.geodesy import find_plane_origin, project_to_plane
from tasks.report.drawing import Drawing
from tasks.report.facts import TRACK_BREAK
from tasks.report.map_shapes import MapLine, Pin, Plan, mark_way
from tasks.report.pages import TRACK_TOLERANCE_M
from tasks.report.summary import name_reference
from tasks.report.thin import thin_track
from tasks.report.words import describe_finding

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from tasks.maths.geodesy import PlaneOrigin
    from tasks.report.facts import CourseLine, DeviceFacts, FindingFacts, WorkoutData

    Floats = NDArray[np.float64]

_RINGED: Final = 10
_ENLARGED: Final = 2
#: Half of the side of an enlargement [m], and what it is thinned to [m].
_AROUND_M: Final = 45.0
_FINE_M: Final = 0.05
_OUTLINE_M: Final = 1.0
#: A fix that comes later than this starts a new line [s].
_GAP_S: Final = 30.0
#: A place is passed several times: what is enlarged is the one when it was cut, so long before and
#: after it [s].
_PASSING_S: Final = 60.0
#: Cuts of several devices within this are cuts of one corner [m].
_SAME_M: Final = 25.0
_LEAST_M: Final = 20.0


@chart("workout", section="track")
def draw_track(data: WorkoutData) -> tuple[Drawing, ...]:
    """Draw all tracks upon one map, then the surroundings of the deepest cut corners."""
    located = [
        one
        for one in data.recordings
        if data.series[one.recording_id].has("latitude_deg")
        and data.series[one.recording_id].has("longitude_deg")
        and one.position_kind != "virtual"
    ]
    if not located:
        return ()
    origin = find_plane_origin(
        *(
            np.concatenate([data.series[one.recording_id].values(name) for one in located])
            for name in ("latitude_deg", "longitude_deg")
        )
    )
    # Devices under test come first among the recordings, and last upon the map.
    tracks = [_place(data, one.recording_id, origin) for one in reversed(located)]
    course = None if data.course is None else _place_line("course", data.course, origin)
    frame = _find_frame([*tracks, *([] if course is None else [course])], units=data.settings.units)
    outlines = [_clip(_place_line("outline", one, origin), frame) for one in data.outlines]
    under = [*outlines, *([] if course is None else [course])]
    corners = _list_marks(data, origin, "cut_corner")
    jumps = _list_marks(data, origin, "position_jump")
    return (
        _draw_plan(data, frame, [*under, *tracks], course or tracks[0], corners, jumps),
        *(
            _enlarge(data, [*under, *tracks], mark, number=number)
            for number, mark in enumerate(_find_faults(data, corners, len(tracks)), start=1)
        ),
    )


def _place(data: WorkoutData, recording_id: str, origin: PlaneOrigin) -> MapLine:
    series = data.series[recording_id]
    plane = project_to_plane(
        series.values("latitude_deg"), series.values("longitude_deg"), origin=origin
    )
    # A fix after a long silence does not continue the line; a missing one in between breaks it.
    known = np.isfinite(plane.east_m)
    seconds, east, north = series.seconds[known], plane.east_m[known], plane.north_m[known]
    broken = series.values(TRACK_BREAK)[known][1:] > 0
    late = np.flatnonzero((np.diff(seconds) > _GAP_S) | broken) + 1
    return MapLine(
        "track",
        np.insert(east, late, np.nan),
        np.insert(north, late, np.nan),
        np.insert(seconds, late, seconds[late - 1] + 1.0),
        data.recording(recording_id).device,
    )


def _place_line(kind: str, line: CourseLine, origin: PlaneOrigin) -> MapLine:
    plane = project_to_plane(line.latitude_deg, line.longitude_deg, origin=origin)
    return MapLine(kind, plane.east_m, plane.north_m)


def _find_frame(lines: Sequence[MapLine], *, units: str) -> Plan:
    """Return an empty map that holds all lines."""
    east = np.concatenate([one.east_m for one in lines])
    north = np.concatenate([one.north_m for one in lines])
    west, right = float(np.nanmin(east)), float(np.nanmax(east))
    south, top = float(np.nanmin(north)), float(np.nanmax(north))
    return Plan(
        (west + right) / 2,
        (south + top) / 2,
        max(right - west, _LEAST_M),
        max(top - south, _LEAST_M),
        (),
        (),
        units,
    )


def _clip(line: MapLine, frame: Plan) -> MapLine:
    """Return what of a line lies on the map as it opens, or little beside it.

    An outline that went on would tell how far a hidden part of a track goes.
    """
    half = 0.6 * max(frame.wide_m, frame.high_m)
    inside = (np.abs(line.east_m - frame.east_m) <= half) & (
        np.abs(line.north_m - frame.north_m) <= half
    )
    return _keep(line, inside)


def _keep(line: MapLine, kept: NDArray[np.bool_]) -> MapLine:
    return replace(
        line,
        east_m=np.where(kept, line.east_m, np.nan),
        north_m=np.where(kept, line.north_m, np.nan),
    )


def _thin(line: MapLine, tolerance_m: float) -> MapLine:
    kept = thin_track(line.east_m, line.north_m, tolerance_m=tolerance_m)
    seconds = None if line.seconds is None else line.seconds[kept]
    return replace(line, east_m=line.east_m[kept], north_m=line.north_m[kept], seconds=seconds)


def _list_marks(
    data: WorkoutData, origin: PlaneOrigin, kind: str
) -> list[tuple[FindingFacts, Pin]]:
    """Return the findings of a kind that have a place, the largest first."""
    devices = {one.device_id: one for one in data.devices}
    found = [
        one
        for one in data.findings
        if one.kind == kind and one.latitude_deg is not None and one.device_id in devices
    ]
    found.sort(key=lambda one: -abs(one.size or 0.0))
    plane = project_to_plane(
        np.array([one.latitude_deg for one in found], dtype=np.float64),
        np.array([one.longitude_deg for one in found], dtype=np.float64),
        origin=origin,
    )
    shape = "ring" if kind == "cut_corner" else "cross"
    pins = []
    for one, east, north in zip(found, plane.east_m, plane.north_m, strict=True):
        device = devices[one.device_id]
        words = f"{device.label} {describe_finding(one, data)}"
        pins.append((one, Pin(shape, float(east), float(north), words, device)))
    return pins


def _is_near(one: Pin, two: Pin, *, within_m: float) -> bool:
    return bool(np.hypot(one.east_m - two.east_m, one.north_m - two.north_m) <= within_m)


def _find_faults(
    data: WorkoutData, corners: Sequence[tuple[FindingFacts, Pin]], n_tracks: int
) -> list[tuple[FindingFacts, Pin]]:
    """Return the deepest corners whose device is at fault, each place once.

    Where most devices cut one corner its line is as likely wrong; and a difference between two
    devices is nobody's fault.
    """
    chosen: list[tuple[FindingFacts, Pin]] = []
    for finding, pin in corners:
        result = data.find(
            finding.recording_id, "track_cross_median_m", reference=finding.reference
        )
        if result is None or result.is_difference:
            continue
        cutting = {
            one.device_id for one, other in corners if _is_near(pin, other, within_m=_SAME_M)
        }
        if 2 * len(cutting) > n_tracks:
            continue
        if not any(_is_near(pin, other, within_m=_AROUND_M) for _, other in chosen):
            chosen.append((finding, pin))
    return chosen[:_ENLARGED]


def _draw_plan(
    data: WorkoutData,
    frame: Plan,
    lines: Sequence[MapLine],
    way: MapLine,
    corners: Sequence[tuple[FindingFacts, Pin]],
    jumps: Sequence[tuple[FindingFacts, Pin]],
) -> Drawing:
    units = data.settings.units
    marked = [pin for _, pin in (*corners[:_RINGED], *jumps[:_RINGED])]
    thinned = tuple(
        _thin(one, _OUTLINE_M if one.kind == "outline" else TRACK_TOLERANCE_M) for one in lines
    )
    plan = replace(
        frame,
        lines=thinned,
        pins=(*mark_way(way, units=units, wide_m=frame.wide_m), *marked),
    )
    devices = _list_devices(lines)
    unit = name_unit("m", units=units)
    wide, high = (convert(size, "m", units=units)[0] for size in (frame.wide_m, frame.high_m))
    names = join_words([device.label for device in devices])
    said = _say_marks(corners, jumps)
    beneath = f" The course {data.course.name} lies beneath them." if data.course else ""
    return Drawing(
        name="track",
        title="Tracks on the map" if len(devices) > 1 else f"Track of {names}",
        alternative=(
            f"Map of the tracks of {names}, north up, {wide:.0f} {unit} wide and {high:.0f} {unit} "
            f"high, with start, finish, direction and distances along the way. {said}{beneath}"
        ),
        devices=devices,
        kind="plan",
        note=said + (" Wide grey: the course." if data.course else ""),
        plan=plan,
    )


def _list_devices(lines: Sequence[MapLine]) -> tuple[DeviceFacts, ...]:
    return tuple(one.device for one in reversed(lines) if one.device is not None)


def _say_marks(
    corners: Sequence[tuple[FindingFacts, Pin]], jumps: Sequence[tuple[FindingFacts, Pin]]
) -> str:
    """Return what is ringed and what is only counted."""
    parts = []
    if corners:
        each = Counter(pin.device.label for _, pin in corners if pin.device)
        whose = ", ".join(f"{label} {n}" for label, n in each.most_common())
        ringed = min(len(corners), _RINGED)
        deepest = f"the {ringed} deepest of " if len(corners) > _RINGED else ""
        parts.append(f"Rings: {deepest}{count(len(corners), 'cut corner')} ({whose}).")
    if jumps:
        parts.append(f"Crosses: {count(len(jumps), 'jump')} in position.")
    return " ".join(parts) or "No corner was cut, and no position jumped."


def _enlarge(
    data: WorkoutData,
    lines: Sequence[MapLine],
    mark: tuple[FindingFacts, Pin],
    *,
    number: int,
) -> Drawing:
    finding, pin = mark
    near = []
    at_s = (finding.start_s + finding.end_s) / 2 - data.facts.start_s
    for one in lines:
        shown = np.hypot(one.east_m - pin.east_m, one.north_m - pin.north_m) < 3 * _AROUND_M
        if one.seconds is not None:
            shown &= np.abs(one.seconds - at_s) <= _PASSING_S
        cut = _keep(one, shown)
        if np.isfinite(cut.east_m).any():
            near.append(cut)
    fixes = [
        Pin("fix", float(east), float(north), device=one.device)
        for one in near
        if one.device is not None
        for east, north in zip(one.east_m, one.north_m, strict=True)
        if abs(east - pin.east_m) <= _AROUND_M and abs(north - pin.north_m) <= _AROUND_M
    ]
    side = 2 * _AROUND_M
    said = f"{pin.words}; compared with {name_reference(data, finding.reference or '')}"
    return Drawing(
        name=f"corner--{number}",
        title=f"Cut corner {number}: {pin.device.label if pin.device else ''}",
        alternative=f"Tracks around the place where {said}. A dot is a fix.",
        devices=_list_devices(near),
        kind="plan",
        note=f"{said}. A dot is a fix.",
        plan=Plan(
            pin.east_m,
            pin.north_m,
            side,
            side,
            tuple(_thin(one, _FINE_M) for one in near),
            (*fixes, pin),
            data.settings.units,
        ),
    )
