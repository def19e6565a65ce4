"""How long track, distance and height metrics take: `python -m tests.benchmarks.bench_track`.

Rides of 1, 3, 6 and 10 hours of five devices, a fix a second, against a course of 10,000 points:
every registered metric and finding. Prints CPU time, and for six hours where it goes. Then the
whole-track distances of two tracks of 20,000 points each, with their peak memory.
"""

from __future__ import annotations

import time
import tracemalloc
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from config.settings import load_settings
from tasks.core.discovery import load_metrics
from tasks.core.registers import METRICS
from tasks.maths.curves import compute_frechet_m, compute_hausdorff_m, compute_warping_sum_m
from tasks.maths.geodesy import PlaneOrigin, PlaneTrack, restore_from_plane
from tasks.maths.lines import Line, build_line
from tasks.processing.measure import measure_workout
from tasks.workout.case import Workout, make_example

if TYPE_CHECKING:
    from collections.abc import Callable

N_DEVICES = 5
COURSE_POINTS = 10_000
SPEED_MPS = 7.5
ORIGIN = PlaneOrigin(47.0, 8.0)
CURVE_POINTS = 20_000


def draw_line(length_m: float, generator: np.random.Generator) -> Line:
    """Return a winding course of 10,000 points with a corner now and then."""
    bends = generator.normal(0, 0.06, COURSE_POINTS)
    bends[:: COURSE_POINTS // 200] += generator.choice([-1.4, 1.4], 200)
    heading = np.cumsum(bends) * 0.7
    step = length_m / COURSE_POINTS
    line = build_line(np.cumsum(step * np.cos(heading)), np.cumsum(step * np.sin(heading)))
    if line is None:
        raise AssertionError("a course has a length")
    return line


def wander(n: int, sd_m: float, generator: np.random.Generator) -> np.ndarray:
    """Return errors that change over half a minute."""
    kept = float(np.exp(-1 / 30))
    steps = generator.normal(0, sd_m * np.sqrt(1 - kept**2), n)
    values = np.empty(n)
    now = 0.0
    for index, step in enumerate(steps.tolist()):
        now = kept * now + step
        values[index] = now
    return values


def make_ride(hours: float, seed: int = 1) -> Workout:
    """Return a ride of five devices with their own errors, and its course."""
    generator = np.random.default_rng(seed)
    n = int(hours * 3600)
    line = draw_line(n * SPEED_MPS, generator)
    way = np.minimum(np.arange(n) * SPEED_MPS, line.length_m)
    east, north = line.locate(way)
    climbed = 400 + 150 * np.sin(way / 5000)
    devices = []
    for _ in range(N_DEVICES):
        track = PlaneTrack(east + wander(n, 3, generator), north + wander(n, 3, generator))
        latitude, longitude = restore_from_plane(track, origin=ORIGIN)
        devices.append(
            {
                "latitude_deg": latitude,
                "longitude_deg": longitude,
                "altitude_m": climbed + generator.normal(0, 0.5, n),
                "distance_m": way * generator.uniform(0.99, 1.01),
                "speed_mps": SPEED_MPS + generator.normal(0, 0.3, n),
            }
        )
    points = PlaneTrack(line.east_m, line.north_m)
    course = np.column_stack(restore_from_plane(points, origin=ORIGIN))
    case = make_example(
        test=devices[0],
        others=tuple(devices[1:]),
        activity="cycling",
        course=course,
        settings=load_settings(),
    )
    return replace(case.workout, memo={})


def time_call(act: Callable[[], object]) -> float:
    """Return the CPU time of one call [s]."""
    begun = time.process_time()
    act()
    return time.process_time() - begun


def time_rides() -> None:
    """Print the CPU time of rides of several lengths."""
    load_metrics()
    measure_workout(make_ride(0.1))
    per_hour = []
    for hours in (1.0, 3.0, 6.0, 10.0):
        ride = make_ride(hours)
        taken_s = time_call(lambda ride=ride: measure_workout(ride))  # type: ignore[misc]
        per_hour.append(taken_s / hours)
        print(f"{hours:4.0f} h, {N_DEVICES} devices: {taken_s:6.2f} s CPU")  # noqa: T201
    growth = per_hour[-1] / per_hour[0]
    print(f"CPU per hour of ride, 10 h against 1 h: {growth:.2f}")  # noqa: T201


def time_metrics() -> None:
    """Print which metrics of six hours take the longest; shared work counts for the first."""
    ride = make_ride(6.0)
    taken_s: dict[str, float] = dict.fromkeys(METRICS, 0.0)
    for name, metric in list(METRICS.items()):

        def compute(
            case: object, name: str = name, inner: Callable[[object], object] = metric.compute
        ) -> object:
            begun = time.process_time()
            value = inner(case)
            taken_s[name] += time.process_time() - begun
            return value

        METRICS[name] = replace(metric, compute=compute)
    whole_s = time_call(lambda: measure_workout(ride))
    print(f"six hours: {whole_s:.2f} s, of which in metrics {sum(taken_s.values()):.2f} s")  # noqa: T201
    for name, seconds in sorted(taken_s.items(), key=lambda item: -item[1])[:12]:
        print(f"  {name:<32} {seconds:6.3f} s")  # noqa: T201


def time_curves() -> None:
    """Print time and peak memory of whole-track distances of 20,000 points each."""
    generator = np.random.default_rng(2)
    line = draw_line(CURVE_POINTS * 2.0, generator)
    one = np.column_stack(line.locate(np.arange(CURVE_POINTS) * 2.0))
    noise = [wander(CURVE_POINTS, 3, generator) for _ in range(2)]
    other = one + np.column_stack(noise)
    apart = generator.normal(0, 100, (CURVE_POINTS, 2))
    for what, second in (("like each other", other), ("nothing alike", apart)):
        for measure in (compute_hausdorff_m, compute_frechet_m, compute_warping_sum_m):
            taken_s = time_call(lambda m=measure, s=second: m(one, s))  # type: ignore[misc]
            tracemalloc.start()
            measure(one, second)
            peak_mb = tracemalloc.get_traced_memory()[1] / 1e6
            tracemalloc.stop()
            print(f"{what:<16} {measure.__name__:<24} {taken_s:5.2f} s {peak_mb:6.1f} MB")  # noqa: T201


def main() -> None:
    """Run everything."""
    time_rides()
    time_metrics()
    time_curves()


if __name__ == "__main__":
    main()
