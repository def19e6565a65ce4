"""Conversions into the units of the tables."""

from __future__ import annotations

import numpy as np
import pytest

from tasks.core.units import (
    DEG_PER_SEMICIRCLE,
    FIT_EPOCH_S,
    UNITS,
    convert_to_table_unit,
)


@pytest.mark.parametrize(
    ("value", "unit", "target", "expected"),
    [
        # Source: NIST SP 811, appendix B.8 (exact by definition).
        (1.0, "mi", "m", 1609.344),
        (1.0, "yd", "m", 0.9144),
        (1.0, "ft", "m", 0.3048),
        (1.0, "mph", "m/s", 0.44704),
        # Source: BIPM, SI brochure (prefixes, hour, minute).
        (3.6, "km/h", "m/s", 1.0),
        (1.0, "km", "m", 1000.0),
        (1013.25, "hPa", "Pa", 101_325.0),
        (3900.0, "mV", "V", 3.9),
        (812.0, "ms", "s", 0.812),
        # The boiling and freezing points that define the Fahrenheit scale today.
        (212.0, "degF", "degC", 100.0),
        (32.0, "degF", "degC", 0.0),
        # By hand: 5 min/km is 1000 m in 300 s; 8 min/mi is 1609.344 m in 480 s.
        (5.0, "min/km", "m/s", 1000.0 / 300.0),
        (8.0, "min/mi", "m/s", 1609.344 / 480.0),
        # By hand: two steps are one stride.
        (170.0, "steps/min", "rpm", 85.0),
        # Source: FIT protocol; 2**30 semicircles are a quarter turn.
        (2.0**30, "semicircles", "deg", 90.0),
    ],
)
def test_conversions_agree_with_their_definitions(
    value: float, unit: str, target: str, expected: float
) -> None:
    converted = convert_to_table_unit(np.array([value]), unit, target=target)
    np.testing.assert_allclose(converted, [expected], rtol=1e-12, atol=1e-12)


def test_a_pace_of_zero_is_no_speed() -> None:
    converted = convert_to_table_unit(np.array([0.0, -1.0, np.nan]), "min/km", target="m/s")
    assert np.isnan(converted).all()


def test_missing_stays_missing_in_every_unit() -> None:
    for unit in UNITS.values():
        assert np.isnan(unit.convert(np.array([np.nan]))).all(), unit.name


def test_an_unknown_or_unfitting_unit_is_refused() -> None:
    with pytest.raises(ValueError, match="'furlong' is unknown"):
        convert_to_table_unit(np.array([1.0]), "furlong", target="m")
    with pytest.raises(ValueError, match="'km' is a unit of m, not of s"):
        convert_to_table_unit(np.array([1.0]), "km", target="s")


def test_the_fit_constants_are_those_of_the_protocol() -> None:
    # 1989-12-31T00:00:00Z; -2**31 semicircles are -180 degrees. Source: FIT protocol.
    assert np.datetime64(FIT_EPOCH_S, "s") == np.datetime64("1989-12-31T00:00:00")
    assert -(2**31) * DEG_PER_SEMICIRCLE == -180.0
