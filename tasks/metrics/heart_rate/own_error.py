"""Each device's own error where nothing is known to be true, and devices that share one sensor."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.registers import Example, Value, metric, unknown
from tasks.maths.autocorrelation import choose_block_length
from tasks.maths.same_signal import Sameness, compare_signals
from tasks.maths.three_cornered_hat import (
    FEWEST_SERIES,
    OwnErrors,
    estimate_memories,
    estimate_own_errors,
)
from tasks.metrics.heart_rate.compared import (
    NO_INTERVAL_OF_SQUARES,
    compare_heart_rates,
    get_series,
)
from tasks.metrics.heart_rate.reference import HEART_RATE, get_reference_rate

if TYPE_CHECKING:
    from tasks.workout.case import Case, Subject

_SHORTEST_S: Final = 600
_LEAST_SHARE: Final = 0.5
_PERCENT: Final = 100.0
_SOURCE: Final = (
    "Gray and Allan 1974, Proc. 28th Symposium on Frequency Control, 243 (three-cornered hat); "
    "more than three by least squares"
)


def _make_hat() -> dict[str, Any]:
    """Return three devices whose errors are exact waves: variances 1/2, 9/2 and 25/2.

    They swing from second to second, since slow ones would count as few.
    """
    seconds = np.arange(1200)
    truth = 140 + 20 * np.sin(seconds / 100)
    errors = [
        size * np.sin(2 * np.pi * seconds * turns / 1200)
        for size, turns in ((1.0, 350), (3.0, 400), (5.0, 500))
    ]
    first, second, third = (truth + error for error in errors)
    return {
        "test": {HEART_RATE: list(first)},
        "reference": {HEART_RATE: list(second)},
        "others": ({HEART_RATE: list(third)},),
    }


@dataclass(frozen=True)
class Hat:
    """What was estimated for which recordings, or why nothing was."""

    recording_ids: tuple[str, ...]
    errors: OwnErrors | None
    reason: str | None
    shares_sensor_with: dict[str, str]


@metric(
    "heart_rate",
    title="Own error",
    unit="bpm",
    definition="Standard deviation of the device's own errors, estimated from three or more "
    "devices without any truth; errors that devices share (the same delay, both on cadence) are "
    "attributed to the others or make an estimate negative, which the note then says; "
    f"{NO_INTERVAL_OF_SQUARES}",
    formula="var(x_i - x_j) / (1 - 1 / n_eff) = v_i + v_j for all pairs by least squares; "
    "sqrt(v_i)",
    better="lower",
    source=_SOURCE,
    examples=(
        Example(_make_hat(), 0.70711, "by hand: a wave of height 1 has SD 1 / sqrt(2)", 0.001),
        Example(
            {
                "test": {HEART_RATE: [100.0, 101.0] * 600},
                "reference": {HEART_RATE: [101.0, 100.0] * 600},
            },
            None,
            "two devices only",
        ),
    ),
    needs=(HEART_RATE,),
    whole_only=True,
    version=3,
)
def hr_own_error_sd_bpm(case: Case) -> Value:
    """Return the standard deviation of the device's own errors [bpm]."""
    hat = case.once_per_workout("heart_rate:hat", lambda: _estimate(case))
    own = case.test.recording_id
    if own in hat.shares_sensor_with:
        return unknown(f"shows the same signal as {hat.shares_sensor_with[own]}")
    if hat.errors is None:
        return unknown(hat.reason or "nothing could be estimated")
    if own not in hat.recording_ids:
        return unknown("this recording overlaps the others too little")
    place = hat.recording_ids.index(own)
    errors = hat.errors
    if errors.was_negative[place]:
        return unknown(
            f"the estimated variance is negative ({errors.raw_variances[place]:.2f} bpm^2): two "
            "devices share errors, or this one's are too small to be seen beside the others'",
            n=errors.n,
        )
    return Value(float(errors.sds[place]), n=errors.n)


@metric(
    "heart_rate",
    title="Equal to the reference",
    unit="%",
    definition="Share of the compared seconds in which both show the same whole number, at the "
    "best of the shifts up to 3 s; near 100 % two devices probably recorded one sensor",
    formula="100 max_k mean(|test(t + k) - reference(t)| < 0.5), |k| <= 3 s",
    better="none",
    source="own choice, no source",
    examples=(
        Example(
            {
                "test": {HEART_RATE: [100, 101, 102, 110] * 100},
                "reference": {HEART_RATE: [100, 101, 102, 103] * 100},
            },
            75.0,
            "by hand: three of four, best without a shift",
        ),
        Example(
            {"test": {HEART_RATE: [100]}, "reference": {HEART_RATE: [100]}},
            None,
            "less than five minutes",
        ),
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
    whole_only=True,
)
def hr_equal_pct(case: Case) -> Value:
    """Return the share of equal seconds [%]."""
    compared = compare_heart_rates(case)
    found = _compare_with_reference(case)
    if not np.isfinite(found.share_equal):
        return compared.decline("less than five minutes can be compared")
    return compared.make_value(_PERCENT * found.share_equal)


@metric(
    "heart_rate",
    title="Same signal as the reference",
    unit="1",
    definition="1 where the device's heart rate is so close to the reference's that it probably "
    "shows the reference's own signal (a paired strap), 0 where not; with 1, agreement says "
    "nothing about the device's own sensor",
    formula="1 if 70 % of seconds are equal, 99 % within 3 bpm, and heart rate moves by 15 bpm",
    better="none",
    source="own choice, no source",
    examples=(
        Example(
            {
                "test": {HEART_RATE: [100.0 + second // 10 for second in range(600)]},
                "reference": {HEART_RATE: [100.0 + second // 10 for second in range(600)]},
            },
            1.0,
            "by hand: equal in every second",
        ),
        Example(
            {
                "test": {HEART_RATE: [102.0 + second // 10 for second in range(600)]},
                "reference": {HEART_RATE: [100.0 + second // 10 for second in range(600)]},
            },
            0.0,
            "by hand: always 2 bpm apart",
        ),
        Example(
            {"test": {HEART_RATE: [100]}, "reference": {HEART_RATE: [100]}},
            None,
            "less than five minutes",
        ),
    ),
    against="heart_rate",
    needs=(HEART_RATE,),
    whole_only=True,
)
def hr_same_signal(case: Case) -> Value:
    """Return 1 if the device probably shows the reference's own signal."""
    compared = compare_heart_rates(case)
    found = _compare_with_reference(case)
    if not np.isfinite(found.share_equal):
        return compared.decline("less than five minutes can be compared")
    return compared.make_value(float(found.is_same))


def _compare_with_reference(case: Case) -> Sameness:
    def compare() -> Sameness:
        rate = get_reference_rate(case)
        test = get_series(case).test
        # The values as recorded: a signal is the same with its flaws, beats or not.
        reference = None if case.reference is None else case.reference.values(HEART_RATE)
        if rate is None or reference is None:
            return Sameness(np.nan, 0, is_same=False)
        return compare_signals(reference, test)

    return case.once("heart_rate:sameness", compare)


def _estimate(case: Case) -> Hat:
    subjects = [subject for subject in case.workout.subjects if subject.has(HEART_RATE)]
    subjects.sort(key=lambda subject: (subject.device.role != "reference", subject.recording_id))
    shared = _find_shared_sensors(subjects)
    own = [subject for subject in subjects if subject.recording_id not in shared]
    columns = [np.where(subject.paused, np.nan, subject.values(HEART_RATE)) for subject in own]
    counts = [int(np.isfinite(column).sum()) for column in columns]
    most = max(counts, default=0)
    kept = [i for i, count in enumerate(counts) if count >= _LEAST_SHARE * most and count]
    ids = tuple(own[i].recording_id for i in kept)
    if len(kept) < FEWEST_SERIES:
        reason = f"{len(kept)} devices have a heart rate of their own; three are needed"
        return Hat(ids, None, reason, shared)
    series = np.column_stack([columns[i] for i in kept])
    present = np.isfinite(series).all(axis=1)
    if present.sum() < _SHORTEST_S:
        reason = f"{int(present.sum())} s in which all of them have a heart rate; "
        return Hat(ids, None, f"{reason}{_SHORTEST_S} s are needed", shared)
    first, last = np.flatnonzero(present)[[0, -1]]
    series = series[first : last + 1]
    rhos = estimate_memories(series)
    longest = float(rhos.max())
    settings = case.settings.heart_rate
    errors = estimate_own_errors(
        series,
        block_length=choose_block_length(
            series.shape[0], longest, shortest=round(settings.block_s)
        ),
        rhos=rhos,
    )
    if not np.isfinite(errors.sds).all():
        reason = "the errors persist for so long that their spread cannot be estimated"
        return Hat(ids, None, reason, shared)
    return Hat(ids, errors, None, shared)


def _find_shared_sensors(subjects: list[Subject]) -> dict[str, str]:
    """Return, for each recording that shows an earlier one's signal, the device of that one."""
    shared: dict[str, str] = {}
    for place, subject in enumerate(subjects):
        for earlier in subjects[:place]:
            if earlier.recording_id in shared:
                continue
            found = compare_signals(earlier.values(HEART_RATE), subject.values(HEART_RATE))
            if found.is_same:
                shared[subject.recording_id] = earlier.device.id
                break
    return shared
