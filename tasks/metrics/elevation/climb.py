"""Ascent and descent, against the reference and beside the device's own totals."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.registers import Example, Value, metric, unknown
from tasks.metrics.elevation.heights import (
    ALTITUDE,
    FEWEST,
    NO_HEIGHT,
    PERCENT,
    SOURCE,
    count_heights,
    give_compared,
)
from tasks.tables.arrow import read_floats, read_seconds
from tasks.workout.climbs import choose_climb_filter
from tasks.workout.tracks import mark_case_samples

if TYPE_CHECKING:
    from tasks.maths.elevation import Climb
    from tasks.workout.case import Case, Subject

#: A minute below, a rise of 20 m in 20 s, a minute above, and the same way down.
_HILL: Final = [*[100.0] * 60, *np.arange(101.0, 120.0), *[120.0] * 60]
_HILL.extend([*np.arange(119.0, 100.0, -1.0), *[100.0] * 60])


def _make_waves(*heights_m: float) -> list[float]:
    """Return rises from 0 to each height and back, a minute on each level."""
    levels = [0.0, *(level for height in heights_m for level in (height, 0.0))]
    return [level for level in levels for _ in range(60)]


_HILLY: Final[dict[str, Any]] = {
    "test": {ALTITUDE: _HILL},
    "header": {"altitude_kind": "barometric"},
}


@metric(
    "elevation",
    title="Ascent",
    unit="m",
    version=5,
    definition="Rises of the smoothed profile between turning points that are a threshold apart "
    "(3 m and 17 s barometric, 5 m and 31 s from satellites, 5 m and 21 s where the export does "
    "not say, configurable): threshold and smoothing decide much of it; steps that nobody climbs "
    "in the time are taken out; noise of satellites' heights adds to it on small hills",
    formula="accumulated reversal: sum of high - low over the rises of a running mean, a turning "
    "point counting once the profile has come back by the threshold",
    better="none",
    source=SOURCE,
    examples=(
        Example(_HILLY, 20.0, "by hand: 100 to 120 m", 1e-6),
        Example(
            {**_HILLY, "header": {"altitude_kind": "gnss"}},
            20.0,
            "by hand: 100 to 120 m, plateaus longer than the window",
            1e-6,
        ),
        NO_HEIGHT,
    ),
    needs=(ALTITUDE,),
)
def ascent_m(case: Case) -> Value:
    """Return the ascent of the profile [m]."""
    climb = sum_climb(case, case.test)
    return climb if isinstance(climb, Value) else _give_summed(case, climb.ascent_m)


@metric(
    "elevation",
    title="Descent",
    unit="m",
    version=5,
    definition="Falls of the smoothed profile between turning points that are the threshold of the "
    "ascent apart; threshold and smoothing decide much of it",
    formula="as the ascent, downwards",
    better="none",
    source=SOURCE,
    examples=(Example(_HILLY, 20.0, "by hand: 120 to 100 m", 1e-6), NO_HEIGHT),
    needs=(ALTITUDE,),
)
def descent_m(case: Case) -> Value:
    """Return the descent of the profile [m]."""
    climb = sum_climb(case, case.test)
    return climb if isinstance(climb, Value) else _give_summed(case, climb.descent_m)


@metric(
    "elevation",
    title="Own ascent",
    unit="m",
    definition="Total ascent that the device reports; its threshold and smoothing are not known, "
    "so the totals of two devices may differ without either being wrong",
    formula="total ascent of the export",
    better="none",
    source=SOURCE,
    examples=(
        Example({**_HILLY, "header": {"device_ascent_m": 18.0}}, 18.0, "by hand"),
        NO_HEIGHT,
    ),
    whole_only=True,
)
def ascent_own_m(case: Case) -> Value:
    """Return the device's own ascent [m]."""
    total = case.test.recording.header.device_ascent_m
    return unknown("the export gives no ascent") if total is None else Value(total, n=1)


@metric(
    "elevation",
    title="Own descent",
    unit="m",
    definition="Total descent that the device reports; its threshold and smoothing are not known",
    formula="total descent of the export",
    better="none",
    source=SOURCE,
    examples=(
        Example({**_HILLY, "header": {"device_descent_m": 18.0}}, 18.0, "by hand"),
        NO_HEIGHT,
    ),
    whole_only=True,
)
def descent_own_m(case: Case) -> Value:
    """Return the device's own descent [m]."""
    total = case.test.recording.header.device_descent_m
    return unknown("the export gives no descent") if total is None else Value(total, n=1)


@metric(
    "elevation",
    title="Threshold of the ascent",
    unit="m",
    version=2,
    definition="Threshold with which ascent and descent of this recording were summed; without it "
    "an ascent cannot be compared",
    formula="chosen by the source of altitude that the export names",
    better="none",
    source=SOURCE,
    examples=(
        Example(_HILLY, 3.0, "the setting: 3 m barometric"),
        Example({**_HILLY, "header": {"altitude_kind": "gnss"}}, 5.0, "the setting: 5 m GNSS"),
        NO_HEIGHT,
    ),
    needs=(ALTITUDE,),
    whole_only=True,
)
def ascent_threshold_m(case: Case) -> Value:
    """Return the threshold [m]."""
    if not case.test.has(ALTITUDE):
        return unknown("this recording holds no heights")
    return Value(choose_climb_filter(case.workout, case.test).threshold_m, n=1)


@metric(
    "elevation",
    title="Ascent error",
    unit="m",
    version=5,
    definition="Ascent of the profile minus the reference's, both with the threshold of the "
    "coarser of the two over the seconds that both recorded; errors of opposite sign cancel",
    formula="ascent of the test - ascent of the reference, larger threshold of the two",
    better="zero",
    source=SOURCE,
    examples=(
        Example(
            {
                "test": {ALTITUDE: _make_waves(12.0, 12.0)},
                "reference": {ALTITUDE: _make_waves(10.0, 12.0)},
            },
            2.0,
            "by hand: 24 - 22",
            1e-6,
        ),
        NO_HEIGHT,
    ),
    against="altitude",
    needs=(ALTITUDE,),
)
def ascent_error_m(case: Case) -> Value:
    """Return the ascent error [m]."""
    found = compare_climbs(case)
    if isinstance(found, Value):
        return found
    own, other = found
    return give_compared(case, own.ascent_m - other.ascent_m)


@metric(
    "elevation",
    title="Ascent error in percent",
    unit="%",
    version=5,
    definition="Ascent error in percent of the reference's ascent; means little where the ascent "
    "is only a few thresholds high",
    formula="100 * (ascent of the test - ascent of the reference) / ascent of the reference",
    better="zero",
    source=SOURCE,
    examples=(
        Example(
            {
                "test": {ALTITUDE: _make_waves(12.0, 12.0)},
                "reference": {ALTITUDE: _make_waves(10.0, 10.0)},
            },
            20.0,
            "by hand: 4 of 20",
            1e-6,
        ),
        Example(
            {"test": {ALTITUDE: _make_waves(12.0)}, "reference": {ALTITUDE: _make_waves(0.0)}},
            None,
            "a flat reference",
        ),
        NO_HEIGHT,
    ),
    against="altitude",
    needs=(ALTITUDE,),
    level="primary",
)
def ascent_error_pct(case: Case) -> Value:
    """Return the ascent error [%]."""
    found = compare_climbs(case)
    if isinstance(found, Value):
        return found
    own, other = found
    if other.ascent_m <= 0:
        return unknown("the reference does not climb", n=count_heights(case))
    return give_compared(case, PERCENT * (own.ascent_m - other.ascent_m) / other.ascent_m)


@metric(
    "elevation",
    title="Own ascent against the true one",
    unit="m",
    definition="Ascent that the device reports minus the true ascent in the notes; only the "
    "tester knows how the true one was found and with what threshold",
    formula="own ascent - ascent of the notes",
    better="zero",
    source=SOURCE,
    examples=(NO_HEIGHT,),
    against="truth",
    whole_only=True,
)
def ascent_own_error_m(case: Case) -> Value:
    """Return the error of the device's own ascent [m]."""
    notes = case.workout.notes
    true_ascent = None if notes is None else notes.truth.ascent_m
    if true_ascent is None:
        return unknown("the notes give no true ascent")
    total = case.test.recording.header.device_ascent_m
    if total is None:
        return unknown("the export gives no ascent")
    return Value(total - true_ascent, n=1)


# --- parts ------------------------------------------------------------------------------------
def _give_summed(case: Case, value: float) -> Value:
    """Wrap a climb and say how it was summed."""
    summed = choose_climb_filter(case.workout, case.test)
    return Value(value, n=count_heights(case), reason=str(summed))


def sum_climb(case: Case, subject: Subject) -> Climb | Value:
    """Sum the climb of the native samples of a recording inside the case."""
    inside = mark_case_samples(case, subject)
    heights = read_floats(subject.recording.samples, ALTITUDE)[inside]
    if not np.isfinite(heights).any():
        return unknown("this recording holds no heights there")
    seconds = read_seconds(subject.recording.samples)[inside]
    return choose_climb_filter(case.workout, subject).sum_climb(seconds, heights)


def compare_climbs(case: Case) -> tuple[Climb, Climb] | Value:
    """Return the climbs of both sides over the seconds that both have, summed in one way."""
    paired = case.paired(ALTITUDE)
    if paired.n < FEWEST:
        return unknown("fewer than two seconds in which both have a height", n=paired.n)
    common = choose_climb_filter(case.workout, case.test)
    if case.reference is not None and case.reference.subject is not None:
        common = common.join(choose_climb_filter(case.workout, case.reference.subject))
    seconds = paired.seconds.astype(np.float64)
    return common.sum_climb(seconds, paired.test), common.sum_climb(seconds, paired.reference)
