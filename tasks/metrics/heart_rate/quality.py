"""How far the reference itself can be trusted, and the session mean."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from tasks.core.registers import Example, Value, metric, unknown
from tasks.maths.resample import compute_time_weighted_mean
from tasks.maths.runs import find_run_edges
from tasks.metrics.heart_rate.compared import compare_heart_rates
from tasks.metrics.heart_rate.reference import HEART_RATE, get_reference_rate
from tasks.tables.arrow import read_floats, read_seconds

if TYPE_CHECKING:
    from tasks.metrics.heart_rate.reference import ReferenceRate
    from tasks.workout.case import Case

_NO_REFERENCE: Final = "the reference has no heart rate"
_MAX_HOLD_S: Final = 30.0
#: A calm reference with one jump of 60 bpm for 4 s.
_CLIMBING: Final = [100.0 + second // 6 for second in range(600)]
_STUCK: Final = [*_CLIMBING[:200], *[133.5] * 240, *_CLIMBING[440:]]
#: A heart that truly steps from load to load, 9 bpm each half minute.
_LOADED: Final = [90.0 + 9.0 * min(second // 30, 9) for second in range(600)]
#: Ten jumps of a second in the first 37 s.
_DRY: Final = [*[180.0, 101.0, 101.0, 101.0] * 10, *_CLIMBING[40:]]
_JUMPING: Final = [120.0, 121.0] * 90 + [180.0] * 4 + [120.0, 121.0] * 90


@metric(
    "heart_rate",
    title="Reference seconds masked",
    unit="s",
    definition="Time in which the reference's heart rate is not used: frozen while the others "
    "moved, a spike that no other device shows, or the dry start of a strap",
    formula="seconds frozen + in spikes + in the dry start, each counted once",
    better="none",
    source="limits common practice, no source",
    examples=(
        Example(
            {"test": {HEART_RATE: [120.0, 121.0] * 182}, "reference": {HEART_RATE: _JUMPING}},
            4.0,
            "by hand: the four seconds of the jump",
        ),
        Example(
            {
                "test": {HEART_RATE: [120.0, 121.0] * 100},
                "reference": {HEART_RATE: [121.0, 120.0] * 100},
            },
            0.0,
            "by hand: nothing wrong",
        ),
    ),
    against="heart_rate",
    minimum_n=0,
)
def hr_reference_masked_s(case: Case) -> Value:
    """Return the masked time inside the case's seconds [s]."""
    rate = get_reference_rate(case)
    compared = compare_heart_rates(case)
    if rate is None:
        return compared.decline(_NO_REFERENCE)
    return compared.make_value(float((rate.masked & case.segment.mask).sum()))


@metric(
    "heart_rate",
    title="Reference frozen",
    unit="s",
    definition="Time in which the reference stayed at one value while most of the other devices "
    "moved; part of the masked time",
    formula="runs of one value of at least twice frozen_s (six times with a single other device) "
    "while the others move by frozen_reference_bpm",
    better="none",
    source="limits common practice, no source",
    examples=(
        Example(
            {"test": {HEART_RATE: _CLIMBING}, "reference": {HEART_RATE: _STUCK}},
            240.0,
            "by hand: four minutes at one value while the only other device climbs",
        ),
        Example(
            {"test": {HEART_RATE: _CLIMBING}, "reference": {HEART_RATE: _CLIMBING}}, 0.0, "none"
        ),
        Example(
            {"test": {HEART_RATE: _LOADED}, "reference": {HEART_RATE: _LOADED}},
            0.0,
            "by hand: steps that are kept",
        ),
    ),
    against="heart_rate",
    minimum_n=0,
)
def hr_reference_frozen_s(case: Case) -> Value:
    """Return the time in which the reference was frozen [s]."""
    return _count_seconds(case, "frozen")


@metric(
    "heart_rate",
    title="Reference spikes",
    unit="1",
    definition="Number of spikes of the reference that the other devices do not show; their "
    "seconds are part of the masked time",
    formula="spikes of the reference by the rule for devices, less those that half of the others "
    "show to half their size",
    better="none",
    source="rule after Hampel 1974, JASA 69:383, with a floor; limits common practice",
    examples=(
        Example(
            {"test": {HEART_RATE: [120.0, 121.0] * 182}, "reference": {HEART_RATE: _JUMPING}},
            1.0,
            "by hand: one jump of four seconds",
        ),
        Example(
            {"test": {HEART_RATE: _JUMPING}, "reference": {HEART_RATE: _JUMPING}},
            0.0,
            "by hand: the other device shows it as well",
        ),
    ),
    against="heart_rate",
    minimum_n=0,
)
def hr_reference_spikes(case: Case) -> Value:
    """Return the number of the reference's spikes that begin in the case's seconds."""
    rate = get_reference_rate(case)
    compared = compare_heart_rates(case)
    if rate is None:
        return compared.decline(_NO_REFERENCE)
    starts, _ = find_run_edges(rate.spikes)
    return compared.make_value(float(case.segment.mask[starts].sum()))


@metric(
    "heart_rate",
    title="Dry start of the reference",
    unit="s",
    definition="Time at the start in which a strap that is still dry drops out and jumps; part of "
    "the masked time",
    formula="from the start to the last of at least four gaps or steps of 8 bpm in a second that "
    "follow each other within a minute; no step that the half minute after it keeps by half",
    better="none",
    source="common practice, no source",
    examples=(
        Example(
            {"test": {HEART_RATE: _CLIMBING}, "reference": {HEART_RATE: _DRY}},
            37.0,
            "by hand: the last of ten values of 180 ends after 37 s",
        ),
        Example(
            {"test": {HEART_RATE: _CLIMBING}, "reference": {HEART_RATE: _CLIMBING}}, 0.0, "none"
        ),
    ),
    against="heart_rate",
    minimum_n=0,
)
def hr_reference_dry_s(case: Case) -> Value:
    """Return the dry start of the reference [s]."""
    return _count_seconds(case, "dry")


def _count_seconds(case: Case, flaw: Literal["frozen", "dry"]) -> Value:
    rate = get_reference_rate(case)
    compared = compare_heart_rates(case)
    if rate is None:
        return compared.decline(_NO_REFERENCE)
    marked = rate.frozen if flaw == "frozen" else rate.dry
    return compared.make_value(float((marked & case.segment.mask).sum()))


@metric(
    "heart_rate",
    title="Reference seconds without value",
    unit="s",
    definition="Time between the reference's first and last sample, without pauses, in which it "
    "gave no heart rate",
    formula="grid seconds of the reference without heart rate",
    better="none",
    source="common practice, no source",
    examples=(
        Example(
            {
                "test": {HEART_RATE: [100, 100, 100, 100]},
                "reference": {HEART_RATE: [100, None, None, 100]},
            },
            2.0,
            "by hand",
        ),
    ),
    against="heart_rate",
    minimum_n=0,
)
def hr_reference_missing_s(case: Case) -> Value:
    """Return the time without reference value inside the case's seconds [s]."""
    rate = get_reference_rate(case)
    compared = compare_heart_rates(case)
    if rate is None:
        return compared.decline(_NO_REFERENCE)
    covered = case.segment.mask & ~np.isfinite(rate.recorded)
    if case.reference is not None and case.reference.covered is not None:
        covered &= case.reference.covered
    if case.reference is not None and case.reference.paused is not None:
        covered &= ~case.reference.paused
    return compared.make_value(float(covered.sum()))


@metric(
    "heart_rate",
    title="Reference seconds doubtful",
    unit="s",
    definition="Time in which a second reference differs from the first one by more than "
    "doubtful_bpm; one of them is wrong, and the segment reference_sure leaves these seconds out",
    formula="seconds with |reference - second reference| > doubtful_bpm",
    better="none",
    source="common practice, no source",
    examples=(
        Example(
            {"test": {HEART_RATE: [100, 100]}, "reference": {HEART_RATE: [100, 100]}},
            None,
            "no second reference",
        ),
    ),
    against="heart_rate",
    minimum_n=0,
)
def hr_reference_doubtful_s(case: Case) -> Value:
    """Return the doubtful time inside the case's seconds [s]."""
    rate = get_reference_rate(case)
    compared = compare_heart_rates(case)
    if rate is None:
        return compared.decline(_NO_REFERENCE)
    if rate.second is None:
        return compared.decline("no second reference was worn")
    return compared.make_value(float((rate.doubtful & case.counted).sum()))


@metric(
    "heart_rate",
    title="Reference beats corrected",
    unit="%",
    definition="Share of the reference's beat intervals that were corrected before they became its "
    "heart rate; missing where the reference has no beats or they do not fit its own heart rate",
    formula="100 corrections / recorded intervals; heart rate = beats per time in a window of 7 s",
    better="none",
    source="Lipponen and Tarvainen 2019, J. Medical Engineering and Technology 43:173",
    examples=(
        Example(
            {"test": {HEART_RATE: [100, 100]}, "reference": {HEART_RATE: [100, 100]}},
            None,
            "no beats",
        ),
    ),
    against="heart_rate",
    minimum_n=0,
    whole_only=True,
)
def hr_reference_beats_corrected_pct(case: Case) -> Value:
    """Return the share of corrected reference beats [%]."""
    rate: ReferenceRate | None = get_reference_rate(case)
    compared = compare_heart_rates(case)
    if rate is None or not rate.from_beats:
        return compared.decline("the reference heart rate does not come from beats")
    return compared.make_value(rate.share_corrected_pct)


@metric(
    "heart_rate",
    title="Mean heart rate",
    unit="bpm",
    definition="Mean of the device's own samples, each weighted by the time for which it is the "
    "newest (at most 30 s), so uneven recording does not distort it",
    formula="sum(value * hold time) / sum(hold time)",
    better="none",
    version=2,
    source="common practice (sample and hold)",
    examples=(
        Example(
            {
                "test": {HEART_RATE: [100] * 11},
                "samples": {
                    HEART_RATE: [100.0, 100.0, 130.0, 160.0],
                    "time_utc": [
                        1_750_000_000_000_000 + second * 1_000_000 for second in (0, 1, 2, 10)
                    ],
                },
            },
            1400 / 11,
            "by hand: (100 + 100 + 8 * 130 + 160) / 11; the plain mean would be 122.5",
        ),
        Example({"test": {HEART_RATE: [None, None]}}, None, "no heart rate"),
    ),
    needs=(HEART_RATE,),
)
def hr_mean_bpm(case: Case) -> Value:
    """Return the time-weighted mean of the samples in the case's seconds [bpm]."""
    samples = case.test.recording.samples
    seconds = read_seconds(samples) + case.test.alignment.offset_s
    values = read_floats(samples, HEART_RATE)
    second = np.floor(seconds - case.workout.grid.start_s + 0.5)
    inside = np.isfinite(values) & (second >= 0) & (second < case.segment.mask.size)
    inside[inside] &= case.counted[second[inside].astype(np.int64)]
    if not np.isfinite(values).any():
        # Only the beats hold a heart rate: it is on the grid already, second by second.
        carried = case.test.values(HEART_RATE)[case.counted]
        carried = carried[np.isfinite(carried)]
        if carried.size:
            return Value(float(carried.mean()), n=int(carried.size))
    if not inside.any():
        return unknown("no heart rate in these seconds")
    order = np.argsort(seconds[inside], kind="stable")
    mean = compute_time_weighted_mean(
        seconds[inside][order], values[inside][order], max_hold_s=_MAX_HOLD_S
    )
    return Value(mean, n=int(inside.sum()))
