"""How large errors of heart rate are: the share of the time within, and test against reference."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.registers import chart
from tasks.core.wording import write_number
from tasks.report.charts.clouds import layer_cloud, tabulate_cloud
from tasks.report.drawing import Drawing, encode_device
from tasks.report.summary import name_reference

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tasks.report.facts import PairSeries, WorkoutData

    Floats = NDArray[np.float64]

#: The curve is drawn from 0 to this, or to the largest error where that is less [bpm].
_FARTHEST_BPM: Final = 40.0
_STEP_BPM: Final = 0.5
_SAID_BPM: Final = (2.0, 5.0, 10.0)


@chart("workout", section="agreement")
def draw_within(data: WorkoutData) -> tuple[Drawing, ...]:
    """Draw, for each device, the share of the scored time in which it is off by at most so much."""
    scored = {key: pair for key, pair in data.pairs.items() if pair.is_scored.any()}
    if not scored:
        return ()
    sizes = {key: np.abs(pair.error_bpm[pair.is_scored]) for key, pair in scored.items()}
    largest = max(float(one.max()) for one in sizes.values())
    edges = np.arange(0.0, min(_FARTHEST_BPM, largest + 1.0) + _STEP_BPM, _STEP_BPM)
    table: dict[str, list[Any]] = {"bpm": [], "share": [], "device": []}
    devices = []
    for key, size in sizes.items():
        device = data.recording(key).device
        devices.append(device)
        table["bpm"] += edges.tolist()
        table["share"] += [round(one, 2) for one in compute_within(size, edges).tolist()]
        table["device"] += [device.label] * len(edges)
    return (
        Drawing(
            name="within",
            title=f"Share of the time within a given {data.deviation}",
            alternative=_describe(data, sizes),
            spec={
                "height": 0.42,
                "layer": [
                    {
                        "data": {"values": [{"bpm": 5}]},
                        "mark": {"type": "rule", "strokeDash": [2, 3]},
                        "encoding": {"x": {"field": "bpm", "type": "quantitative"}},
                    },
                    {
                        "data": {"name": "within"},
                        "mark": {"type": "line", "interpolate": "linear"},
                        "encoding": {
                            "x": {
                                "field": "bpm",
                                "type": "quantitative",
                                "scale": {"domain": [0, float(edges[-1])], "nice": False},
                                "axis": {"title": f"{data.deviation}, either way (bpm)"},
                            },
                            "y": {
                                "field": "share",
                                "type": "quantitative",
                                "scale": {"domain": [0, 100], "nice": False},
                                "axis": {"title": "share of the time (%)", "tickCount": 6},
                            },
                            **encode_device(devices),
                        },
                    },
                ],
            },
            tables={"within": table},
            devices=tuple(devices),
            note="Higher is better. Dotted: 5 bpm. Only seconds that are scored.",
        ),
    )


def compute_within(size_bpm: Floats, edges_bpm: Floats) -> Floats:
    """Return the share of errors of at most each edge [%], both `(n,)`."""
    at_most = np.searchsorted(np.sort(size_bpm), edges_bpm + 1e-9, side="right")
    return np.asarray(100.0 * at_most / len(size_bpm))


def _describe(data: WorkoutData, sizes: dict[str, Floats]) -> str:
    sentences = []
    for key, size in sizes.items():
        shares = compute_within(size, np.array(_SAID_BPM))
        said = ", ".join(
            f"{write_number(share, '%', units='metric')} % within {edge:g} bpm"
            for edge, share in zip(_SAID_BPM, shares.tolist(), strict=True)
        )
        sentences.append(f"{data.recording(key).device.label}: {said} of the time.")
    return " ".join(sentences)


@chart("workout", section="agreement")
def draw_scatter(data: WorkoutData) -> tuple[Drawing, ...]:
    """Draw, for each device, its heart rate against the reference, second by second."""
    return tuple(
        _scatter(data, key, pair) for key, pair in data.pairs.items() if pair.is_scored.any()
    )


def _scatter(data: WorkoutData, recording_id: str, pair: PairSeries) -> Drawing:
    device = data.recording(recording_id).device
    other = name_reference(data, pair.reference)
    test = np.round(pair.test_bpm[pair.is_scored])
    reference = np.round(pair.reference_bpm[pair.is_scored])
    low = float(min(test.min(), reference.min())) - 3
    high = float(max(test.max(), reference.max())) + 3
    scale = {"domain": [low, high], "nice": False, "zero": False}
    return Drawing(
        name=f"scatter--{device.device_id}",
        title=f"{device.label} against {other}",
        alternative=(
            f"Heart rate of {device.label} against {other}, second by second, from "
            f"{low + 3:.0f} to {high - 3:.0f} bpm; on the line both are equal. "
            f"{int(test.size)} seconds."
        ),
        spec={
            "height": 0.8,
            "layer": [
                {
                    "data": {"name": "equal"},
                    "mark": {"type": "line", "strokeWidth": 1.2, "strokeDash": [6, 3]},
                    "encoding": {
                        "x": {"field": "other", "type": "quantitative", "scale": scale},
                        "y": {"field": "test", "type": "quantitative", "scale": scale},
                        "color": {"value": "#868b92"},
                    },
                },
                layer_cloud(
                    device,
                    x={
                        "field": "other",
                        "type": "quantitative",
                        "scale": scale,
                        "axis": {"title": f"{other} (bpm)", "tickCount": 6},
                    },
                    y={
                        "field": "test",
                        "type": "quantitative",
                        "scale": scale,
                        "axis": {"title": f"{device.label} (bpm)", "tickCount": 6},
                    },
                ),
            ],
        },
        tables={
            "equal": {"other": [low, high], "test": [low, high]},
            "points": tabulate_cloud(device, other=reference, test=test),
        },
        devices=(device,),
        note="Larger points: more seconds. Dashed: equal.",
    )
