"""Inputs that several worked examples use."""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from tasks.core.registers import Example
from tasks.metrics.heart_rate.reference import HEART_RATE

#: Peak flow of 17 people by a large and a mini meter [l/min], in the place of bpm.
#: Bland and Altman 1986, Lancet 327:307, table 1, first readings.
PEAK_FLOW: Final[dict[str, Any]] = {
    "test": {
        HEART_RATE: [
            494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427,
        ]
    },
    "reference": {
        HEART_RATE: [
            512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451,
        ]
    },
}  # fmt: skip
PAPER: Final = "Bland and Altman 1986, peak flow: printed in the paper"

#: Each side has a value where the other has none.
APART: Final = Example(
    {"test": {HEART_RATE: [120, None]}, "reference": {HEART_RATE: [None, 120]}},
    None,
    "no second in common",
)

# Rest, a ramp of 1 bpm/s from 100 to 140, a plateau, a ramp down; the test is 8 s behind.
_RAMP: Final = [100.0] * 120 + [100.0 + second for second in range(1, 41)] + [140.0] * 120
RAMPS: Final = [*_RAMP, *(140.0 - second for second in range(1, 41)), *[100.0] * 120]
LATE_RAMPS: Final[dict[str, Any]] = {
    "test": {HEART_RATE: [100.0] * 8 + RAMPS[:-8]},
    "reference": {HEART_RATE: RAMPS},
}
FLAT: Final[dict[str, Any]] = {
    "test": {HEART_RATE: [100.0] * 200},
    "reference": {HEART_RATE: [100.0, 101.0] * 100},
}
# Two slow waves; the test shows them 8 s later.
_WAVES: Final = [
    140 + 20 * np.sin(2 * np.pi * t / 300) + 5 * np.sin(2 * np.pi * t / 47) for t in range(1808)
]
LATE_WAVES: Final[dict[str, Any]] = {
    "test": {HEART_RATE: _WAVES[:1800]},
    "reference": {HEART_RATE: _WAVES[8:]},
}
STILL: Final[dict[str, Any]] = {
    "test": {HEART_RATE: [120.0, 121.0] * 900},
    "reference": {HEART_RATE: [121.0, 120.0] * 900},
}
BY_HEART_RATE: Final = Example(
    {**LATE_WAVES, "method": "heart_rate"}, None, "clocks set by heart rate"
)
