"""Hides private places in what is published: no position inside shows, nor a finding's place.

Of a workout that was inside one, the seconds are shown in which every track shows, at times that do
not tell how many are left out; and heart rate at the start, where long enough is hidden there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, TypeVar

import numpy as np

from tasks.report.facts import TRACK_BREAK
from tasks.workout.private_places import draw_hiding, find_crossings, find_inside, find_spans
from tasks.workout.published_clock import (
    EXTENTS,
    WITHHELD,
    PublishedClock,
    count_shown_m,
    draw_clock,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

    from tasks.report.facts import (
        CourseLine,
        DeviceData,
        FindingFacts,
        PairSeries,
        PartFacts,
        Result,
        Series,
        WorkoutData,
        WorkoutFacts,
    )
    from tasks.workout.private_places import Hiding

    Floats = NDArray[np.float64]

_Span = TypeVar("_Span", "FindingFacts", "PartFacts")
#: What is shown of the seconds at a hidden start.
_AT_START: Final = frozenset({"heart_rate_bpm"})


def hide_private_places(data: WorkoutData, *, key: bytes) -> WorkoutData:
    """Return the workout without what its settings' private places hide.

    `key` is the home's secret. What was noticed while reading is left out, as it quotes exports
    and their names.
    """
    data = replace(data, recordings=tuple(replace(one, remarks=()) for one in data.recordings))
    if not data.settings.private:
        return data
    hiding = draw_hiding(data.settings.private, key)
    data = replace(
        data,
        findings=tuple(_hide_place(one, hiding) for one in data.findings),
        course=None if data.course is None else _hide_line(data.course, hiding),
        outlines=tuple(_hide_line(one, hiding) for one in data.outlines),
    )
    clock = find_clock(data.facts, data.series.values(), hiding)
    return _move_times(data, clock, hiding) if clock.is_moved else data


def find_clock(facts: WorkoutFacts, series: Iterable[Series], hiding: Hiding) -> PublishedClock:
    """Return the published clock of a workout, whose series count from its start."""
    spans = []
    for one in series:
        latitude, longitude = one.values("latitude_deg"), one.values("longitude_deg")
        hidden = hiding.find_hidden(latitude, longitude, track=facts.workout_id)
        spans += find_spans(one.seconds, hidden, np.isfinite(latitude) & np.isfinite(longitude))
    begin_s = facts.start_s
    moved = [(first + begin_s, last + begin_s) for first, last in spans]
    return draw_clock(begin_s, facts.end_s, moved)


def withhold(results: Iterable[Result], clocks: Mapping[str, PublishedClock]) -> tuple[Result, ...]:
    """Return results without what tells how much of their workout is hidden."""
    return tuple(_withhold(one, clocks.get(one.workout_id)) for one in results)


def hide_lengths(data: DeviceData, clocks: Mapping[str, PublishedClock]) -> DeviceData:
    """Return a device's numbers without what tells how much of a workout is hidden."""
    if not clocks:
        return data
    findings = (
        (one, clocks.get(one.workout_id, PublishedClock()).move_span(one.start_s, one.end_s))
        for one in data.findings
    )
    return replace(
        data,
        results=withhold(data.results, clocks),
        findings=tuple(
            replace(one, start_s=at[0], end_s=at[1]) for one, at in findings if at is not None
        ),
        levels=tuple(one for one in data.levels if one["metric"] not in EXTENTS),
        limits=tuple(one for one in data.limits if one["metric"] not in EXTENTS),
        verdicts=tuple(one for one in data.verdicts if one["metric"] not in EXTENTS),
    )


def _withhold(result: Result, clock: PublishedClock | None) -> Result:
    if clock is None or not clock.is_moved:
        return result
    # Words quote counts and lengths.
    result = replace(result, n=None, note=None, ci_reason=None)
    if not clock.withholds(result.metric, result.value):
        return result
    return replace(result, value=None, ci_low=None, ci_high=None, reason=WITHHELD)


@dataclass(frozen=True)
class HiddenCount:
    """How many positions of all tracks are not published.

    `at_ends` lie before the first or after the last position of a track that may show.
    """

    positions: int = 0
    at_ends: int = 0

    def __add__(self, other: HiddenCount) -> HiddenCount:
        """Return both together."""
        return HiddenCount(self.positions + other.positions, self.at_ends + other.at_ends)


def count_hidden(whole: WorkoutData, published: WorkoutData, *, key: bytes) -> HiddenCount:
    """Return how many positions `published` lacks of a workout; for its publisher, not a page."""
    hiding = draw_hiding(whole.settings.private, key)
    total = HiddenCount()
    for name, series in whole.series.items():
        latitude, longitude = series.values("latitude_deg"), series.values("longitude_deg")
        known = np.isfinite(latitude) & np.isfinite(longitude)
        shown = np.isfinite(published.series[name].values("latitude_deg"))
        hidden = hiding.find_hidden(latitude, longitude, track=whole.facts.workout_id)
        at = np.flatnonzero(known & ~hidden)
        outside = known & hidden
        if at.size:
            outside[at[0] : at[-1] + 1] = False
        total += HiddenCount(int(known.sum()) - int(shown.sum()), int(outside.sum()))
    return total


def _move_times(data: WorkoutData, clock: PublishedClock, hiding: Hiding) -> WorkoutData:
    begin_s = data.facts.start_s
    last_s = clock.cover(begin_s, data.facts.end_s)
    facts = replace(
        data.facts, end_s=begin_s if last_s is None else last_s[1], is_shown_in_part=True
    )
    return replace(
        data,
        facts=facts,
        results=withhold(data.results, {facts.workout_id: clock}),
        series={
            name: _move_series(one, clock, begin_s, hiding) for name, one in data.series.items()
        },
        battery={
            name: _move_series(one, clock, begin_s, hiding) for name, one in data.battery.items()
        },
        pairs={name: _move_pairs(one, clock, begin_s) for name, one in data.pairs.items()},
        # A device marks lengths every so far from the start.
        lengths=dict.fromkeys(data.lengths, ()),
        findings=_move_spans(data.findings, clock),
        parts=_move_spans(data.parts, clock),
        exclusions=tuple(
            replace(one, start_s=None, end_s=None)
            for one in data.exclusions
            if one.start_s is None and one.end_s is None
        ),
    )


def _move_series(series: Series, clock: PublishedClock, begin_s: float, hiding: Hiding) -> Series:
    moved = clock.move(series.seconds + begin_s) - begin_s
    has_motion = np.isfinite(clock.move(series.seconds + begin_s, motion=True))
    kept = np.isfinite(moved)
    stretch = clock.number(series.seconds + begin_s)[kept]
    channels = {
        name: (values if name in _AT_START else np.where(has_motion, values, np.nan))[kept]
        for name, values in series.channels.items()
    }
    channels[TRACK_BREAK] = _find_breaks(channels, stretch, hiding)
    if "distance_m" in channels:
        channels["distance_m"] = count_shown_m(channels["distance_m"], stretch)
    return replace(series, seconds=moved[kept], channels=channels)


def _find_breaks(
    channels: Mapping[str, Floats], stretch: NDArray[np.int64], hiding: Hiding
) -> Floats:
    """Return 1 where the line must not lead from the fix before: across what is hidden."""
    broken = np.zeros(stretch.shape)
    if "latitude_deg" not in channels or "longitude_deg" not in channels:
        return broken
    latitude, longitude = channels["latitude_deg"], channels["longitude_deg"]
    shown = np.flatnonzero(np.isfinite(latitude) & np.isfinite(longitude))
    if shown.size:
        crossing = find_crossings(latitude[shown], longitude[shown], hiding.places)
        crossing[1:] |= np.diff(stretch[shown]) != 0
        broken[shown] = crossing
    return broken


def _move_pairs(pairs: PairSeries, clock: PublishedClock, begin_s: float) -> PairSeries:
    moved = clock.move(pairs.seconds + begin_s) - begin_s
    kept = np.isfinite(moved)
    return replace(
        pairs,
        seconds=moved[kept],
        test_bpm=pairs.test_bpm[kept],
        reference_bpm=pairs.reference_bpm[kept],
        because=pairs.because[kept],
    )


def _move_spans(spans: tuple[_Span, ...], clock: PublishedClock) -> tuple[_Span, ...]:
    found = ((one, clock.move_span(one.start_s, one.end_s)) for one in spans)
    return tuple(replace(one, start_s=at[0], end_s=at[1]) for one, at in found if at is not None)


def _hide_line(course: CourseLine, hiding: Hiding) -> CourseLine:
    inside = hiding.find_hidden(
        course.latitude_deg, course.longitude_deg, track=f"course:{course.name}"
    )
    return replace(
        course,
        latitude_deg=np.where(inside, np.nan, course.latitude_deg),
        longitude_deg=np.where(inside, np.nan, course.longitude_deg),
    )


def _hide_place(finding: FindingFacts, hiding: Hiding) -> FindingFacts:
    if finding.latitude_deg is None or finding.longitude_deg is None:
        return finding
    where = (np.array([finding.latitude_deg]), np.array([finding.longitude_deg]))
    if not find_inside(*where, hiding.places)[0]:
        return finding
    return replace(finding, latitude_deg=None, longitude_deg=None)
