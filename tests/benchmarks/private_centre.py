"""Attacks on private places: where is the centre, by what is published of fifty tracks?

`python -m tests.benchmarks.private_centre [DRAWS]` prints, for each estimator, how often it stays
farther from the place than half a radius, and its median error. Ways are invented: `open` ones
leave in any direction and wind, `roads` follow one of five winding roads, `straight` ones are
straight, so that no cut can hide where they meet.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.optimize import least_squares

from config.report import PrivatePlace
from tasks.workout.private_places import Hiding, draw_hiding

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

RADIUS_M: Final = 100.0
STEP_M: Final = 10.0
LONGEST_M: Final = 3000.0
NOISE_M: Final = 3.0
TRACKS: Final = 50
PLACE: Final = PrivatePlace(latitude_deg=0.0, longitude_deg=8.0, radius_m=RADIUS_M)
#: Metres of a degree of latitude and of longitude at the equator on WGS 84 (handbook values).
DEGREES: Final = np.array([110_574.0, 111_320.0])
WAYS: Final = ("open", "roads", "straight")


@dataclass(frozen=True)
class Ends:
    """What is left of tracks that begin at the place: metres north and east of it.

    `ends` `(n, 2)` are the first fixes that show, `ahead` `(n, 2)` fixes somewhat later, `hidden_s`
    `(n,)` how long nothing showed, `speed_mps` `(n,)` the speed behind.
    """

    ends: Floats
    ahead: Floats
    hidden_s: Floats
    speed_mps: Floats


def wind(random: np.random.Generator, *, turning: float) -> Floats:
    """Return a way `(n, 2)` from the place, its heading a random walk [m north, m east]."""
    n = int(LONGEST_M / STEP_M)
    turns = random.normal(0.0, turning, n) + (random.random(n) < 0.03) * random.normal(
        0, 0.6, n
    ) * (turning > 0)
    heading = random.uniform(0, 2 * np.pi) + np.cumsum(turns)
    steps = STEP_M * np.column_stack([np.cos(heading), np.sin(heading)])
    return np.concatenate([np.zeros((1, 2)), np.cumsum(steps, axis=0)])


def publish(hiding: Hiding, ways: str, seed: int, *, tracks: int = TRACKS) -> Ends:
    """Return what is left of `tracks` tracks; of those that never leave what is hidden, nothing."""
    random = np.random.default_rng(seed)
    roads = [wind(random, turning=0.08) for _ in range(5)]
    found = []
    for number in range(tracks):
        if ways == "roads":
            way = roads[int(random.integers(5))]
        else:
            way = wind(random, turning=0.0 if ways == "straight" else 0.08)
        fixes = way + random.normal(0.0, NOISE_M, way.shape)
        latitude, longitude = (fixes / DEGREES).T
        hidden = hiding.find_hidden(latitude, 8.0 + longitude, track=f"run-{number}")
        shown = np.flatnonzero(~hidden)
        if shown.size < 20:
            continue
        speed = random.normal(2.8, 0.25)
        # Who waits for satellites or ties a shoe stands for a while.
        hidden_s = shown[0] * STEP_M / speed + random.uniform(0, 60)
        found.append((fixes[shown[0]], fixes[shown[10]], hidden_s, speed))
    return Ends(*(np.array(one) for one in zip(*found, strict=True)))


def fit_circle(shown: Ends) -> Floats:
    """Return the centre of the circle of least squares, begun algebraically."""
    x, y = shown.ends.T
    matrix = np.column_stack([2 * x, 2 * y, np.ones(x.size)])
    begin, *_ = np.linalg.lstsq(matrix, x**2 + y**2, rcond=None)
    radius = np.sqrt(max(begin[2] + begin[0] ** 2 + begin[1] ** 2, 1.0))
    fit = least_squares(
        lambda p: np.hypot(x - p[0], y - p[1]) - p[2], [begin[0], begin[1], radius], loss="soft_l1"
    )
    return np.asarray(fit.x[:2])


def fit_inner_circle(shown: Ends) -> Floats:
    """Return the centre of the widest circle without an end in it: ends are moved outwards only."""
    x, y = shown.ends.T
    begin = fit_circle(shown)

    def residuals(p: Floats) -> Floats:
        beyond = np.hypot(x - p[0], y - p[1]) - p[2]
        return np.asarray(np.where(beyond < 0, 10 * beyond, 0.2 * beyond))

    radius = float(np.min(np.hypot(x - begin[0], y - begin[1])))
    return np.asarray(least_squares(residuals, [*begin, radius]).x[:2])


def find_mean(shown: Ends) -> Floats:
    """Return the mean of the ends."""
    return np.asarray(shown.ends.mean(axis=0))


def find_median(shown: Ends) -> Floats:
    """Return the median of the ends, axis by axis."""
    return np.asarray(np.median(shown.ends, axis=0))


def find_middle(shown: Ends) -> Floats:
    """Return the middle of the box around the ends."""
    return np.asarray((shown.ends.min(axis=0) + shown.ends.max(axis=0)) / 2)


def mirror(shown: Ends) -> Floats:
    """Return the fitted centre mirrored at the mean.

    Of straight ways in all directions the mean of the ends lies half-way between place and centre.
    """
    return np.asarray(2 * find_mean(shown) - fit_circle(shown))


def cross_headings(shown: Ends) -> Floats:
    """Return the point nearest to the straight lines that lead back from the ends."""
    along = shown.ahead - shown.ends
    along /= np.linalg.norm(along, axis=1)[:, None]
    across = np.column_stack([-along[:, 1], along[:, 0]])
    offsets = np.sum(across * shown.ends, axis=1)
    fit = least_squares(
        lambda p: across @ p - offsets, find_mean(shown), loss="soft_l1", f_scale=20
    )
    return np.asarray(fit.x)


def use_times(shown: Ends) -> Floats:
    """Return the place from which each end is as far as the hidden time says, times one factor."""
    lengths = shown.hidden_s * shown.speed_mps

    def residuals(p: Floats) -> Floats:
        away = np.hypot(shown.ends[:, 0] - p[0], shown.ends[:, 1] - p[1])
        return np.asarray(p[2] * away + p[3] - lengths)

    fit = least_squares(residuals, [*find_mean(shown), 1.2, 0.0], loss="soft_l1", f_scale=50)
    return np.asarray(fit.x[:2])


ESTIMATORS: Final[dict[str, Callable[[Ends], Floats]]] = {
    "circle of least squares": fit_circle,
    "widest empty circle": fit_inner_circle,
    "mean of ends": find_mean,
    "median of ends": find_median,
    "middle of the box": find_middle,
    "circle mirrored at the mean": mirror,
    "headings traced back": cross_headings,
    "hidden time times speed": use_times,
}


def attack(
    ways: str, *, draws: int, plain: bool = False, names: Sequence[str] = tuple(ESTIMATORS)
) -> dict[str, Floats]:
    """Return each estimator's errors over homes drawn anew [m].

    `plain` cuts at the place's own circle.
    """
    errors: dict[str, list[float]] = {name: [] for name in names}
    for seed in range(draws):
        key = f"home {seed}".encode()
        hiding = Hiding((PLACE,)) if plain else draw_hiding([PLACE], key)
        shown = publish(hiding, ways, seed)
        for name in names:
            errors[name].append(float(np.hypot(*ESTIMATORS[name](shown))))
    return {name: np.array(found) for name, found in errors.items()}


def main(draws: int) -> None:
    """Write the table, as Markdown."""
    lines = [f"{draws} homes of {TRACKS} tracks each"]
    for plain in (True, False):
        what = "cut at the place's own circle" if plain else "as published"
        lines += [f"| {what} | {' | '.join(WAYS)} |", "|---|---|---|---|"]
        tables = {ways: attack(ways, draws=draws, plain=plain) for ways in WAYS}
        for name in ESTIMATORS:
            cells = (
                f"{np.mean(tables[ways][name] >= RADIUS_M / 2):.2f}, "
                f"{np.median(tables[ways][name]) / RADIUS_M:.2f}"
                for ways in WAYS
            )
            lines.append(f"| {name} | {' | '.join(cells)} |")
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
