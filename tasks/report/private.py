"""Hides private places in what is published: no position inside shows, nor a finding's place.

Nor does a line lead across one between two fixes outside.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from tasks.report.facts import TRACK_BREAK
from tasks.workout.private_places import find_crossings, find_inside

if TYPE_CHECKING:
    from collections.abc import Sequence

    from config.report import PrivatePlace
    from tasks.report.facts import CourseLine, FindingFacts, Series, WorkoutData


def hide_private_places(data: WorkoutData) -> WorkoutData:
    """Return the workout without any position inside its settings' private places.

    What was noticed while reading is left out, as it quotes exports and their names.
    """
    data = replace(data, recordings=tuple(replace(one, remarks=()) for one in data.recordings))
    places = data.settings.private
    if not places:
        return data
    return replace(
        data,
        series={key: _hide_fixes(one, places) for key, one in data.series.items()},
        findings=tuple(_hide_place(one, places) for one in data.findings),
        course=None if data.course is None else _hide_line(data.course, places),
    )


def _hide_fixes(series: Series, places: Sequence[PrivatePlace]) -> Series:
    latitude, longitude = series.values("latitude_deg"), series.values("longitude_deg")
    inside = find_inside(latitude, longitude, places)
    shown = np.flatnonzero(np.isfinite(latitude) & np.isfinite(longitude) & ~inside)
    broken = np.zeros(latitude.shape)
    broken[shown] = find_crossings(latitude[shown], longitude[shown], places)
    hidden = {
        "latitude_deg": np.where(inside, np.nan, latitude),
        "longitude_deg": np.where(inside, np.nan, longitude),
        TRACK_BREAK: broken,
    }
    return replace(series, channels={**series.channels, **hidden})


def _hide_line(course: CourseLine, places: Sequence[PrivatePlace]) -> CourseLine:
    inside = find_inside(course.latitude_deg, course.longitude_deg, places)
    return replace(
        course,
        latitude_deg=np.where(inside, np.nan, course.latitude_deg),
        longitude_deg=np.where(inside, np.nan, course.longitude_deg),
    )


def _hide_place(finding: FindingFacts, places: Sequence[PrivatePlace]) -> FindingFacts:
    if finding.latitude_deg is None or finding.longitude_deg is None:
        return finding
    where = (np.array([finding.latitude_deg]), np.array([finding.longitude_deg]))
    if not find_inside(*where, places)[0]:
        return finding
    return replace(finding, latitude_deg=None, longitude_deg=None)
