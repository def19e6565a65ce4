"""From a workout on its grid to results, findings and pairs.

Which reference each channel is compared with is decided in `references`; the numbers come from the
registered metrics.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.discovery import load_metrics
from tasks.core.registers import FINDING_KINDS, METRICS, SCOPES, SEGMENTERS, Against, Value, unknown
from tasks.metrics.heart_rate.compared import score_heart_rate
from tasks.processing.shared_rows import explain_shared
from tasks.tables.arrow import concatenate, make_rows
from tasks.tables.tables import FINDINGS, PAIRS, RESULTS
from tasks.workout.case import Case, Segment, pair_scored
from tasks.workout.clocks import TIMED, explain_doubt
from tasks.workout.consensus import CHANNELS
from tasks.workout.main_rows import mark_main_rows
from tasks.workout.named_segments import find_seconds
from tasks.workout.pair_rows import SCORED_CHANNELS, make_pair_rows
from tasks.workout.references import Choice, choose_references
from tasks.workout.scored import CLOCK_IN_DOUBT, SET_ASIDE, Scored
from tasks.workout.set_aside import View, divide_domains
from tasks.workout.withheld import withhold_unusable

if TYPE_CHECKING:
    import pyarrow as pa

    from tasks.core.registers import Domain, Finding, FindingKind, Metric
    from tasks.workout.case import Reference, Subject, Workout

#: The domain whose exclusions decide for a kind of comparison.
_DOMAIN_OF: Final[Mapping[Against, Domain]] = {
    "heart_rate": "heart_rate",
    "position": "track",
    "speed": "distance",
    "distance": "distance",
    "altitude": "elevation",
}
#: Share of a finding that lies in left-out seconds from which it is left out, too.
_MOSTLY: Final = 0.5

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
    workout = withhold_unusable(workout)
    results: list[dict[str, Any]] = []
    findings: list[dict[str, Any]] = []
    views = divide_domains(workout)
    chosen: dict[str, list[_Sight]] = {one.recording_id: [] for one in workout.subjects}
    for view in views:
        for recording_id, sights in chosen.items():
            sight = _look_from(view, recording_id)
            sights.append(sight)
            results += mark_main_rows(_measure_metrics(sight))
            findings += _look_for_findings(sight)
    pairs = [rows for sights in chosen.values() for rows in _pair_rows(workout, sights)]
    return Measured(
        results=make_rows(RESULTS, results),
        findings=make_rows(FINDINGS, findings),
        pairs=concatenate(PAIRS, pairs),
    )


@dataclass(frozen=True)
class _Sight:
    """One recording as some domains see it, with what it is compared with."""

    view: View
    workout: Workout
    test: Subject
    choices: dict[Against, Choice]

    @property
    def marks(self) -> dict[str, Any]:
        """What its rows say of being set aside."""
        because = self.view.reasons.get(self.test.recording_id)
        return {"is_excluded": because is not None, "excluded_because": because}

    def mark(self, metric: Metric) -> dict[str, Any]:
        """Say of a row that it is set aside: by the notes, or since another device measured it."""
        shared = explain_shared(self.workout, self.test, metric)
        if shared is None or self.marks["is_excluded"]:
            return self.marks
        return {"is_excluded": True, "excluded_because": shared}


def _look_from(view: View, recording_id: str) -> _Sight:
    test = view.find(recording_id)
    workout = view.show(test)
    kinds: tuple[Against, ...] = (*CHANNELS, "truth", "lengths", "battery")
    choices = {kind: choose_references(workout, test, kind) for kind in kinds}
    return _Sight(view, workout, test, choices)


# --- pairs ------------------------------------------------------------------------------------
def _pair_rows(workout: Workout, sights: Sequence[_Sight]) -> Iterator[pa.Table]:
    """Return the rows of one recording: one table for each device or consensus beside it."""
    by_side: dict[tuple[str, str | None], dict[Against, tuple[_Sight, Reference]]] = {}
    for kind in CHANNELS:
        sight = next(one for one in sights if _DOMAIN_OF[kind] in one.view.domains)
        for reference in sight.choices[kind].references:
            subject = reference.subject
            if subject is not None or kind in SCORED_CHANNELS:
                side = (reference.name, None if subject is None else subject.recording_id)
                by_side.setdefault(side, {})[kind] = (sight, reference)
    for found in by_side.values():
        scored = {
            kind: _score_pair(workout, sight, one, kind)
            for kind, (sight, one) in found.items()
            if kind in SCORED_CHANNELS
        }
        references = {kind: one for kind, (_, one) in found.items()}
        test = next(iter(found.values()))[0].test
        plain = next(one for one in workout.subjects if one.recording_id == test.recording_id)
        yield make_pair_rows(workout, plain, references, scored)


def _score_pair(workout: Workout, sight: _Sight, reference: Reference, kind: Against) -> Scored:
    """Return what the metrics count, with the values that are set aside to be seen."""
    case = Case(sight.workout, sight.test, reference, _cut_segments(sight, reference)[0])
    scored = _score(case, kind)
    masks = [sight.view.left_out.get(side.recording_id) for side in case.sides]
    left_out = [mask for mask in masks if mask is not None]
    if not left_out:
        return scored
    codes = scored.codes.copy()
    codes[np.logical_or.reduce(left_out)] = SET_ASIDE
    channel = SCORED_CHANNELS[kind][0]
    test, other = scored.test, scored.reference
    for plain in workout.subjects:
        values = plain.values(channel)
        if plain.recording_id == sight.test.recording_id:
            test = np.where(np.isnan(test), values, test)
        elif reference.subject is not None and plain.recording_id == (
            reference.subject.recording_id
        ):
            other = np.where(np.isnan(other), values, other)
    return Scored(test, other, codes)


def _score(case: Case, kind: Against) -> Scored:
    """Return the seconds that the metrics of a kind count."""
    channel, _, _ = SCORED_CHANNELS[kind]
    scored = score_heart_rate(case) if kind == "heart_rate" else case.score(channel)
    if kind in TIMED and explain_doubt(case) is not None:
        return replace(scored, codes=np.full_like(scored.codes, CLOCK_IN_DOUBT))
    return scored


# --- segments ---------------------------------------------------------------------------------
def _cut_segments(sight: _Sight, reference: Reference | None) -> list[Segment]:
    """Return the whole comparison and the parts that the notes name."""
    workout, test = sight.workout, sight.test
    span = test.covered if reference is None or reference.covered is None else reference.covered
    whole = Segment("all", span.copy())
    if workout.notes is None:
        return [whole]
    named = [
        Segment(part.name, find_seconds(workout, part) & span) for part in workout.notes.segments
    ]
    return [whole, *named]


# --- metrics ----------------------------------------------------------------------------------
def _measure_metrics(sight: _Sight) -> Iterator[dict[str, Any]]:
    workout, test = sight.workout, sight.test
    by_against: dict[Against, list[Metric]] = {}
    whole = Case(workout, test, None, Segment("all", test.covered))
    for metric in METRICS.values():
        if metric.domain not in sight.view.domains:
            continue
        is_concerned = SCOPES.get(metric.domain)
        if is_concerned is None or is_concerned(whole):
            by_against.setdefault(metric.against, []).append(metric)
    for against, metrics in by_against.items():
        choice = Choice((), None) if against == "nothing" else sight.choices[against]
        if against != "nothing" and not choice.references:
            reason = choice.reason or "there is nothing to compare with"
            for metric in metrics:
                yield _make_row(sight, None, "all", metric, unknown(reason))
            continue
        if not choice.references:
            yield from _measure_against(sight, None, metrics)
        for rank, reference in enumerate(choice.references, start=1):
            for row in _measure_against(sight, reference, metrics):
                yield {**row, "reference_rank": rank}


def _measure_against(
    sight: _Sight, reference: Reference | None, metrics: list[Metric]
) -> Iterator[dict[str, Any]]:
    segments = _cut_segments(sight, reference)
    whole = Case(sight.workout, sight.test, reference, segments[0])
    cases = [whole, *(whole.for_segment(segment) for segment in segments[1:])]
    derived: dict[str, list[Case]] = {}
    for metric in metrics:
        if metric.domain not in derived:
            derived[metric.domain] = _derive_cases(whole, metric.domain)
        for number, case in enumerate((*cases, *derived[metric.domain])):
            is_whole = case.segment.name == "all"
            if not is_whole and (metric.whole_only or not case.counted.any()):
                continue
            declined = sight.view.decline(metric, case)
            value = _compute(metric, case) if declined is None else unknown(declined)
            if value.value is None and number >= len(cases):
                continue  # a derived part does not repeat what is said of the whole
            yield _make_row(sight, reference, case.segment.name, metric, value)


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
        reason = f"this recording holds no {', '.join(lacking)}"
        return unknown(case.test.explain_lack(*lacking, otherwise=reason))
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
    sight: _Sight,
    reference: Reference | None,
    segment: str,
    metric: Metric,
    value: Value,
) -> dict[str, Any]:
    return {
        "workout_id": sight.workout.workout_id,
        "recording_id": sight.test.recording_id,
        "device_id": sight.test.device.id,
        **sight.mark(metric),
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
def look_for_findings(workout: Workout) -> list[dict[str, Any]]:
    """Return every registered finding of every recording of `workout`, as rows of `findings`."""
    load_metrics()
    workout = withhold_unusable(workout)
    return [
        row
        for view in divide_domains(workout)
        for subject in workout.subjects
        for row in _look_for_findings(_look_from(view, subject.recording_id))
    ]


def _look_for_findings(sight: _Sight) -> Iterator[dict[str, Any]]:
    for kind in FINDING_KINDS.values():
        if kind.domain not in sight.view.domains or any(
            not sight.test.has(channel) for channel in kind.needs
        ):
            continue
        references: Iterable[Reference | None] = (
            (None,) if kind.against == "nothing" else sight.choices[kind.against].references
        )
        for reference in references:
            if not _can_find_fault(reference, kind):
                continue
            whole = _cut_segments(sight, reference)[0]
            case = Case(sight.workout, sight.test, reference, whole)
            if kind.against in TIMED and explain_doubt(case) is not None:
                continue
            for found in _detect(kind, case):
                if not _lies_in_left_out(sight, case, found):
                    yield _make_finding_row(sight, reference, kind, found)


def _lies_in_left_out(sight: _Sight, case: Case, found: Finding) -> bool:
    """Say whether most of what was found lies in seconds that are set aside."""
    masks = [sight.view.left_out.get(side.recording_id) for side in case.sides]
    left_out = [mask for mask in masks if mask is not None]
    if not left_out:
        return False
    first = round(found.start_s - sight.workout.grid.start_s)
    last = max(round(found.end_s - sight.workout.grid.start_s), first + 1)
    part = np.logical_or.reduce(left_out)[max(first, 0) : max(last, 0)]
    return bool(part.size and part.mean() >= _MOSTLY)


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
    sight: _Sight, reference: Reference | None, kind: FindingKind, found: Finding
) -> dict[str, Any]:
    workout, test = sight.workout, sight.test
    latitude, longitude = found.latitude_deg, found.longitude_deg
    if latitude is None:
        second = int(np.clip(round(found.start_s - workout.grid.start_s), 0, test.covered.size - 1))
        latitude = _or_none(test.values("latitude_deg")[second])
        longitude = _or_none(test.values("longitude_deg")[second])
    return {
        "workout_id": workout.workout_id,
        "recording_id": test.recording_id,
        "device_id": test.device.id,
        "is_excluded": sight.marks["is_excluded"],
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
