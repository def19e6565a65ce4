"""Attacks on private places: where is the centre, by what is published of fifty tracks?

`python -m tests.benchmarks.private_centre [DRAWS]` prints, for each estimator, how often it stays
farther from the place than half a radius, and its median error. Ways are invented: `open` ones
leave in any direction and wind, `roads` follow one of five winding roads, `straight` ones are
straight: of them nothing is published. An estimator without an answer is off by infinity.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.optimize import least_squares, minimize

from config.report import PrivatePlace
from tasks.workout.private_places import Hiding, draw_hiding, find_spans
from tasks.workout.published_clock import START_S, PublishedClock, count_shown_m, draw_clock

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
#: Shorter tracks are not published.
LEAST_FIXES: Final = 20
FEWEST_TRACKS: Final = 4
HILL: Final = np.array([300.0, -200.0])
WAYS: Final = ("open", "roads", "straight")


@dataclass(frozen=True)
class Ends:
    """What is left of tracks that begin at the place: metres north and east of it.

    `ends` `(n, 2)` are the first fixes that show, `ahead` `(n, 2)` fixes somewhat later, `hidden_s`
    `(n,)` how long nothing showed by the published times, `counted_m` what the distance counter
    shows at the end, `altitude_m` the altitude there, `starts` whether heart rate of the start is
    published, `speed_mps` the speed behind.
    """

    ends: Floats
    ahead: Floats
    hidden_s: Floats
    counted_m: Floats
    altitude_m: Floats
    starts: Floats
    speed_mps: Floats

    def take(self, n: int) -> Ends:
        """Return what the first tracks alone leave, as an earlier package had it."""
        return Ends(*(getattr(self, one.name)[:n] for one in fields(self)))


def wind(random: np.random.Generator, *, turning: float) -> Floats:
    """Return a way `(n, 2)` from the place, its heading a random walk [m north, m east]."""
    n = int(LONGEST_M / STEP_M)
    turns = random.normal(0.0, turning, n) + (random.random(n) < 0.03) * random.normal(
        0, 0.6, n
    ) * (turning > 0)
    heading = random.uniform(0, 2 * np.pi) + np.cumsum(turns)
    steps = STEP_M * np.column_stack([np.cos(heading), np.sin(heading)])
    return np.concatenate([np.zeros((1, 2)), np.cumsum(steps, axis=0)])


def publish(hiding: Hiding, ways: str, seed: int, *, tracks: int = TRACKS) -> Ends | None:
    """Return what is left of `tracks` tracks; of those that never leave what is hidden, nothing.

    None where fewer than four are left, of which no place can be fitted.
    """
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
        if shown.size < LEAST_FIXES:
            continue
        speed = random.normal(2.8, 0.25)
        # Who waits for satellites or ties a shoe stands for a while.
        along_m = np.arange(len(way), dtype=np.float64) * STEP_M
        seconds = np.asarray(along_m / speed + random.uniform(0, 60), dtype=np.float64)
        clock = PublishedClock()
        if hiding.ends_m:
            spans = find_spans(seconds, hidden, np.ones(hidden.shape, dtype=np.bool_))
            clock = draw_clock(0.0, float(seconds[-1]), spans)
        moved = clock.move(seconds, motion=True)
        first = int(np.flatnonzero(np.isfinite(moved) & ~hidden)[0])
        counted = along_m
        if clock.is_moved:
            kept = np.where(np.isfinite(moved), along_m, np.nan)
            counted = count_shown_m(kept, clock.number(seconds))
        # A hill beside the place, and the slope of the valley.
        altitude = 60.0 * np.exp(-np.sum((fixes[first] - HILL) ** 2) / 8e5) + fixes[first, 0] / 50
        starts = clock.is_moved and not (clock.stretches or ())[0].has_motion
        found.append(
            (
                fixes[first],
                fixes[min(first + 10, len(way) - 1)],
                moved[first],
                counted[first],
                altitude,
                float(starts),
                speed,
            )
        )
    if len(found) < FEWEST_TRACKS:
        return None
    return Ends(*(np.array(one, dtype=np.float64) for one in zip(*found, strict=True)))


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


def use_lengths(shown: Ends, lengths: Floats) -> Floats:
    """Return the place from which each end is as far as these lengths say, times one factor."""

    def residuals(p: Floats) -> Floats:
        away = np.hypot(shown.ends[:, 0] - p[0], shown.ends[:, 1] - p[1])
        return np.asarray(p[2] * away + p[3] - lengths)

    fit = least_squares(residuals, [*find_mean(shown), 1.2, 0.0], loss="soft_l1", f_scale=50)
    return np.asarray(fit.x[:2])


def use_times(shown: Ends) -> Floats:
    """Return the place by how long each end was hidden, times its speed."""
    return use_lengths(shown, shown.hidden_s * shown.speed_mps)


def use_counters(shown: Ends) -> Floats:
    """Return the place by what each distance counter shows at the end."""
    return use_lengths(shown, shown.counted_m)


def use_starts(shown: Ends) -> Floats:
    """Return the place that best parts the ends with heart rate of the start from the others.

    They are those whose way takes longer than what is published of the start.
    """
    long = START_S * shown.speed_mps

    def count_wrong(p: Floats) -> float:
        away = 1.2 * np.hypot(shown.ends[:, 0] - p[0], shown.ends[:, 1] - p[1])
        chance = 1.0 / (1.0 + np.exp(-(away - long) / 100.0))
        return float(np.sum(np.abs(shown.starts - chance)))

    steps = np.arange(-1500.0, 1501.0, 100.0)
    grid = find_mean(shown) + np.stack(np.meshgrid(steps, steps), axis=-1).reshape(-1, 2)
    wrong = np.array([count_wrong(p) for p in grid])
    best = grid[wrong <= wrong.min() + 1e-9].mean(axis=0)
    return np.asarray(minimize(count_wrong, best, method="Nelder-Mead").x)


def use_altitudes(shown: Ends) -> Floats:
    """Return the top or bottom of a surface through the altitudes of the ends."""
    x, y = (shown.ends - find_mean(shown)).T / 1000.0
    matrix = np.column_stack([np.ones(x.size), x, y, x**2, x * y, y**2])
    _, a, b, c, d, e = np.linalg.lstsq(matrix, shown.altitude_m, rcond=None)[0]
    top = np.linalg.lstsq(np.array([[2 * c, d], [d, 2 * e]]), [-a, -b], rcond=None)[0]
    return np.asarray(find_mean(shown) + 1000.0 * top)


def use_several_sets(shown: Ends) -> Floats:
    """Return the mean of the circles through the ends of three sets, each with more tracks."""
    n = shown.speed_mps.size
    sizes = {max(FEWEST_TRACKS, n // 3), max(FEWEST_TRACKS, 2 * n // 3), n}
    return np.asarray(np.mean([fit_circle(shown.take(one)) for one in sizes], axis=0))


ESTIMATORS: Final[dict[str, Callable[[Ends], Floats]]] = {
    "circle of least squares": fit_circle,
    "widest empty circle": fit_inner_circle,
    "mean of ends": find_mean,
    "median of ends": find_median,
    "middle of the box": find_middle,
    "circle mirrored at the mean": mirror,
    "headings traced back": cross_headings,
    "hidden time times speed": use_times,
    "distance counters": use_counters,
    "starts that show": use_starts,
    "altitudes": use_altitudes,
    "several published sets": use_several_sets,
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
            away = np.inf if shown is None else float(np.hypot(*ESTIMATORS[name](shown)))
            errors[name].append(away)
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
