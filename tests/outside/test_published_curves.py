"""Published examples of distances between curves, scatter of positions, and heights."""

from __future__ import annotations

import numpy as np
import pytest

from tasks.maths.curves import (
    compute_directed_hausdorff_m,
    compute_frechet_m,
    compute_hausdorff_m,
    compute_warping_sum_m,
)
from tasks.maths.elevation import (
    accumulate_climb,
    compute_pressure_altitude_m,
    compute_pressure_pa,
    estimate_noise_ascent_m,
)
from tasks.maths.lines import build_line, resample_evenly
from tasks.maths.matching import match_in_order
from tasks.maths.positions import (
    CEP50_PER_SD,
    CEP95_PER_SD,
    compute_2drms_m,
    compute_rice_mean_m,
    estimate_ranacher_mean_square_m2,
)


def points(*pairs: tuple[float, float]) -> np.ndarray:
    return np.array(pairs, dtype=np.float64)


def densify(curve: np.ndarray, spacing_m: float) -> np.ndarray:
    return np.column_stack(resample_evenly(curve[:, 0], curve[:, 1], spacing_m=spacing_m))


def on_line(*values: float) -> np.ndarray:
    """A series of single values as points on a line."""
    return np.column_stack([np.array(values), np.zeros(len(values))])


def test_frechet_of_shapelys_documentation() -> None:
    # shapely, frechet_distance: 70.71067811865476; with a point halfway on each side 50.0.
    low, high = points((0, 0), (100, 0)), points((0, 0), (50, 50), (100, 0))
    assert compute_frechet_m(low, high) == pytest.approx(70.71067811865476, abs=1e-12)
    dense = points((0, 0), (25, 25), (50, 50), (75, 25), (100, 0))
    assert compute_frechet_m(points((0, 0), (50, 0), (100, 0)), dense) == pytest.approx(50.0)


def test_frechet_and_warping_of_a_small_example() -> None:
    # frechetdist README: 2.0, of identical curves 0; the warping sum of the same from
    # similaritymeasures 0.6: 5.414213562373095.
    one, other = points((1, 1), (2, 1), (2, 2)), points((2, 2), (0, 1), (2, 4))
    assert compute_frechet_m(one, other) == pytest.approx(2.0)
    assert compute_frechet_m(one, one) == 0.0
    assert compute_warping_sum_m(one, other) == pytest.approx(5.414213562373095, abs=1e-12)


def test_hausdorff_of_shapelys_documentation() -> None:
    # shapely, hausdorff_distance: 14.142135623730951; with points halfway on each side 70.0.
    one = points((130, 0), (0, 0), (0, 150))
    other = points((10, 10), (10, 150), (130, 10))
    assert compute_hausdorff_m(one, other) == pytest.approx(14.142135623730951, abs=1e-12)
    # There points are compared with legs; here legs are cut into points every 5 m.
    halves = points((10, 10), (10, 80), (10, 150), (70, 80), (130, 10))
    assert compute_directed_hausdorff_m(halves, densify(one, 5.0)) == pytest.approx(70.0)


def test_directed_hausdorff_of_scipys_documentation() -> None:
    # scipy.spatial.distance.directed_hausdorff: 2.23606797749979 and 3.0.
    u = points((1, 0), (0, 1), (-1, 0), (0, -1))
    v = points((2, 0), (0, 2), (-2, 0), (0, -4))
    assert compute_directed_hausdorff_m(u, v) == pytest.approx(2.23606797749979, abs=1e-12)
    assert compute_directed_hausdorff_m(v, u) == pytest.approx(3.0)


def test_warping_of_series_known_by_heart() -> None:
    # The usual textbook pair: a repeated value costs nothing, one more value costs its step.
    assert compute_warping_sum_m(on_line(1, 2, 3), on_line(1, 2, 2, 3)) == 0.0
    assert compute_warping_sum_m(on_line(1, 2, 3), on_line(1, 2, 2, 3, 4)) == pytest.approx(1.0)


# --- scatter of positions ---------------------------------------------------------------------
def test_ratios_of_accuracy_measures_are_those_of_the_table() -> None:
    # van Diggelen 2007, GPS World, circular scatter: R95 / CEP 2.08, R95 / DRMS 1.73,
    # CEP / DRMS 0.833, 2DRMS / CEP 2.4.
    drms = np.sqrt(2)
    assert pytest.approx(2.08, abs=0.005) == CEP95_PER_SD / CEP50_PER_SD
    assert CEP95_PER_SD / drms == pytest.approx(1.73, abs=0.005)
    assert CEP50_PER_SD / drms == pytest.approx(0.833, abs=0.001)
    assert 2 * drms / CEP50_PER_SD == pytest.approx(2.4, abs=0.005)


@pytest.mark.parametrize(
    ("ratio", "share"),
    # Share of errors within 2DRMS by how long the scatter is: 95.5 to 98.2 %. Source: as above;
    # the shares in between computed apart from us by numerical integration.
    [(1.0, 0.9817), (0.7, 0.9775), (0.5, 0.9698), (0.1, 0.9553)],
)
def test_2drms_holds_the_published_share_of_errors(ratio: float, share: float) -> None:
    generator = np.random.default_rng(1)
    east, north = generator.normal(0, 1, 400_000), generator.normal(0, ratio, 400_000)
    radius = compute_2drms_m(east, north)
    # Four standard errors of a share of 400,000.
    assert np.mean(np.hypot(east, north) < radius) == pytest.approx(share, abs=0.0014)


@pytest.mark.parametrize(
    ("true_m", "sd_m", "rho", "root_m", "mean_m"),
    # Root of Ranacher's mean square, and Rice's mean with SD sqrt(2 (1 - rho)) of each axis.
    # Source: Monte Carlo of 400,000 draws, apart from us, within 0.005.
    [
        (5.0, 3.0, 0.0, 7.8102, 7.0201),
        (5.0, 3.0, 0.8, 5.6745, 5.3777),
        (50.0, 3.0, 0.0, 50.3587, 50.1803),
        (50.0, 3.0, 0.8, 50.0719, 50.0360),
        (4.0, 3.0, 0.99, 4.0447, 4.0226),
    ],
)
def test_noise_lengthens_distances_by_the_published_formula(
    true_m: float, sd_m: float, rho: float, root_m: float, mean_m: float
) -> None:
    square = estimate_ranacher_mean_square_m2(true_m, sd_m, rho)
    assert np.sqrt(square) == pytest.approx(root_m, abs=1e-4)
    spread = sd_m * np.sqrt(2 * (1 - rho))
    assert compute_rice_mean_m(true_m, float(spread)) == pytest.approx(mean_m, abs=0.005)


@pytest.mark.parametrize(
    ("interval_s", "loss_pct"),
    # chord / arc = 2 R sin(s / 2R) / s at 4 m/s on 36.8 m, computed by hand.
    [(1, 0.05), (2, 0.20), (4, 0.79), (7, 2.39)],
)
def test_sparse_fixes_on_a_bend_lose_what_geometry_says(interval_s: int, loss_pct: float) -> None:
    radius = 36.8
    angle = np.arange(0, 28.001, 0.05) * 4 / radius
    line = build_line(radius * np.cos(angle), radius * np.sin(angle))
    assert line is not None
    fixes = np.arange(0, 28.001, interval_s) * 4 / radius
    east, north = radius * np.cos(fixes), radius * np.sin(fixes)
    matched = match_in_order(east, north, line=line, reach_m=20.0)
    way = matched.along_m[-1] - matched.along_m[0]
    chords = np.hypot(np.diff(east), np.diff(north)).sum()
    assert 100 * (way - chords) / way == pytest.approx(loss_pct, abs=0.006)


# --- heights ----------------------------------------------------------------------------------
# ISO 2533 (the ICAO standard atmosphere): geopotential height [m], pressure [hPa]; the table from
# memory, every row confirmed by the formula.
ATMOSPHERE = [
    (-500, 1074.78), (0, 1013.25), (100, 1001.29), (500, 954.61), (1000, 898.75), (1500, 845.56),
    (2000, 794.95), (2500, 746.82), (3000, 701.09), (4000, 616.40), (5000, 540.20), (6000, 471.81),
    (8000, 356.00), (10000, 264.36), (11000, 226.32),
]  # fmt: skip


@pytest.mark.parametrize(("height_m", "hectopascals"), ATMOSPHERE)
def test_pressure_is_that_of_the_standard_atmosphere(height_m: int, hectopascals: float) -> None:
    pressure = compute_pressure_pa(np.array([float(height_m)]))
    assert pressure[0] / 100 == pytest.approx(hectopascals, abs=0.011)
    assert compute_pressure_altitude_m(pressure)[0] == pytest.approx(height_m, abs=1e-6)


@pytest.mark.parametrize(
    ("height_m", "metres"),
    # Height of one hectopascal: 8.32 m at sea level, 8.74, 9.17 and 10.13 m higher up. Source:
    # computed apart from us from the same formula.
    [(0.0, 8.32), (500.0, 8.74), (1000.0, 9.17), (2000.0, 10.13)],
)
def test_a_hectopascal_is_as_high_as_published(height_m: float, metres: float) -> None:
    pressure = compute_pressure_pa(np.array([height_m]))
    above = compute_pressure_altitude_m(pressure - 50.0) - compute_pressure_altitude_m(
        pressure + 50.0
    )
    assert above[0] == pytest.approx(metres, abs=0.01)


def draw_noise(sd: float, rho: float, generator: np.random.Generator) -> np.ndarray:
    steps = generator.normal(0, sd * np.sqrt(1 - rho**2), 3600)
    values = np.empty(3600)
    values[0] = generator.normal(0, sd)
    for index in range(1, 3600):
        values[index] = rho * values[index - 1] + steps[index]
    return values


@pytest.mark.parametrize(
    ("sd", "rho", "raw_m", "theory_m", "by_threshold"),
    # Ascent of a flat hour under noise, every step summed, by theory, and with thresholds of 1, 3
    # and 5 m. Source: simulated apart from us.
    [
        (1.0, 0.0, 2041.9, 2030.5, (1612.0, 281.0, 0.0)),
        (1.0, 0.99, 204.1, 203.1, (36.5, 3.1, 0.0)),
        (0.3, 0.95, 136.8, 136.2, (3.3, 0.0, 0.0)),
    ],
)
def test_noise_climbs_as_much_as_was_simulated_elsewhere(
    sd: float, rho: float, raw_m: float, theory_m: float, by_threshold: tuple[float, ...]
) -> None:
    assert estimate_noise_ascent_m(3600, sd, rho) == pytest.approx(theory_m, abs=0.7)
    generator = np.random.default_rng(3)
    hours = [draw_noise(sd, rho, generator) for _ in range(30)]
    for threshold, expected in zip((0.0, 1.0, 3.0, 5.0), (raw_m, *by_threshold), strict=True):
        climbs = [accumulate_climb(hour, threshold_m=threshold).ascent_m for hour in hours]
        # The published figures are one hour each: four standard errors of one hour.
        room = 4 * np.std(climbs, ddof=1) * np.sqrt(1 + 1 / 30) + 0.1
        assert np.mean(climbs) == pytest.approx(expected, abs=room)
