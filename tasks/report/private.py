"""Hides private places in what is published: no position inside shows, nor a finding's place.

Nor does a line lead across one between two fixes outside, nor do speed, distance and altitude show
while any device of the workout was inside. Heart rate stays.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.report.facts import TRACK_BREAK
from tasks.workout.private_places import (
    LENGTHS,
    WITHHELD,
    count_shown_m,
    draw_hiding,
    find_crossings,
    find_inside,
    find_spans,
    find_within,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tasks.report.facts import CourseLine, FindingFacts, Result, Series, WorkoutData
    from tasks.workout.private_places import Hiding

    Span = tuple[float, float]

_MOTION: Final = ("altitude_m", "speed_mps")


def hide_private_places(data: WorkoutData, *, key: bytes) -> WorkoutData:
    """Return the workout without what its settings' private places hide.

    `key` is the home's secret. What was noticed while reading is left out, as it quotes exports
    and their names.
    """
    data = replace(data, recordings=tuple(replace(one, remarks=()) for one in data.recordings))
    if not data.settings.private:
        return data
    hiding = draw_hiding(data.settings.private, key)
    track = data.facts.workout_id
    spans = [span for one in data.series.values() for span in _find_spans(one, hiding, track)]
    # Series count from the start of the workout, findings from 1970.
    begin_s = data.facts.start_s
    instants = [(first + begin_s, last + begin_s) for first, last in spans]
    return replace(
        data,
        results=tuple(_hide_length(one) for one in data.results) if spans else data.results,
        series={name: _hide_motion(one, hiding, spans) for name, one in data.series.items()},
        findings=tuple(_hide_place(one, hiding, instants) for one in data.findings),
        course=None if data.course is None else _hide_line(data.course, hiding),
    )


def _find_spans(series: Series, hiding: Hiding, track: str) -> list[Span]:
    latitude, longitude = series.values("latitude_deg"), series.values("longitude_deg")
    hidden = hiding.find_hidden(latitude, longitude, track=track)
    return find_spans(series.seconds, hidden, np.isfinite(latitude) & np.isfinite(longitude))


def _hide_motion(series: Series, hiding: Hiding, spans: Sequence[Span]) -> Series:
    latitude, longitude = series.values("latitude_deg"), series.values("longitude_deg")
    hidden = find_within(series.seconds, spans)
    shown = np.flatnonzero(np.isfinite(latitude) & np.isfinite(longitude) & ~hidden)
    broken = np.zeros(latitude.shape)
    if shown.size:
        broken[shown] = find_crossings(latitude[shown], longitude[shown], hiding.places)
        # Nor is a hidden way bridged by a straight line between its ends.
        broken[shown[1:]] += np.diff(np.cumsum(hidden)[shown]) > 0
    changed = {
        name: np.where(hidden, np.nan, series.values(name))
        for name in ("latitude_deg", "longitude_deg", *_MOTION)
    }
    counted = count_shown_m(series.values("distance_m"), hidden)
    channels = {**changed, "distance_m": counted, TRACK_BREAK: np.minimum(broken, 1.0)}
    return replace(series, channels={**series.channels, **channels})


def _hide_line(course: CourseLine, hiding: Hiding) -> CourseLine:
    inside = hiding.find_hidden(
        course.latitude_deg, course.longitude_deg, track=f"course:{course.name}"
    )
    return replace(
        course,
        latitude_deg=np.where(inside, np.nan, course.latitude_deg),
        longitude_deg=np.where(inside, np.nan, course.longitude_deg),
    )


def _hide_length(result: Result) -> Result:
    if result.metric not in LENGTHS:
        return result
    return replace(result, value=None, ci_low=None, ci_high=None, reason=WITHHELD)


def _hide_place(finding: FindingFacts, hiding: Hiding, spans: Sequence[Span]) -> FindingFacts:
    if finding.latitude_deg is None or finding.longitude_deg is None:
        return finding
    where = (np.array([finding.latitude_deg]), np.array([finding.longitude_deg]))
    during = any(finding.start_s <= last and finding.end_s >= first for first, last in spans)
    if not (during or find_inside(*where, hiding.places)[0]):
        return finding
    return replace(finding, latitude_deg=None, longitude_deg=None)
