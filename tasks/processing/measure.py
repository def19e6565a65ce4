"""From a workout on its grid to results, findings and pairs.

Which reference each channel is compared with is decided in `references`; the numbers come from the
registered metrics.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from tasks.core.discovery import load_metrics
from tasks.core.registers import FINDING_KINDS, METRICS, SCOPES, SEGMENTERS, Value, unknown
from tasks.metrics.heart_rate.compared import score_heart_rate
from tasks.tables.arrow import concatenate, make_rows
from tasks.tables.tables import FINDINGS, PAIRS, RESULTS
from tasks.workout.case import Case, Segment, pair_scored
from tasks.workout.clocks import TIMED, explain_doubt
from tasks.workout.consensus import CHANNELS
from tasks.workout.main_rows import mark_main_rows
from tasks.workout.named_segments import find_seconds
from tasks.workout.pair_rows import SCORED_CHANNELS, make_pair_rows
from tasks.workout.references import Choice, choose_references
from tasks.workout.scored import CLOCK_IN_DOUBT

if TYPE_CHECKING:
    import pyarrow as pa

    from tasks.core.registers import Against, Finding, FindingKind, Metric
    from tasks.workout.case import Reference, Subject, Workout
    from tasks.workout.scored import Scored

logger = logging.getLogger(__name__)


@dataclass(frozen=True)
class Measured:
    """Rows of `results`, `findings` (both without run_id and computed_at) and `pairs`."""

    results: pa.Table
    findings: pa.Table
    pairs: pa.Table


def measure_workout(workout: Workout) -> Measured:
    """Compute every registered metric and finding of every recording of `workout`."""
    load_metrics()
    results: list[dict[str, Any]] = []
    findings: list[dict[str, Any]] = []
    pairs: list[pa.Table] = []
    for subject in workout.subjects:
        kinds: tuple[Against, ...] = (*CHANNELS, "truth", "lengths", "battery")
        choices = {kind: choose_references(workout, subject, kind) for kind in kinds}
        results += mark_main_rows(_measure_metrics(workout, subject, choices))
        findings += _look_for_findings(workout, subject, choices)
        pairs += _pair_rows(workout, subject, choices)
    return Measured(
        results=make_rows(RESULTS, results),
        findings=make_rows(FINDINGS, findings),
        pairs=concatenate(PAIRS, pairs),
    )


# --- pairs ------------------------------------------------------------------------------------
def _pair_rows(
    workout: Workout, test: Subject, choices: dict[Against, Choice]
) -> Iterator[pa.Table]:
    """Return the rows of one recording: one table for each device or consensus beside it."""
    by_side: dict[tuple[str, str | None], dict[Against, Reference]] = {}
    for kind in CHANNELS:
        for reference in choices[kind].references:
            subject = reference.subject
            if subject is not None or kind in SCORED_CHANNELS:
                side = (reference.name, None if subject is None else subject.recording_id)
                by_side.setdefault(side, {})[kind] = reference
    for references in by_side.values():
        scored = {
            kind: _score(Case(workout, test, one, _cut_segments(workout, test, one)[0]), kind)
            for kind, one in references.items()
            if kind in SCORED_CHANNELS
        }
        yield make_pair_rows(workout, test, references, scored)


def _score(case: Case, kind: Against) -> Scored:
    """Return the seconds that the metrics of a kind count."""
    channel, _, _ = SCORED_CHANNELS[kind]
    scored = score_heart_rate(case) if kind == "heart_rate" else case.score(channel)
    if kind in TIMED and explain_doubt(case) is not None:
        return replace(scored, codes=np.full_like(scored.codes, CLOCK_IN_DOUBT))
    return scored


# --- segments ---------------------------------------------------------------------------------
def _cut_segments(workout: Workout, test: Subject, reference: Reference | None) -> list[Segment]:
    """Return the whole comparison and the parts that the notes name."""
    span = test.covered if reference is None or reference.covered is None else reference.covered
    whole = Segment("all", span.copy())
    if workout.notes is None:
        return [whole]
    named = [
        Segment(part.name, find_seconds(workout, part) & span) for part in workout.notes.segments
    ]
    return [whole, *named]


# --- metrics ----------------------------------------------------------------------------------
def _measure_metrics(
    workout: Workout, test: Subject, choices: dict[Against, Choice]
) -> Iterator[dict[str, Any]]:
    by_against: dict[Against, list[Metric]] = {}
    whole = Case(workout, test, None, Segment("all", test.covered))
    for metric in METRICS.values():
        is_concerned = SCOPES.get(metric.domain)
        if is_concerned is None or is_concerned(whole):
            by_against.setdefault(metric.against, []).append(metric)
    for against, metrics in by_against.items():
        choice = Choice((), None) if against == "nothing" else choices[against]
        if against != "nothing" and not choice.references:
            reason = choice.reason or "there is nothing to compare with"
            for metric in metrics:
                yield _make_row(workout, test, None, "all", metric, unknown(reason))
            continue
        if not choice.references:
            yield from _measure_against(workout, test, None, metrics)
        for rank, reference in enumerate(choice.references, start=1):
            for row in _measure_against(workout, test, reference, metrics):
                yield {**row, "reference_rank": rank}


def _measure_against(
    workout: Workout, test: Subject, reference: Reference | None, metrics: list[Metric]
) -> Iterator[dict[str, Any]]:
    segments = _cut_segments(workout, test, reference)
    whole = Case(workout, test, reference, segments[0])
    cases = [whole, *(whole.for_segment(segment) for segment in segments[1:])]
    derived: dict[str, list[Case]] = {}
    for metric in metrics:
        if metric.domain not in derived:
            derived[metric.domain] = _derive_cases(whole, metric.domain)
        for number, case in enumerate((*cases, *derived[metric.domain])):
            is_whole = case.segment.name == "all"
            if not is_whole and (metric.whole_only or not case.counted.any()):
                continue
            value = _compute(metric, case)
            if value.value is None and number >= len(cases):
                continue  # a derived part does not repeat what is said of the whole
            yield _make_row(workout, test, reference, case.segment.name, metric, value)


def _derive_cases(whole: Case, domain: str) -> list[Case]:
    """Return the cases over the segments that a domain cuts by itself."""
    if whole.reference is None:
        return []
    return [
        whole.for_segment(segment)
        for segmenter in SEGMENTERS.values()
        if segmenter.domain == domain
        for segment in segmenter.cut(whole)
    ]


def _compute(metric: Metric, case: Case) -> Value:
    lacking = [channel for channel in metric.needs if not case.test.has(channel)]
    if lacking:
        return unknown(f"this recording holds no {', '.join(lacking)}")
    doubt = explain_doubt(case) if metric.against in TIMED else None
    if doubt is not None:
        return unknown(doubt)
    if metric.against in SCORED_CHANNELS:
        paired = pair_scored(_score(case, metric.against), case.segment.mask)
        if paired.n < metric.minimum_n:
            return unknown(
                f"{paired.n} seconds can be compared; at least {metric.minimum_n} are needed",
                n=paired.n,
                coverage=paired.coverage,
            )
    try:
        return _take_finite(metric.compute(case))
    except Exception as error:
        logger.exception("metric %s failed in %s", metric.id, case.workout.workout_id)
        return unknown(f"the computation failed: {type(error).__name__}: {error}")


def _take_finite(value: Value) -> Value:
    """Turn a value that is not a finite number into an unknown one: NaN is no answer."""
    if value.value is None or np.isfinite(value.value):
        return value
    reason = value.reason or "the formula gives no finite number for these data"
    return unknown(reason, n=value.n, coverage=value.coverage)


def _make_row(
    workout: Workout,
    test: Subject,
    reference: Reference | None,
    segment: str,
    metric: Metric,
    value: Value,
) -> dict[str, Any]:
    return {
        "workout_id": workout.workout_id,
        "recording_id": test.recording_id,
        "device_id": test.device.id,
        "reference": None if reference is None else reference.name,
        "reference_kind": None if reference is None else reference.kind,
        "reference_rank": None,
        "segment": segment,
        "metric": metric.id,
        "metric_version": metric.version,
        "value": None if value.value is None else float(value.value),
        "ci_low": _or_none(value.ci_low),
        "ci_high": _or_none(value.ci_high),
        "n": value.n,
        "coverage": _or_none(value.coverage),
        "reference_why": None if reference is None else reference.why,
        "reference_uncertainty": None if reference is None else _or_none(reference.uncertainty),
        "unit": metric.unit,
        "reason": value.reason if value.value is None else None,
        "note": None if value.value is None else value.reason,
        "ci_reason": _explain_interval(metric, value),
    }


def _explain_interval(metric: Metric, value: Value) -> str | None:
    """Say why an end of the interval of a value is unknown, of metrics that bear one."""
    if not metric.has_interval or value.value is None:
        return None
    ends = (_or_none(value.ci_low), _or_none(value.ci_high))
    return value.ci_reason or "these data hold none" if None in ends else None


def _or_none(number: float | None) -> float | None:
    return None if number is None or not np.isfinite(number) else float(number)


# --- findings ---------------------------------------------------------------------------------
def _look_for_findings(
    workout: Workout, test: Subject, choices: dict[Against, Choice]
) -> Iterator[dict[str, Any]]:
    for kind in FINDING_KINDS.values():
        if any(not test.has(channel) for channel in kind.needs):
            continue
        references: Iterable[Reference | None] = (
            (None,) if kind.against == "nothing" else choices[kind.against].references
        )
        for reference in references:
            if not _can_find_fault(reference, kind):
                continue
            whole = _cut_segments(workout, test, reference)[0]
            case = Case(workout, test, reference, whole)
            if kind.against in TIMED and explain_doubt(case) is not None:
                continue
            for found in _detect(kind, case):
                yield _make_finding_row(workout, test, reference, kind, found)


def _can_find_fault(reference: Reference | None, kind: FindingKind) -> bool:
    """Say whether a finding may rest on it: where two suspects differ, neither is at fault."""
    return reference is None or reference.kind != "comparison" or kind.against == "battery"


def _detect(kind: FindingKind, case: Case) -> list[Finding]:
    try:
        return kind.detect(case)
    except Exception:
        # One detector that fails must not take the workout's other results with it.
        logger.exception("findings of kind %s failed in %s", kind.kind, case.workout.workout_id)
        return []


def _make_finding_row(
    workout: Workout,
    test: Subject,
    reference: Reference | None,
    kind: FindingKind,
    found: Finding,
) -> dict[str, Any]:
    latitude, longitude = found.latitude_deg, found.longitude_deg
    if latitude is None:
        second = int(np.clip(round(found.start_s - workout.grid.start_s), 0, test.covered.size - 1))
        latitude = _or_none(test.values("latitude_deg")[second])
        longitude = _or_none(test.values("longitude_deg")[second])
    return {
        "workout_id": workout.workout_id,
        "recording_id": test.recording_id,
        "device_id": test.device.id,
        "reference": None if reference is None else reference.name,
        "kind": kind.kind,
        "start_utc": _to_microseconds(found.start_s),
        "end_utc": _to_microseconds(found.end_s),
        "size": _or_none(found.size),
        "unit": kind.unit,
        "latitude_deg": latitude,
        "longitude_deg": longitude,
        "note": found.note or None,
    }


def _to_microseconds(seconds: float) -> int:
    return round(seconds * 1e6)
