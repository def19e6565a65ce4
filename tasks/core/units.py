"""Conversions into the units of the tables: SI, degrees, beats and revolutions per minute.

Every factor is exact by definition unless its line says otherwise.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Seconds from 1970-01-01 to the epoch of FIT times, 1989-12-31T00:00:00Z.
#: Source: FIT protocol, "Date/time" type.
FIT_EPOCH_S: Final = 631_065_600
#: Degrees per FIT position unit (semicircle). Source: FIT protocol.
DEG_PER_SEMICIRCLE: Final = 180.0 / 2**31
#: International yard and mile, 1959. Source: NIST SP 811, appendix B.8.
METRES_PER_YARD: Final = 0.9144
METRES_PER_MILE: Final = 1609.344
METRES_PER_FOOT: Final = 0.3048

MICROSECONDS_PER_SECOND: Final = 1_000_000


@dataclass(frozen=True)
class Unit:
    """A unit that an export may use, and how it becomes the table's unit."""

    name: str
    to_table: str
    convert: Callable[[Floats], Floats]


def _scaled(factor: float) -> Callable[[Floats], Floats]:
    return lambda values: values * factor


def _pace_to_speed(seconds: float) -> Callable[[Floats], Floats]:
    """Turn minutes per `seconds`-worth of metres into m/s; a pace of 0 or less is no speed."""

    def convert(values: Floats) -> Floats:
        with np.errstate(divide="ignore", invalid="ignore"):
            speed = seconds / (values * 60.0)
        return np.where(values > 0.0, speed, np.nan)

    return convert


_UNITS: Final = (
    Unit("bpm", "bpm", _scaled(1.0)),
    Unit("ms", "s", _scaled(1e-3)),
    Unit("s", "s", _scaled(1.0)),
    Unit("m", "m", _scaled(1.0)),
    Unit("km", "m", _scaled(1000.0)),
    Unit("mi", "m", _scaled(METRES_PER_MILE)),
    Unit("yd", "m", _scaled(METRES_PER_YARD)),
    Unit("ft", "m", _scaled(METRES_PER_FOOT)),
    Unit("m/s", "m/s", _scaled(1.0)),
    Unit("km/h", "m/s", _scaled(1.0 / 3.6)),
    Unit("mph", "m/s", _scaled(METRES_PER_MILE / 3600.0)),
    Unit("min/km", "m/s", _pace_to_speed(1000.0)),
    Unit("min/mi", "m/s", _pace_to_speed(METRES_PER_MILE)),
    Unit("min/100m", "m/s", _pace_to_speed(100.0)),
    Unit("min/100yd", "m/s", _pace_to_speed(100.0 * METRES_PER_YARD)),
    Unit("deg", "deg", _scaled(1.0)),
    Unit("semicircles", "deg", _scaled(DEG_PER_SEMICIRCLE)),
    Unit("rpm", "rpm", _scaled(1.0)),
    Unit("strides/min", "rpm", _scaled(1.0)),
    Unit("steps/min", "rpm", _scaled(0.5)),
    Unit("W", "W", _scaled(1.0)),
    Unit("degC", "degC", _scaled(1.0)),
    Unit("degF", "degC", lambda values: (values - 32.0) / 1.8),
    Unit("Pa", "Pa", _scaled(1.0)),
    Unit("hPa", "Pa", _scaled(100.0)),
    Unit("pct", "pct", _scaled(1.0)),
    Unit("V", "V", _scaled(1.0)),
    Unit("mV", "V", _scaled(1e-3)),
)

#: Every unit that a CSV layout may name, by its name.
UNITS: Final = {unit.name: unit for unit in _UNITS}

#: How people write the units, in lower case, without blanks and full stops, besides their names.
_SPELLINGS: Final = {
    "bpm": "beats/min beat/min beats/minute beatsperminute beatspermin count/min counts/min "
    "1/min /min min-1 min^-1",
    "s": "sec secs second seconds",
    "ms": "msec msecs millis millisecond milliseconds",
    "m": "meter meters metre metres mtr mtrs",
    "km": "kms kilometer kilometers kilometre kilometres",
    "mi": "mile miles",
    "yd": "yds yard yards",
    "ft": "feet foot",
    "m/s": "mps ms m/sec m/second ms-1 m*s-1 meters/second metres/second meters/sec metres/sec "
    "meterspersecond metrespersecond",
    "km/h": "kmh kph km/hr km/hour kmph kmh-1 kmperhour kilometers/hour kilometres/hour "
    "kilometersperhour kilometresperhour",
    "mph": "mi/h mi/hr miles/hour miles/h milesperhour",
    "min/km": "mins/km minutes/km minute/km minperkm minutesperkm minutesperkilometer "
    "minutesperkilometre min/kilometer min/kilometre mm:ss/km /km",
    "min/mi": "mins/mi minutes/mi minute/mi minpermile minutespermile min/mile mins/mile "
    "minutes/mile mm:ss/mi mm:ss/mile /mi /mile",
    "min/100m": "mins/100m minutes/100m minper100m mm:ss/100m /100m",
    "min/100yd": "mins/100yd minutes/100yd min/100yds min/100yards mm:ss/100yd /100yd /100yards",
    "deg": "° degree degrees decimaldegrees",
    "semicircles": "semicircle semi",
    "rpm": "rev/min revs/min revolutions/min revolutionsperminute r/min cycles/min",
    "strides/min": "stride/min strides/minute stridesperminute",
    "steps/min": "spm step/min steps/minute stepsperminute stepspermin",
    "W": "watt watts",
    "degC": "c °c ºc celsius degreescelsius centigrade",
    "degF": "f °f ºf fahrenheit degreesfahrenheit",
    "Pa": "pascal pascals",
    "hPa": "hectopascal mbar millibar millibars",
    "pct": "% percent",
    "V": "volt volts",
    "mV": "millivolt millivolts",
}


def find_unit(text: str, *, target: str | None = None) -> str | None:
    """Return the name of the unit that `text` spells, None where no unit is written so.

    With `target` only units that become that table's unit count: `ms` of a speed are m/s.
    """
    folded = text.casefold().replace(" ", "").replace(".", "").replace("_", "")
    for name, unit in UNITS.items():
        if target is None or unit.to_table == target:
            spelled = _SPELLINGS.get(name, "").split()
            if folded == name.casefold() or folded in spelled:
                return name
    return None


def convert_to_table_unit(values: Floats, unit: str, *, target: str) -> Floats:
    """Convert `values` [unit] to the table's unit `target`.

    Raises: ValueError when the unit is unknown or measures something else.
    """
    known = UNITS.get(unit)
    if known is None:
        raise ValueError(f"unit {unit!r} is unknown; known units: {', '.join(sorted(UNITS))}")
    if known.to_table != target:
        raise ValueError(f"unit {unit!r} is a unit of {known.to_table}, not of {target}")
    return known.convert(values)
