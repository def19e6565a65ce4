"""On foot and in the water speed is shown as pace: slow below, standing as a gap."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from tasks.report.charts.pace import draw_speed, to_pace
from tests.unit.report.test_write import gather, make_settings

if TYPE_CHECKING:
    import duckdb

    from tasks.report.drawing import Drawing
    from tasks.report.facts import WorkoutData


@pytest.fixture
def ride(connection: duckdb.DuckDBPyConnection) -> WorkoutData:
    return gather(connection, make_settings())


def move(data: WorkoutData, activity: str, speed_mps: float, *, units: str = "metric") -> Drawing:
    """Draw a workout in which everybody goes at one speed, and stands for its first minute."""
    series = {
        key: replace(
            one,
            channels={"speed_mps": np.where(one.seconds < 60.0, 0.0, speed_mps)},
        )
        for key, one in data.series.items()
    }
    return draw_speed(
        replace(
            data,
            series=series,
            facts=replace(data.facts, activity=activity),
            settings=data.settings.model_copy(update={"units": units}),
        )
    )[0]


def read_axis(drawing: Drawing) -> tuple[str, bool]:
    vertical = drawing.spec["layer"][0]["encoding"]["y"]
    return vertical["axis"]["title"], vertical["scale"].get("reverse", False)


@pytest.mark.parametrize(
    ("activity", "units", "title", "value"),
    [
        # 1000 m at 10/3 m/s take 300 s; a mile is 1609.344 m, a yard 0.9144 m by definition.
        ("running", "metric", "pace (min/km), slow below", 300.0),
        ("hiking", "statute", "pace (min/mi), slow below", 483.0),
        ("swimming", "metric", "pace (min/100 m), slow below", 30.0),
        ("swimming", "statute", "pace (min/100 yd), slow below", 27.0),
        ("cycling", "metric", "speed (km/h)", 12.0),
        ("mountain-biking", "statute", "speed (mi/h)", 7.46),
    ],
)
def test_each_activity_has_its_own_measure(
    ride: WorkoutData, activity: str, units: str, title: str, value: float
) -> None:
    drawing = move(ride, activity, 10 / 3, units=units)
    assert read_axis(drawing) == (title, title.startswith("pace"))
    values = [one for one in drawing.tables["speed"]["value"] if one]
    assert max(values) == pytest.approx(value, abs=0.01)


def test_who_stands_has_no_pace_and_the_line_breaks(ride: WorkoutData) -> None:
    pace = to_pace(np.array([2.5, 0.1, 0.0, 2.5]), 1000.0, 0.5)
    assert pace[0] == pace[3] == 400.0
    assert np.isnan(pace[1:3]).all()
    series = next(iter(ride.series.values()))
    standing = (series.seconds > 600) & (series.seconds < 700)
    moved = replace(series, channels={"speed_mps": np.where(standing, 0.0, 3.0)})
    drawing = draw_speed(
        replace(
            ride,
            series={next(iter(ride.series)): moved},
            facts=replace(ride.facts, activity="running"),
        )
    )[0]
    table = drawing.tables["speed"]
    gaps = [s for s, value in zip(table["s"], table["value"], strict=True) if value is None]
    assert len(gaps) == 1
    assert 600 < gaps[0] < 700


def test_a_walk_within_a_run_does_not_press_the_axis_together(ride: WorkoutData) -> None:
    series = next(iter(ride.series.values()))
    # One sample in a hundred is as slow as 30 min/km.
    odd = np.arange(len(series.seconds)) % 100 == 0
    moved = replace(series, channels={"speed_mps": np.where(odd, 0.56, 3.0)})
    drawing = draw_speed(
        replace(
            ride,
            series={next(iter(ride.series)): moved},
            facts=replace(ride.facts, activity="running"),
        )
    )[0]
    low, high = drawing.spec["layer"][0]["encoding"]["y"]["scale"]["domain"]
    assert low < 333 < high < 400
    assert drawing.spec["layer"][0]["mark"]["clip"]
