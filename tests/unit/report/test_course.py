"""The course lies under the tracks that were compared with it, and hides where they do."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pytest

from config.report import PrivatePlace
from config.settings import load_settings
from tasks.maths.geodesy import PlaneOrigin, project_to_plane
from tasks.report import write_report
from tasks.report.gather import gather_workout
from tasks.report.outline_lines import STEP_M, fill_line
from tasks.report.private import hide_private_places
from tasks.report.read import read_definitions, read_devices, read_workouts
from tasks.report.sections import draw_workout
from tasks.store import connect_for_reading
from tasks.workout.courses import load_line
from tests.unit.report_home import build_home

if TYPE_CHECKING:
    from pathlib import Path

    from config.home import Home
    from tasks.report.drawing import Drawing
    from tasks.report.facts import WorkoutData

TRAIL = "2025-11-19"
SETTINGS = load_settings()


@pytest.fixture(scope="module")
def trail(tmp_path_factory: pytest.TempPathFactory) -> Home:
    return build_home(tmp_path_factory.mktemp("trail"), TRAIL)


@pytest.fixture(scope="module")
def data(trail: Home) -> WorkoutData:
    return gather(trail, courses=trail.courses)


def gather(home: Home, *, courses: Path | None) -> WorkoutData:
    connection = connect_for_reading(home)
    try:
        return gather_workout(
            connection,
            next(iter(read_workouts(connection).values())),
            devices=read_devices(connection),
            definitions=read_definitions(connection),
            settings=SETTINGS,
            courses=None if courses is None else partial(load_line, courses=courses),
        )
    finally:
        connection.close()


def draw(data: WorkoutData) -> tuple[Drawing, ...]:
    return draw_workout(data)["track"]


def list_kinds(drawing: Drawing) -> list[str]:
    assert drawing.plan is not None
    return [line.kind for line in drawing.plan.lines]


def test_the_course_lies_beneath_all_tracks(data: WorkoutData) -> None:
    drawing = draw(data)[0]
    assert list_kinds(drawing) == ["course", "track", "track"]
    assert drawing.plan is not None
    # The device under test is drawn last, so that nothing hides it.
    assert drawing.plan.lines[-1].device is not None
    assert drawing.plan.lines[-1].device.role == "test"
    assert "The course forest-trail lies beneath them." in drawing.alternative


def test_enlargements_show_the_line_that_the_corner_was_judged_against(data: WorkoutData) -> None:
    corners = draw(data)[1:]
    assert len(corners) == 2
    for corner in corners:
        plan = corner.plan
        assert plan is not None
        course = next(line for line in plan.lines if line.kind == "course")
        away = np.hypot(course.east_m - plan.east_m, course.north_m - plan.north_m)
        # Half of the enlargement's side is 45 m: the line passes within the drawn part.
        assert np.nanmin(away) < 45
        assert "compared with the course forest-trail" in corner.note


def test_a_corner_that_most_devices_cut_is_not_enlarged(data: WorkoutData) -> None:
    # Both watches cut it: the course is as likely wrong.
    other = data.recordings[0]
    cut = [one for one in data.findings if one.kind == "cut_corner"]
    assert cut
    twins = [
        replace(one, recording_id=other.recording_id, device_id=other.device.device_id)
        for one in cut
    ]
    assert len(draw(replace(data, findings=(*data.findings, *twins)))) == 1


def test_without_courses_the_page_is_as_good_as_before(trail: Home) -> None:
    assert list_kinds(draw(gather(trail, courses=None))[0]) == ["track", "track"]


def test_no_point_of_the_course_inside_a_private_place_is_published(data: WorkoutData) -> None:
    assert data.course is not None
    middle = len(data.course.latitude_deg) // 2
    latitude_deg = float(data.course.latitude_deg[middle])
    longitude_deg = float(data.course.longitude_deg[middle])
    place = PrivatePlace(latitude_deg=latitude_deg, longitude_deg=longitude_deg, radius_m=60.0)
    settings = data.settings.model_copy(update={"private": (place,)})
    hidden = hide_private_places(replace(data, settings=settings), key=b"key")
    assert hidden.course is not None
    plane = project_to_plane(
        hidden.course.latitude_deg,
        hidden.course.longitude_deg,
        origin=PlaneOrigin(latitude_deg, longitude_deg),
    )
    away = np.hypot(plane.east_m, plane.north_m)
    assert np.isnan(away[middle])
    assert np.nanmin(away) > 60.0
    plan = draw(hidden)[0].plan
    assert plan is not None
    assert np.isnan(plan.lines[0].east_m).any()


def test_a_long_straight_line_does_not_cross_a_private_place_unseen() -> None:
    # A degree of latitude is 110.574 km at the equator on WGS 84 (handbook value).
    latitude, longitude = fill_line(np.array([0.0, 0.01]), np.array([8.0, 8.0]), step_m=5.0)
    steps = np.diff(latitude) * 110_574
    assert steps.max() <= STEP_M + 0.01
    assert latitude[[0, -1]].tolist() == [0.0, 0.01]
    assert (longitude == 8.0).all()


def test_the_page_says_its_course(trail: Home, tmp_path: Path) -> None:
    settings = SETTINGS.model_copy(
        update={"report": SETTINGS.report.model_copy(update={"figures": ()})}
    )
    connection = connect_for_reading(trail)
    try:
        write_report(
            connection,
            tmp_path,
            settings=settings,
            courses=partial(load_line, courses=trail.courses),
        )
    finally:
        connection.close()
    page = next((tmp_path / "workouts").glob("*.html")).read_text(encoding="utf-8")
    assert "The course forest-trail lies beneath them." in page
    assert '<path class="course" d="M' in page
