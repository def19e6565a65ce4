"""Seconds as points: those of the same whole numbers are one, whose size says how many they are."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from tasks.report.facts import DeviceFacts


def tabulate_cloud(device: DeviceFacts, **axes: NDArray[np.float64]) -> dict[str, list[Any]]:
    """Return the table of the points of a device; `axes` are two series `(n_seconds,)` by name."""
    counted = Counter(zip(*(values.tolist() for values in axes.values()), strict=True))
    columns: dict[str, list[Any]] = {
        name: [int(key[place]) for key in counted] for place, name in enumerate(axes)
    }
    return {**columns, "n": list(counted.values()), "device": [device.label] * len(counted)}


def layer_cloud(device: DeviceFacts, *, x: dict[str, Any], y: dict[str, Any]) -> dict[str, Any]:
    """Return the layer that draws the table `points`, in the colour and shape of the device."""
    return {
        "data": {"name": "points"},
        "mark": {"type": "point", "filled": True, "opacity": 0.75, "shape": device.look.shape},
        "encoding": {
            "x": x,
            "y": y,
            "size": {
                "field": "n",
                "type": "quantitative",
                "scale": {"rangeMin": 8, "rangeMax": 160},
                "legend": None,
            },
            "color": {
                "field": "device",
                "type": "nominal",
                "scale": {"domain": [device.label], "range": "category"},
                "legend": None,
            },
        },
    }
