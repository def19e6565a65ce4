"""Invented tracks in a plane, placed on the ground, for tests of position metrics."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from tasks.core.registers import METRICS, Value
from tasks.maths.geodesy import PlaneOrigin, PlaneTrack, restore_from_plane
from tasks.workout.case import Case, make_example

Floats = NDArray[np.float64]
ORIGIN = PlaneOrigin(47.0, 8.0)


def place(east_m: Floats, north_m: Floats) -> dict[str, Any]:
    """Return positions as channels of `make_example`."""
    latitude, longitude = restore_from_plane(PlaneTrack(east_m, north_m), origin=ORIGIN)
    return {"latitude_deg": latitude.tolist(), "longitude_deg": longitude.tolist()}


def place_course(east_m: Floats, north_m: Floats) -> NDArray[np.float64]:
    """Return positions as a course."""
    return np.column_stack(restore_from_plane(PlaneTrack(east_m, north_m), origin=ORIGIN))


def walk_stairs(
    n_steps: int, *, step_m: float = 60.0, speed_mps: float = 3.0
) -> tuple[Floats, Floats]:
    """Return fixes a second of a way with square corners, left and right in turn."""
    corners = [(0.0, 0.0)]
    for number in range(n_steps):
        east, north = corners[-1]
        corners.append((east + step_m, north) if number % 2 == 0 else (east, north + step_m))
    points = np.array(corners)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    at = np.arange(0.0, along[-1] + 1e-9, speed_mps)
    return np.interp(at, along, points[:, 0]), np.interp(at, along, points[:, 1])


def smooth(values: Floats, width: int) -> Floats:
    """Return the centred running mean of odd width, ends repeated."""
    padded = np.pad(values, width // 2, mode="edge")
    return np.convolve(padded, np.ones(width) / width, mode="valid")


def compute(metric: str, case: Case) -> Value:
    """Return what a registered metric makes of a case."""
    value = METRICS[metric].compute(case)
    assert isinstance(value, Value)
    return value


def measure(metric: str, case: Case) -> float:
    """Return the value of a registered metric that must have one."""
    value = compute(metric, case)
    assert value.value is not None, value.reason
    return value.value


def compare(
    test: tuple[Floats, Floats],
    reference: tuple[Floats, Floats],
    **more: Any,  # noqa: ANN401
) -> Case:
    """Hold one track against another, second by second."""
    return make_example(test=place(*test), reference=place(*reference), **more)
