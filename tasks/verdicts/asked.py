"""What is asked across workouts, and what the workouts answer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from tasks.maths.arrays import NAN, NO_INTERVAL, Interval

#: Chance of a wrong claim, in a family of questions, that is taken.
ALPHA: Final = 0.05
CRITERION: Final = "criterion"
#: Devices that verdicts are about; a reference is what others are compared with.
ASKED_ROLES: Final = ("test", "predecessor", "peer")


@dataclass(frozen=True)
class Question:
    """What is asked: of a device, against what, in which activity, by which metric."""

    device_id: str
    against: str
    activity: str
    metric: str

    @property
    def family(self) -> tuple[str, str, str]:
        """What the questions share that are answered together."""
        return self.device_id, self.against, self.activity


@dataclass(frozen=True)
class Modelled:
    """What a model of all workouts says of a difference; `note` says why where it says nothing."""

    note: str
    estimate: float = NAN
    interval: Interval = NO_INTERVAL
    n_workouts: int | None = None


@dataclass(frozen=True)
class Answer:
    """What the workouts say of one question, before its family is looked at.

    `left_out` counts workouts without a value to compare. `estimate` with `interval` is reported;
    `difference` is what is compared with zero, and good when it has `good_sign`. `spread` is the
    SD from which the workouts needed are reckoned. `smallest_p` is what no data of this many
    workouts go below. `p_equivalent` is that of two one-sided tests; NaN without a `margin`.
    `model` stands beside the answer between two devices; the answer does not rest on it.
    """

    question: Question
    n_workouts: int
    left_out: int
    estimate: float
    interval: Interval
    difference: float
    good_sign: int
    spread: float
    p_value: float
    smallest_p: float
    note: str
    margin: float | None = None
    p_equivalent: float = NAN
    model: Modelled | None = None

    @property
    def is_too_few(self) -> bool:
        """Whether no data of this many workouts could show a difference."""
        return self.smallest_p >= ALPHA
