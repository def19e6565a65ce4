"""Inputs that several worked examples use."""

from __future__ import annotations

from typing import Any, Final

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
