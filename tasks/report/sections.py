"""The sections of a workout's page: their drawings, their tables, their findings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from tasks.core.discovery import load_charts
from tasks.core.registers import CHARTS
from tasks.core.wording import MISSING, name_kind, write_clock, write_duration
from tasks.report.corners import join_corners
from tasks.report.facts import ALL
from tasks.report.outcome import write_outcome
from tasks.report.summary import TIMED_METRIC, find_clock, name_reference
from tasks.report.words import describe_finding, name_segment

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tasks.report.drawing import Drawing
    from tasks.report.facts import DeviceFacts, Result, WorkoutData

#: Sections of a workout's page in order: name, title, and the views whose findings stand there.
_SECTIONS: Final = (
    ("heart_rate", "Heart rate"),
    ("parts", "Heart-rate errors by part, intensity and direction"),
    ("response", "Response at rises"),
    ("agreement", "Agreement with the reference"),
    ("track", "Track"),
    ("distance", "Distance and pace"),
    ("elevation", "Elevation"),
    ("swimming", "Pool lengths"),
    ("battery", "Battery"),
)
#: Sections that are open when a page is: the overlay and the map. All others are folded.
_OPEN: Final = ("heart_rate", "track")
#: Their titles where nothing is a reference for heart rate.
_WITHOUT_REFERENCE: Final = {
    "parts": "Heart-rate differences by part, intensity and direction",
    "agreement": "Agreement of the devices",
}
#: Where a finding stands that is not about heart rate.
_PLACES: Final = {
    "cut_corner": "track",
    "cut_corners": "track",
    "stuck_position": "track",
    "unit_mismatch": "distance",
    "shared_signal": "distance",
    "position_jump": "track",
    "position_gap": "track",
    "false_pause": "distance",
    "altitude_jump": "elevation",
    "stroke_misread": "swimming",
    "references_disagree": "distance",
    "ascent_references_disagree": "elevation",
    "battery_contradiction": "battery",
}
_RESPONSE: Final = (
    "hr_rises",
    "hr_rise_delay_s",
    "hr_rise_delay_90_s",
    "hr_rise_shortfall_bpm",
    "hr_missed_rises_pct",
    "hr_recovery_delay_s",
    "hr_lag_s",
)
_AGREEMENT: Final = (
    "hr_bias_bpm",
    "hr_sd_bpm",
    "hr_loa_low_bpm",
    "hr_loa_high_bpm",
    "hr_ccc",
    "hr_effective_n",
)
_BY_SEGMENT: Final = ("hr_mae_bpm", "hr_bias_bpm", "hr_within_5_bpm_pct")
_ELEVATION: Final = (
    "ascent_m",
    "ascent_error_m",
    "ascent_error_pct",
    "descent_m",
    "altitude_bias_m",
    "altitude_rms_m",
    "altitude_drift_m_per_h",
    "altitude_closure_m",
    "altitude_noise_m",
)
_DISTANCE: Final = (
    "distance_own_m",
    "distance_summed_m",
    "distance_error_m",
    "distance_error_pct",
    "speed_bias_mps",
    "speed_mae_mps",
    "speed_lag_s",
)
_TRACK: Final = (
    "track_cross_median_m",
    "track_cross_p95_m",
    "track_side_bias_m",
    "track_corners_cut_per_km",
    "track_corner_cut_median_m",
    "track_turn_retention",
    "track_first_fix_s",
    "track_gap_max_s",
    "track_jumps",
)
_DOMAIN_TITLES: Final = {
    "heart_rate": "Heart rate",
    "track": "Track",
    "distance": "Distance and pace",
    "indoor": "Indoor distance",
    "elevation": "Elevation",
    "detection": "Automatic start",
    "swimming": "Swimming",
    "battery": "Battery",
}


@dataclass(frozen=True)
class Row:
    """One row: its name, and results, texts or nothing."""

    name: str
    cells: tuple[Result | str | None, ...]


@dataclass(frozen=True)
class Sheet:
    """One table of a page."""

    caption: str
    headings: tuple[str, ...]
    rows: tuple[Row, ...]
    with_unit: bool = True


@dataclass(frozen=True)
class FindingRow:
    """One finding in words, with its stretch in seconds since the start."""

    device: DeviceFacts
    words: str
    start: int
    end: int


@dataclass(frozen=True)
class PageSection:
    """One section of a page."""

    name: str
    title: str
    drawings: tuple[Drawing, ...] = ()
    tables: tuple[Sheet, ...] = ()
    findings: tuple[FindingRow, ...] = ()
    result: str = ""
    is_open: bool = False


@dataclass(frozen=True)
class Every:
    """All numbers of one domain over the whole workout."""

    title: str
    headings: tuple[str, ...]
    rows: tuple[Row, ...]


def draw_workout(data: WorkoutData) -> dict[str, tuple[Drawing, ...]]:
    """Return every drawing of a workout's page by its section."""
    load_charts()
    drawings: dict[str, tuple[Drawing, ...]] = {}
    for one in CHARTS.values():
        if one.page == "workout":
            drawings[one.section] = (*drawings.get(one.section, ()), *one.draw(data))
    return drawings


def build_sections(
    data: WorkoutData, drawings: dict[str, tuple[Drawing, ...]]
) -> tuple[PageSection, ...]:
    """Return the sections that have anything to show."""
    tables = {
        "parts": _list_segments(data),
        "response": _list_metrics(data, _RESPONSE, "How the devices follow rises and recoveries"),
        "agreement": _list_metrics(data, _AGREEMENT, "Limits of agreement and what they rest on"),
        "track": _list_metrics(data, _TRACK, "Track against its reference"),
        "distance": _list_metrics(data, _DISTANCE, "Distance and speed"),
        "elevation": _list_metrics(data, _ELEVATION, "Ascent, descent and altitude"),
        "swimming": _list_lengths(data),
        "battery": _list_domain(data, "battery", "Battery"),
    }
    findings = _list_findings(data)
    titles = {} if data.has_reference else _WITHOUT_REFERENCE
    sections = []
    for name, title in _SECTIONS:
        section = PageSection(
            name=name,
            title=titles.get(name, title),
            drawings=drawings.get(name, ()),
            tables=tuple(sheet for sheet in tables.get(name, ()) if sheet.rows),
            findings=findings.get(name, ()),
            result=write_outcome(data, name, n_findings=len(findings.get(name, ()))),
            is_open=name in _OPEN,
        )
        if section.drawings or section.tables or section.findings:
            sections.append(section)
    return tuple(sections)


def _list_findings(data: WorkoutData) -> dict[str, tuple[FindingRow, ...]]:
    found: dict[str, tuple[FindingRow, ...]] = {}
    devices = {one.device_id: one for one in data.devices}
    for one in join_corners(data.findings, data):
        if one.device_id not in devices:
            continue
        section = _PLACES.get(one.kind, "heart_rate")
        row = FindingRow(
            devices[one.device_id],
            describe_finding(one, data),
            round(one.start_s - data.facts.start_s),
            round(one.end_s - data.facts.start_s),
        )
        found[section] = (*found.get(section, ()), row)
    return found


def _list_sides(data: WorkoutData, metrics: Sequence[str]) -> list[tuple[str, str | None]]:
    """Return recording and reference of every column that has one of `metrics`; no empty columns.

    A number that needs no reference stands in the first column of its recording.
    """
    sides: list[tuple[str, str | None]] = []
    for recording in data.recordings:
        own = data.list_whole(recording.recording_id, metrics)
        named = list(dict.fromkeys(one.reference for one in own if one.reference))
        known = {one.reference for one in own if one.value is not None}
        useful: list[str | None] = [name for name in named if name in known]
        if useful:
            sides += [(recording.recording_id, name) for name in useful]
        elif None in known:
            sides.append((recording.recording_id, None))
    return sides


def _head_side(data: WorkoutData, side: tuple[str, str | None], metrics: Sequence[str]) -> str:
    label = data.recording(side[0]).device.label
    if side[1] is None:
        return label
    own = (one for one in data.list_whole(side[0], metrics) if one.reference == side[1])
    verb = "differs from {} by" if any(one.is_difference for one in own) else "against {}"
    return f"{label} {verb.format(name_reference(data, side[1]))}"


def _list_metrics(data: WorkoutData, metrics: Sequence[str], caption: str) -> tuple[Sheet, ...]:
    known = [metric for metric in metrics if metric in data.definitions]
    sides = _list_sides(data, known)
    if not sides:
        return ()
    rows = _make_rows(data, known, sides)
    headings = ("Number", *(_head_side(data, side, known) for side in sides))
    return (Sheet(caption, headings, rows),)


def _make_rows(
    data: WorkoutData, metrics: Sequence[str], sides: Sequence[tuple[str, str | None]]
) -> tuple[Row, ...]:
    index = {
        (one.recording_id, one.reference, one.metric): one
        for one in data.results
        if one.segment == ALL
    }
    rows = []
    for metric in metrics:
        shown: set[str] = set()
        cells: list[Result | str | None] = []
        for recording_id, reference in sides:
            cell = index.get((recording_id, reference, metric))
            if cell is None and recording_id not in shown:
                cell = index.get((recording_id, None, metric))
            shown.add(recording_id)
            cells.append(cell)
        if any(cells):
            rows.append(Row(data.definitions[metric].title, tuple(cells)))
            if metric == TIMED_METRIC:
                rows.append(Row("Clock", tuple(_name_clock(data, cell) for cell in cells)))
    return tuple(rows)


def _name_clock(data: WorkoutData, cell: Result | str | None) -> str | None:
    """Return how well the clocks behind a value are known; nothing where there is no value."""
    if cell is None or isinstance(cell, str) or cell.value is None:
        return None
    return find_clock(data, cell)


def _list_domain(data: WorkoutData, domain: str, caption: str) -> tuple[Sheet, ...]:
    metrics = [one.metric for one in data.definitions.values() if one.domain == domain]
    return _list_metrics(data, metrics, caption)


def _list_segments(data: WorkoutData) -> tuple[Sheet, ...]:
    """Return one table per main number: segments down, devices across."""
    sides = _list_sides(data, _BY_SEGMENT)
    index = {
        (one.recording_id, one.reference, one.metric, one.segment): one for one in data.results
    }
    sheets = []
    for metric in _BY_SEGMENT:
        if metric not in data.definitions:
            continue
        rows = []
        for segment in order_segments(data, metric):
            cells = tuple(index.get((*side, metric, segment)) for side in sides)
            if any(cell is not None and cell.value is not None for cell in cells):
                rows.append(Row(name_segment(segment), cells))
        title = data.definitions[metric].title
        headings = ("Part", *(_head_side(data, side, _BY_SEGMENT) for side in sides))
        sheets.append(Sheet(f"{title} by part", headings, tuple(rows)))
    return tuple(sheets)


def order_segments(data: WorkoutData, metric: str) -> list[str]:
    """Return segments that `metric` was computed for: whole, named by time, bands, directions."""
    present = {one.segment for one in data.results if one.metric == metric}
    named = [part.name for part in data.parts if part.name in present]
    bands = sorted(segment for segment in present if segment.startswith("band:"))
    bands.sort(key=lambda one: (not one.startswith("band:below"), one.startswith("band:above")))
    first = [one for one in (ALL, "after_lock", "reference_sure") if one in present]
    directions = [one for one in ("rising", "steady", "falling") if one in present]
    rest = sorted(present.difference(first, named, bands, directions))
    return [*first, *named, *bands, *directions, *rest]


def _list_lengths(data: WorkoutData) -> tuple[Sheet, ...]:
    """Return the numbers of swimming, and every pool length as a row, devices across."""
    swum = {key: lengths for key, lengths in data.lengths.items() if lengths}
    numbers = _list_domain(data, "swimming", "Pool swimming")
    if not swum:
        return ()
    most = max(len(lengths) for lengths in swum.values())
    rows = []
    for number in range(most):
        cells = []
        for lengths in swum.values():
            if number >= len(lengths):
                cells.append(MISSING)
                continue
            one = lengths[number]
            stroke = "rest" if one.kind == "idle" else name_kind(one.stroke or "swum")
            strokes = "" if one.strokes is None else f", {one.strokes} strokes"
            lasted = "" if one.elapsed_s is None else f", {write_duration(one.elapsed_s)}"
            cells.append(f"{write_clock(data.local(one.start_s))} {stroke}{strokes}{lasted}")
        rows.append(Row(str(number + 1), tuple(cells)))
    headings = ("Length", *(data.recording(key).device.label for key in swum))
    return (
        *numbers,
        Sheet("Every length and rest, in each device's own count", headings, tuple(rows)),
    )


def list_every(data: WorkoutData) -> tuple[Every, ...]:
    """Return all numbers of the whole workout by domain."""
    tables: list[Every] = []
    for domain, title in _DOMAIN_TITLES.items():
        metrics = [one.metric for one in data.definitions.values() if one.domain == domain]
        sheets = _list_metrics(data, metrics, title)
        tables += [Every(title, sheet.headings[1:], sheet.rows) for sheet in sheets]
    return tuple(tables)
