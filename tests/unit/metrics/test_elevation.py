"""Heights: what was put in comes back, and what cannot be known is declined."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tasks.core.discovery import load_metrics
from tasks.workout.case import Case, make_example
from tests.unit.tracks import Floats, compute, measure, place

load_metrics()


def hill(n: int = 3600) -> Floats:
    return 400.0 + 60.0 * np.sin(np.arange(n) / 400.0)


def compare(test: Floats, reference: Floats, **more: Any) -> Case:  # noqa: ANN401
    return make_example(
        test={"altitude_m": test.tolist()}, reference={"altitude_m": reference.tolist()}, **more
    )


@pytest.mark.parametrize(
    ("kind", "threshold_m"), [("barometric", 3.0), ("gnss", 5.0), ("unknown", 5.0)]
)
def test_threshold_follows_where_heights_come_from(kind: str, threshold_m: float) -> None:
    # Waves of 4, 6 and 12 m, a minute on each level: each threshold lets another number through.
    waves = np.repeat(np.concatenate([np.tile([0.0, height], 3) for height in (4, 6, 12)]), 60)
    case = make_example(test={"altitude_m": waves.tolist()}, header={"altitude_kind": kind})
    assert measure("ascent_threshold_m", case) == threshold_m
    expected = sum(3 * height for height in (4.0, 6.0, 12.0) if height >= threshold_m)
    assert measure("ascent_m", case) == pytest.approx(expected)


def test_own_totals_stand_beside_the_profile() -> None:
    case = make_example(
        test={"altitude_m": np.interp(np.arange(400), [60, 160, 260, 320], [100, 150, 150, 120])},
        header={"device_ascent_m": 44.0, "device_descent_m": 31.0},
    )
    assert measure("ascent_own_m", case) == 44.0
    assert measure("descent_own_m", case) == 31.0
    assert measure("ascent_m", case) == pytest.approx(50.0)
    assert measure("descent_m", case) == pytest.approx(30.0)


def test_both_sides_are_summed_with_the_coarser_threshold() -> None:
    """A fine barometer against a coarse receiver: small waves are not an error of either."""
    ripples = np.repeat(np.tile([0.0, 4.0], 50), 60)
    case = compare(ripples, np.zeros(6000), header={"altitude_kind": "barometric"})
    # The reference of an example does not tell where its heights come from: 5 m.
    assert measure("ascent_error_m", case) == 0.0
    assert measure("ascent_m", case) == pytest.approx(200.0)


def test_drift_comes_back_within_ten_percent() -> None:
    for seed in range(20):
        generator = np.random.default_rng(seed)
        drift = float(generator.choice([-1, 1]) * generator.uniform(3, 15))
        n = 5400
        felt = hill(n) + drift * np.arange(n) / 3600 + generator.normal(0, 0.5, n) + 12.0
        found = measure("altitude_drift_m_per_h", compare(felt, hill(n)))
        assert found == pytest.approx(drift, rel=0.1)


def test_offset_is_bias_and_no_error_of_the_shape() -> None:
    case = compare(hill() + 25.0, hill())
    assert measure("altitude_bias_m", case) == pytest.approx(25.0)
    assert measure("altitude_rms_m", case) == pytest.approx(0.0, abs=1e-9)
    assert measure("altitude_p95_m", case) == pytest.approx(0.0, abs=1e-9)
    assert measure("altitude_drift_m_per_h", case) == pytest.approx(0.0, abs=1e-9)


def test_swapping_the_sides_flips_bias_and_drift() -> None:
    felt = hill() + 3.0 + np.arange(3600) / 600
    one, other = compare(felt, hill()), compare(hill(), felt)
    for metric in ("altitude_bias_m", "altitude_drift_m_per_h", "ascent_error_m"):
        assert measure(metric, one) == pytest.approx(-measure(metric, other), abs=1e-9)


def test_white_noise_comes_back_as_noise_and_a_slope_does_not() -> None:
    generator = np.random.default_rng(2)
    noisy = hill() + generator.normal(0, 0.8, 3600)
    # Four standard errors of the spread of 3600.
    found = measure("altitude_noise_m", make_example(test={"altitude_m": noisy.tolist()}))
    assert found == pytest.approx(0.8, abs=0.04)
    smooth = measure("altitude_noise_m", make_example(test={"altitude_m": hill().tolist()}))
    assert smooth < 0.02


def test_short_comparison_shows_no_drift() -> None:
    value = compute("altitude_drift_m_per_h", compare(hill(600), hill(600)))
    assert value.value is None
    assert "a drift needs 20 min" in (value.reason or "")


def loop(apart_m: float) -> dict[str, Any]:
    """A round of which the end lies some metres beside the start."""
    angle = np.linspace(0, 2 * np.pi, 600)
    east = 200 * np.cos(angle) - 200 + np.linspace(0, apart_m, 600)
    return place(east, 200 * np.sin(angle))


def test_closure_needs_a_loop() -> None:
    heights = (300 + np.linspace(0, 6, 600)).tolist()
    closed = make_example(test={**loop(10.0), "altitude_m": heights})
    # By hand: the means of ten seconds at both ends are 9 / 599 of 6 m short of it.
    assert measure("altitude_closure_m", closed) == pytest.approx(6 - 6 * 9 / 599, abs=1e-6)
    opened = compute(
        "altitude_closure_m", make_example(test={**loop(120.0), "altitude_m": heights})
    )
    assert "start and end are 120 m apart" in (opened.reason or "")
    alone = compute("altitude_closure_m", make_example(test={"altitude_m": heights}))
    assert "without positions" in (alone.reason or "")


def test_height_that_follows_its_barometer_is_told_from_one_that_does_not() -> None:
    pressure = 101_325 * (1 - 0.0065 * hill() / 288.15) ** 5.25588
    follows = make_example(
        test={"altitude_m": (hill() + 30).tolist(), "pressure_pa": pressure.tolist()}
    )
    apart = make_example(
        test={
            "altitude_m": (hill() + np.arange(3600) / 120).tolist(),
            "pressure_pa": pressure.tolist(),
        }
    )
    assert measure("altitude_pressure_rms_m", follows) == pytest.approx(0.0, abs=0.01)
    # By hand: a ramp of 30 m has an SD of 30 / sqrt(12).
    assert measure("altitude_pressure_rms_m", apart) == pytest.approx(30 / np.sqrt(12), rel=0.01)


def test_heights_of_gaps_are_not_made_up() -> None:
    felt = hill()
    felt[1000:2000] = np.nan
    case = compare(felt, hill())
    assert compute("altitude_bias_m", case).n == 2600
    assert compute("altitude_bias_m", case).coverage == pytest.approx(2600 / 3600)
