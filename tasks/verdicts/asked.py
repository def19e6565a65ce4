"""What is asked across workouts, and what the workouts hold for it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final, Literal, NamedTuple

import numpy as np

from tasks.maths.arrays import NAN, NO_INTERVAL, BoolArray, FloatArray, Interval
from tasks.maths.signed_rank import Centre, estimate_centre

CRITERION: Final = "criterion"
#: Devices that verdicts are about; a reference is what others are compared with.
ASKED_ROLES: Final = ("test", "predecessor", "peer")
ALL: Final = "all"
OUTDOORS: Final = "outdoors"
INDOORS: Final = "indoors"

Family = Literal["headline", "details", "place", "conditions", "criteria"]
Scale = Literal["difference", "ratio"]


class Measure(NamedTuple):
    """A metric, and the segment in which it is asked about."""

    metric: str
    segment: str = ALL


@dataclass(frozen=True)
class Question:
    """What is asked: of a device, against what, by which metric, in which workouts."""

    device_id: str
    against: str
    family: Family
    measure: Measure
    place: str = ALL
    activity: str = ALL
    is_primary: bool = False
    is_named: bool = False


@dataclass(frozen=True)
class Modelled:
    """What a model of all workouts says of a difference; `note` says why where it says nothing."""

    note: str
    estimate: float = NAN
    interval: Interval = NO_INTERVAL
    n_workouts: int | None = None


@dataclass(frozen=True)
class Evidence:
    """What the workouts hold for one question, one value per workout in the order of time.

    `differences` are in the metric's unit, `scaled` on the scale that is tested; both have the
    failures in them (see `pairing`). `own` and `other` are NaN where the device failed; `other` is
    empty where nothing is compared with another series. `good_sign` is the sign of a difference
    that is good for the device. `left_out` counts workouts without a value to compare.
    `margin` is None where equivalence is not asked. `shift` is added to what is reported: a limit
    that was taken off.
    """

    question: Question
    workouts: tuple[str, ...]
    own: FloatArray
    other: FloatArray
    differences: FloatArray
    scaled: FloatArray
    failed_own: BoolArray
    failed_other: BoolArray
    scale: Scale
    good_sign: int
    left_out: int
    note: str
    margin: float | None = None
    model: Modelled | None = None
    shift: float = 0.0

    @property
    def n(self) -> int:
        """Number of workouts."""
        return len(self.workouts)

    @cached_property
    def centre(self) -> Centre:
        """The Hodges-Lehmann estimate of the differences, with its interval."""
        return estimate_centre(self.differences)

    def select(self, question: Question, workouts: set[str]) -> Evidence:
        """Return the part of it that lies in `workouts`, for a question about these alone."""
        kept = np.array([one in workouts for one in self.workouts], dtype=np.bool_)
        return Evidence(
            question,
            tuple(one for one in self.workouts if one in workouts),
            self.own[kept],
            self.other[kept] if self.other.size else self.other,
            self.differences[kept],
            self.scaled[kept],
            self.failed_own[kept],
            self.failed_other[kept],
            self.scale,
            self.good_sign,
            0,
            self.note,
            self.margin,
        )


@dataclass(frozen=True)
class Tested:
    """What the workouts say of one question within its family.

    `alpha` is the mark of the family. `p_adjusted` is None where nothing may be claimed; `notes`
    say why, and whatever else a reader must know. `may_speak` is False where the family stays
    silent whatever the numbers. `p_equivalent` is adjusted, NaN where equivalence is not asked.
    """

    evidence: Evidence
    p_value: float
    p_adjusted: float
    best_p: float
    alpha: float
    n_questions: int
    n_looks: int = 1
    p_equivalent: float = NAN
    may_speak: bool = True
    horizon: int = 30
    notes: tuple[str, ...] = ()
