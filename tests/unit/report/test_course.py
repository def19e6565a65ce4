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
from tasks.report.gather import COURSE_STEP_M, fill_line, gather_workout
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


def test_the_course_is_drawn_first_with_a_line_of_its_own(data: WorkoutData) -> None:
    plan = draw(data)[0]
    assert [layer["data"]["name"] for layer in plan.spec["layer"]] == ["course", "track", "marks"]
    assert plan.devices[-1].label == "course forest-trail"
    looks = [device.look for device in plan.devices]
    assert len({look.dash for look in looks}) == len(looks)
    assert "The course forest-trail lies beneath them." in plan.alternative


def test_enlargements_show_the_line_that_the_corner_was_judged_against(data: WorkoutData) -> None:
    corners = draw(data)[1:]
    assert len(corners) == 3
    for corner in corners:
        table = corner.tables["course"]
        place = corner.facts["shape"]
        # Half of the enlargement's side is 45 m: the line passes within the drawn part.
        away = [
            np.hypot(x - place["x"], y - place["y"])
            for x, y in zip(table["x"], table["y"], strict=True)
            if x is not None
        ]
        assert min(away) < 45
        assert "compared with the course forest-trail" in corner.note


def test_without_courses_the_page_is_as_good_as_before(trail: Home) -> None:
    plan = draw(gather(trail, courses=None))[0]
    assert [layer["data"]["name"] for layer in plan.spec["layer"]] == ["track", "marks"]


def test_a_device_called_like_the_course_keeps_its_own_look(data: WorkoutData) -> None:
    recording = data.recordings[0]
    named = replace(recording, device=replace(recording.device, label="course forest-trail"))
    plan = draw(replace(data, recordings=(named, *data.recordings[1:])))[0]
    labels = [device.label for device in plan.devices]
    assert len(set(labels)) == len(labels)


def test_no_point_of_the_course_inside_a_private_place_is_published(data: WorkoutData) -> None:
    assert data.course is not None
    middle = len(data.course.latitude_deg) // 2
    latitude_deg = float(data.course.latitude_deg[middle])
    longitude_deg = float(data.course.longitude_deg[middle])
    place = PrivatePlace(latitude_deg=latitude_deg, longitude_deg=longitude_deg, radius_m=150.0)
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
    assert np.nanmin(away) > 150.0
    drawn = draw(hidden)[0].tables["course"]
    assert None in drawn["x"]


def test_a_long_straight_line_does_not_cross_a_private_place_unseen() -> None:
    # A degree of latitude is 110.574 km at the equator on WGS 84 (handbook value).
    latitude, longitude = fill_line(np.array([0.0, 0.01]), np.array([8.0, 8.0]), step_m=5.0)
    steps = np.diff(latitude) * 110_574
    assert steps.max() <= COURSE_STEP_M + 0.01
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
    assert '"course forest-trail": {"dark"' in page
