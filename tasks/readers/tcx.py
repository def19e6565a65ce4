"""TCX version 2: activities with laps and trackpoints, one recording each.

Our own loop: it takes elements by local name whatever their namespace, since exports differ in
where ActivityExtension lies, and it keeps trackpoints without a position (pool, treadmill).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import timedelta
from importlib.metadata import version
from math import fsum, isfinite, nan
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.activities import name_activity, names_virtual_place
from tasks.core.errors import NoClockError, NothingRecordedError
from tasks.core.instants import FARTHEST, find_possible, from_microseconds
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
from tasks.core.units import MICROSECONDS_PER_SECOND
from tasks.core.zones import StampClock
from tasks.tables.arrow import make_empty, make_table
from tasks.tables.tables import BATTERY, BEATS, EVENTS, LAPS, LENGTHS, SAMPLES

if TYPE_CHECKING:
    from pathlib import Path

    import pyarrow as pa

#: Elements of a trackpoint, at any depth. Source: TrainingCenterDatabasev2.xsd and
#: ActivityExtensionv2.xsd; Cadence counts revolutions, RunCadence strides.
_CHANNEL_OF_ELEMENT: Final = {
    "LatitudeDegrees": "latitude_deg",
    "LongitudeDegrees": "longitude_deg",
    "AltitudeMeters": "altitude_m",
    "DistanceMeters": "distance_m",
    "Value": "heart_rate_bpm",
    "Cadence": "cadence_rpm",
    "RunCadence": "cadence_rpm",
    "Speed": "speed_mps",
    "Watts": "power_w",
}
_CHANNELS: Final = tuple(sorted(set(_CHANNEL_OF_ELEMENT.values())))
_TRIGGERS: Final = {
    "Manual": "manual",
    "Distance": "distance",
    "Location": "position",
    "Time": "time",
    "HeartRate": "heart rate",
}


def _sniff(head: bytes) -> bool:
    return find_root_name(head) == "TrainingCenterDatabase"


def _is_complete(path: Path) -> bool:
    return has_closing_tag(path, "TrainingCenterDatabase")


@reader(
    "tcx",
    suffixes=(".tcx",),
    sniff=_sniff,
    is_complete=_is_complete,
    source="TrainingCenterDatabasev2.xsd and ActivityExtensionv2.xsd",
)
def read_tcx(export: ExportFile, options: ReadOptions) -> tuple[Recording, ...]:
    """Read every activity; a new track inside a lap begins a new piece.

    Parameters
    ----------
    export
        The file, its name and its hash.
    options
        The zone of times that state none.

    Returns
    -------
    tuple[Recording, ...]
        One for each activity; trackpoints that stand twice at a border of laps are kept twice. Of
        a file that was cut off the points up to the cut.

    Raises
    ------
    DamagedError
        It is no XML, or no TCX.
    NothingRecordedError
        Courses and empty activities.
    NoClockError
        Times without a zone when the options name none, and impossible years.
    """
    markup = load_markup(export.path.read_bytes(), name=export.name)
    root, cut = parse_whole_rows(markup.text, "Trackpoint", name=export.name)
    clock = StampClock(export.name, options.zone)
    activities = [
        _collect_activity(element, clock)
        for element in root.iter("{*}Activity", "Activity")
        if read_local_name(element) == "Activity"
    ]
    clock.check()
    filled = [activity for activity in activities if activity.holds_anything]
    if not filled:
        raise _refuse_empty(root, len(activities), export.name)
    remarks = list(markup.remarks)
    if len(filled) < len(activities):
        remarks.append(Remark("empty activities were left out", len(activities) - len(filled)))
    recordings: list[Recording] = []
    for activity in filled:
        is_cut = cut and activity is filled[-1]
        recording = _build_recording(activity, root, clock, index=len(recordings), cut=is_cut)
        if recording is not None:
            recordings.append(recording.with_remarks(*remarks))
    if not recordings:
        year = from_microseconds(filled[0].find_first_time()).year
        raise NoClockError(
            export.name,
            found=f"its times begin in {year}, when the clock was not set",
            remedy="record with a set clock; these times cannot be placed",
        )
    return tuple(recordings)


@dataclass
class _Lap:
    """One lap as the export says it; `last_us` is its last trackpoint's time."""

    start_us: int
    timer_s: float
    distance_m: float
    trigger: str | None
    last_us: int | None = None


@dataclass
class _Activity:
    """One activity, its trackpoints column by column."""

    element: Any
    times: list[int] = field(default_factory=list)
    pieces: list[int] = field(default_factory=list)
    columns: dict[str, list[float]] = field(
        default_factory=lambda: {name: [] for name in _CHANNELS}
    )
    laps: list[_Lap] = field(default_factory=list)
    n_untimed: int = 0
    n_untimed_laps: int = 0
    n_unreadable: int = 0

    @property
    def holds_anything(self) -> bool:
        """A trackpoint with a time, or a lap with a time in which something was counted."""
        return bool(self.times) or any(lap.timer_s > 0 or lap.distance_m > 0 for lap in self.laps)

    def find_first_time(self) -> int:
        """Return the first time that stands in the file [us]."""
        return self.times[0] if self.times else self.laps[0].start_us


def _collect_activity(element: Any, clock: StampClock) -> _Activity:  # noqa: ANN401 - lxml
    activity = _Activity(element)
    piece = 0
    for lap in find_children(element, "Lap"):
        times: list[int] = []
        for number, track in enumerate(find_children(lap, "Track")):
            piece += number > 0
            for point in find_children(track, "Trackpoint"):
                time = _collect_point(point, activity, clock, piece=piece)
                if time is not None:
                    times.append(time)
        _collect_lap(lap, activity, clock, times=times)
    return activity


def _collect_lap(
    lap: Any,  # noqa: ANN401 - an element of lxml
    activity: _Activity,
    clock: StampClock,
    *,
    times: list[int],
) -> None:
    """Add one lap; `times` are those of its trackpoints."""
    start_us = clock.read(lap.get("StartTime"))
    if start_us is None and times:
        start_us = times[0]
    if start_us is None:
        activity.n_untimed_laps += 1
        return
    activity.laps.append(
        _Lap(
            start_us=start_us,
            timer_s=_read_number(lap, "TotalTimeSeconds", activity),
            distance_m=_read_number(lap, "DistanceMeters", activity),
            trigger=_TRIGGERS.get(read_text(lap, "TriggerMethod") or ""),
            last_us=times[-1] if times else None,
        )
    )


def _collect_point(
    point: Any,  # noqa: ANN401 - an element of lxml
    activity: _Activity,
    clock: StampClock,
    *,
    piece: int,
) -> int | None:
    """Add one trackpoint; return its time, None when it has none."""
    time: int | None = None
    values: dict[str, float] = {}
    for element in point.iter():
        name = read_local_name(element)
        text = element.text
        if not text:
            continue
        if name == "Time":
            time = clock.read(text) if time is None else time
            continue
        channel = _CHANNEL_OF_ELEMENT.get(name)
        if channel is None or channel in values:
            continue
        if name == "Value" and read_local_name(element.getparent()) != "HeartRateBpm":
            continue
        values[channel] = _to_number(text, activity)
    if time is None:
        activity.n_untimed += 1
        return None
    activity.times.append(time)
    activity.pieces.append(piece)
    for channel, column in activity.columns.items():
        column.append(values.get(channel, nan))
    return time


def _build_recording(
    activity: _Activity,
    root: Any,  # noqa: ANN401 - an element of lxml
    clock: StampClock,
    *,
    index: int,
    cut: bool,
) -> Recording | None:
    """Build the recording of one activity; None when none of its times is possible."""
    times = np.array(activity.times, dtype=np.int64)
    starts = np.array([lap.start_us for lap in activity.laps], dtype=np.int64)
    possible = find_possible(np.concatenate([times, starts]))
    if not possible.any():
        return None
    of_points = possible[: times.size]
    times = times[of_points]
    columns = {name: np.array(values)[of_points] for name, values in activity.columns.items()}
    pieces = np.array(activity.pieces, dtype=np.int64)[of_points]
    kept = [
        lap
        for lap, is_kept in zip(activity.laps, possible[of_points.size :], strict=True)
        if is_kept
    ]
    lap_table = _build_laps(kept)
    borders = [
        value
        for name in ("start_utc", "end_utc")
        for value in lap_table.column(name).cast("int64").to_pylist()
    ]
    instants = [*times.tolist(), *borders]
    header = _build_header(
        activity, root, positioned=bool(np.isfinite(columns["latitude_deg"]).any())
    )
    if cut:
        header = replace(
            header,
            status="partial",
            reason=f"the file was cut off; {times.size} samples before the cut",
            # The laps after the cut are not known, so neither is the total.
            device_distance_m=None,
        )
    return Recording(
        header=replace(header, index=index, time_basis=clock.basis),
        start_utc=from_microseconds(min(instants)),
        end_utc=from_microseconds(max(instants)),
        samples=make_table(SAMPLES, {"time_utc": times, "piece": pieces, **columns}),
        laps=lap_table,
        remarks=_list_remarks(activity, n_impossible=int((~possible).sum())),
        **{table.name: make_empty(table) for table in (LENGTHS, BEATS, BATTERY, EVENTS)},
    )


def _build_laps(laps: list[_Lap]) -> pa.Table:
    starts_us = [lap.start_us for lap in laps]
    ends_us = [_find_end(lap) for lap in laps]
    elapsed_s = [
        (end - start) / MICROSECONDS_PER_SECOND
        for start, end in zip(starts_us, ends_us, strict=True)
    ]
    return make_table(
        LAPS,
        {
            "lap": list(range(len(laps))),
            "start_utc": np.array(starts_us, dtype=np.int64),
            "end_utc": np.array(ends_us, dtype=np.int64),
            "elapsed_s": np.array(elapsed_s, dtype=np.float64),
            "timer_s": np.array([lap.timer_s for lap in laps], dtype=np.float64),
            "distance_m": np.array([lap.distance_m for lap in laps], dtype=np.float64),
            "trigger": [lap.trigger for lap in laps],
        },
    )


def _find_end(lap: _Lap) -> int:
    """Return the end of a lap: its last trackpoint, else where its timer puts it [us]."""
    longest_us = FARTHEST // timedelta(microseconds=1)
    spans_us = []
    if lap.last_us is not None:
        spans_us.append(lap.last_us - lap.start_us)
    if isfinite(lap.timer_s):
        spans_us.append(round(lap.timer_s * MICROSECONDS_PER_SECOND))
    return lap.start_us + next((span for span in spans_us if 0 <= span <= longest_us), 0)


def _build_header(activity: _Activity, root: Any, *, positioned: bool) -> Header:  # noqa: ANN401
    """Say what is known of the device; the application stands in for a maker that is not named."""
    element = activity.element
    device = read_text(element, "Creator", "Name")
    creator = device or read_text(root, "Author", "Name")
    major = read_text(element, "Creator", "Version", "VersionMajor")
    minor = read_text(element, "Creator", "Version", "VersionMinor")
    serial = read_text(element, "Creator", "UnitId")
    virtual = names_virtual_place(creator)
    return Header(
        format="tcx",
        reader=f"lxml {version('lxml')}",
        creator=creator,
        product=device,
        serial=serial if serial and serial.strip("0") else None,
        firmware=f"{major}.{(minor or '0').zfill(2)}"
        if major and f"{major}{minor or 0}".strip("0")
        else None,
        sport=name_activity(element.get("Sport")),
        position_kind=("virtual" if virtual else "gnss") if positioned else "none",
        device_distance_m=_sum_distances(activity.laps),
    )


def _sum_distances(laps: list[_Lap]) -> float | None:
    """Sum the laps' distances [m]; the schema demands one, so 0 stands for unknown as well."""
    total_m = fsum(lap.distance_m for lap in laps)
    return total_m if isfinite(total_m) and total_m > 0.0 else None


def _list_remarks(activity: _Activity, *, n_impossible: int) -> tuple[Remark, ...]:
    found = (
        ("points without a readable time were left out", activity.n_untimed),
        ("laps without a time were left out", activity.n_untimed_laps),
        ("numbers that cannot be read were taken as missing", activity.n_unreadable),
        ("samples with impossible times were left out", n_impossible),
    )
    return tuple(Remark(text, count) for text, count in found if count)


def _refuse_empty(root: Any, n_activities: int, name: str) -> NothingRecordedError:  # noqa: ANN401
    parts = sorted({read_local_name(child) for child in root} - {"", "Author", "Activities"})
    if n_activities:
        found = "no activity in it has a trackpoint or lap with a time"
    elif "Courses" in parts:
        found = "a route: it holds a course and no recorded activity"
    else:
        found = f"it holds no activity, only {', '.join(parts) or 'a frame'}"
    return NothingRecordedError(name, found=found, remedy="export the recorded activity")


def _read_number(element: Any, name: str, activity: _Activity) -> float:  # noqa: ANN401 - lxml
    text = read_text(element, name)
    return nan if text is None else _to_number(text, activity)


def _to_number(text: str, activity: _Activity) -> float:
    """Return the number, NaN (and one more count) when there is none."""
    try:
        return float(text)
    except ValueError:
        activity.n_unreadable += 1
        return nan
