"""Heart rate of all devices with the error beneath, the response at rises, the agreement."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.registers import chart
from tasks.core.wording import join_words, write_clock, write_number
from tasks.report.charts.unscored import describe_unscored, draw_unscored, tabulate_unscored
from tasks.report.drawing import (
    Drawing,
    colour_marks,
    encode_device,
    encode_time,
)
from tasks.report.thin import thin_peaks
from tasks.report.words import describe_finding

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from tasks.report.facts import DeviceFacts, FindingFacts, WorkoutData

    Floats = NDArray[np.float64]

#: Findings about heart rate, which are marked on its chart.
MARKED: Final = (
    "late_lock",
    "dropout",
    "spike",
    "biased_stretch",
    "missed_rise",
    "cadence_lock",
    "frozen",
)
#: A line breaks where nothing came for this long [s].
GAP_S: Final = 12.0
#: Errors within this are drawn as a calm band [bpm]; 5 bpm is the share shown first.
CALM_BPM: Final = 5.0
_LABELLED: Final = 12


@chart("workout", section="heart_rate")
def draw_heart_rate(data: WorkoutData) -> tuple[Drawing, ...]:
    """Draw heart rate over time, the error against the reference beneath, findings on both."""
    worn = [one for one in data.recordings if data.series[one.recording_id].has("heart_rate_bpm")]
    if not worn:
        return ()
    devices = tuple(one.device for one in worn)
    tables = {
        "heart_rate": _collect_heart_rate(data, [one.recording_id for one in worn]),
        "error": _collect_errors(data),
        "marks": collect_marks(data, MARKED),
        **tabulate_unscored(data),
    }
    has_errors = bool(tables["error"]["s"])
    panels = [_draw_rates(data, devices, titled=not has_errors)]
    title = "Heart rate"
    if has_errors:
        panels.append(_draw_errors(data, devices))
        whom = "against the reference" if data.has_reference else "between the devices"
        title = f"Heart rate, and the {data.deviation} {whom}"
    return (
        Drawing(
            name="heart_rate",
            title=title,
            alternative=_describe(data, devices),
            spec={"vconcat": panels},
            tables=tables,
            devices=devices,
            kind="time",
            note=_write_note(data, devices, tables),
        ),
    )


def _write_note(
    data: WorkoutData, devices: Sequence[DeviceFacts], tables: Mapping[str, Mapping[str, list[Any]]]
) -> str:
    """Return what marks and bands mean, of those that are there."""
    wide = [one.label for one in devices if one.look.is_wide]
    parts = (
        (bool(wide), f"Wide: {join_words(wide)}."),
        (bool(tables["marks"]["s"]), "Shaded: findings, in the colour of the device."),
        (bool(tables["error"]["s"]), f"Grey band: {data.deviation} within {CALM_BPM:.0f} bpm."),
        (bool(tables["unscored"]["s"]), "Hatched: not scored for at least one device."),
    )
    return " ".join(words for is_there, words in parts if is_there)


def _collect_heart_rate(data: WorkoutData, recording_ids: list[str]) -> dict[str, list[Any]]:
    columns: dict[str, list[Any]] = {"s": [], "bpm": [], "device": []}
    scored = {pair.reference: pair for pair in data.pairs.values()}
    # From below to above: references first, devices under test last.
    for recording_id in reversed(recording_ids):
        series = data.series[recording_id]
        seconds, values = series.seconds, series.values("heart_rate_bpm")
        device = data.recording(recording_id).device
        if device.device_id in scored:
            # What is scored: a strap's beats, not what it displays.
            pair = scored[device.device_id]
            seconds, values = pair.seconds, pair.reference_bpm
        label = device.label
        append_line(columns, seconds, values, value="bpm", label=label, data=data, decimals=1)
    return columns


def _collect_errors(data: WorkoutData) -> dict[str, list[Any]]:
    columns: dict[str, list[Any]] = {"s": [], "error": [], "device": []}
    for recording_id, pair in reversed([*data.pairs.items()]):
        label = data.recording(recording_id).device.label
        error = pair.error_bpm
        append_line(columns, pair.seconds, error, value="error", label=label, data=data, decimals=1)
    return columns


def append_line(
    columns: dict[str, list[Any]],
    seconds: Floats,
    values: Floats,
    *,
    value: str,
    label: str,
    data: WorkoutData,
    decimals: int,
    gap_s: float = GAP_S,
) -> None:
    """Add one thinned line to a table of the columns s, `value` and device."""
    kept = thin_peaks(seconds, values, most=data.settings.chart_points, gap_s=gap_s)
    columns["s"] += [round(float(second), 1) for second in seconds[kept]]
    columns[value] += [
        None if np.isnan(number) else round(float(number), decimals) for number in values[kept]
    ]
    columns["device"] += [label] * len(kept)


def collect_marks(data: WorkoutData, kinds: tuple[str, ...]) -> dict[str, list[Any]]:
    """Return begin, end, device and words of the findings of some kinds."""
    marked = [one for one in data.findings if one.kind in kinds]
    names = {one.device_id: one.label for one in data.devices}
    begin = data.facts.start_s
    return {
        "s": [max(0.0, one.start_s - begin) for one in marked],
        "until": [_end_of(one) - begin for one in marked],
        "owner": [names.get(one.device_id, one.device_id) for one in marked],
        "words": [describe_finding(one, data) for one in marked],
    }


def _end_of(finding: FindingFacts) -> float:
    # A thing of one second must still be seen.
    return max(finding.end_s, finding.start_s + 2.0)


def _draw_rates(
    data: WorkoutData, devices: tuple[DeviceFacts, ...], *, titled: bool
) -> dict[str, Any]:
    return {
        "height": 0.36,
        "layer": [
            draw_marks(data, devices, titled=titled),
            *draw_unscored(data, titled=titled),
            {
                "data": {"name": "heart_rate"},
                "mark": {"type": "line", "interpolate": "linear"},
                "encoding": {
                    "x": encode_time(data, titled=titled),
                    "y": {
                        "field": "bpm",
                        "type": "quantitative",
                        "scale": {"zero": False},
                        "axis": {"title": "heart rate (bpm)", "tickCount": 6},
                    },
                    **encode_device(devices),
                },
            },
        ],
    }


def draw_marks(
    data: WorkoutData, devices: tuple[DeviceFacts, ...], *, titled: bool = True
) -> dict[str, Any]:
    """Return the layer that shades the findings of the table `marks`."""
    return {
        "data": {"name": "marks"},
        "mark": {"type": "rect", "opacity": 0.16},
        "encoding": {
            "x": encode_time(data, titled=titled),
            "x2": {"field": "until"},
            "fill": colour_marks(devices),
        },
    }


def _draw_errors(data: WorkoutData, devices: tuple[DeviceFacts, ...]) -> dict[str, Any]:
    return {
        "height": 0.24,
        "layer": [
            {
                "data": {"values": [{"low": -CALM_BPM, "high": CALM_BPM}]},
                "mark": {"type": "rect", "opacity": 0.13, "style": "quiet"},
                "encoding": {
                    "y": {"field": "low", "type": "quantitative"},
                    "y2": {"field": "high"},
                },
            },
            draw_marks(data, devices),
            *draw_unscored(data),
            {
                "data": {"name": "error"},
                "mark": {"type": "line"},
                "encoding": {
                    "x": encode_time(data),
                    "y": {
                        "field": "error",
                        "type": "quantitative",
                        "axis": {
                            "title": f"{data.deviation} (bpm)",
                            "tickCount": 5,
                        },
                    },
                    **encode_device(devices),
                },
            },
            {
                "data": {"values": [{"zero": 0}]},
                "mark": "rule",
                "encoding": {"y": {"field": "zero", "type": "quantitative"}},
            },
        ],
    }


def _describe(data: WorkoutData, devices: tuple[DeviceFacts, ...]) -> str:
    begin, end = (
        write_clock(data.local(instant), seconds=False)
        for instant in (data.facts.start_s, data.facts.end_s)
    )
    names = join_words([device.label for device in devices])
    sentences = [f"Heart rate of {names} from {begin} to {end}"]
    for recording_id in data.pairs:
        bias = data.find(recording_id, "hr_bias_bpm")
        size = data.find(recording_id, "hr_mae_bpm")
        if bias is None or bias.value is None or size is None:
            continue
        mean = write_number(bias.value, "bpm", units="metric", signed=True)
        mae = write_number(size.value, "bpm", units="metric")
        label = data.recording(recording_id).device.label
        what = data.deviation
        sentences.append(f"{label}: mean {what} {mean} bpm, mean absolute {what} {mae} bpm")
    marked = [one for one in data.findings if one.kind in MARKED]
    sentences.append(f"{len(marked)} findings are marked and listed below")
    unscored = describe_unscored(data)
    if unscored:
        sentences.append(f"Hatched: {unscored}")
    return ". ".join(sentences) + "."
