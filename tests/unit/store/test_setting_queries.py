"""Saved queries that compare settings, strokes and paces: by hand on a handful of workouts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from tasks.store import append_if_changed, open_store, publish, replace_rows
from tasks.store.query import connect_for_reading, load_saved_queries, run_query
from tasks.tables.arrow import make_rows
from tasks.tables.tables import FINDINGS, RESULTS, SETUPS
from tests.unit.store.rows import NOON, make_devices, make_workouts

if TYPE_CHECKING:
    from config.home import Home
    from config.settings import Settings


def store(
    home: Home, workout_id: str, values: dict[tuple[str, str | None, str], float], **setup: str
) -> None:
    """Store values by metric, reference and segment, and the setup of the one device."""
    rows = [
        {
            "run_id": "r1",
            "computed_at": NOON,
            "workout_id": workout_id,
            "recording_id": f"{workout_id}-a",
            "device_id": "alder-2",
            "reference": reference,
            "segment": segment,
            "metric": metric,
            "metric_version": 1,
            "value": value,
        }
        for (metric, reference, segment), value in values.items()
    ]
    setups = [
        {"workout_id": workout_id, "device_id": "alder-2", "key": key, "value": value}
        for key, value in setup.items()
    ]
    with open_store(home) as connection:
        replace_rows(connection, "workouts", make_workouts(workout_id))
        replace_rows(connection, "devices", make_devices("alder-2", role="test"))
        replace_rows(connection, SETUPS, make_rows(SETUPS, setups))
        append_if_changed(
            connection,
            workout_id=workout_id,
            run_id="r1",
            results=make_rows(RESULTS, rows),
            findings=make_rows(FINDINGS, []),
        )


def use_battery(rate: float, from_pct: float, to_pct: float) -> dict[tuple[str, None, str], float]:
    return {
        ("battery_rate_pct_per_h", None, "all"): rate,
        ("battery_from_pct", None, "all"): from_pct,
        ("battery_to_pct", None, "all"): to_pct,
    }


def ask(home: Home, settings: Settings, name: str) -> list[dict[str, Any]]:
    publish(home, settings)
    with connect_for_reading(home) as connection:
        return run_query(connection, load_saved_queries()[name].sql).to_pylist()


def test_two_settings_are_compared_over_workouts(home: Home, settings: Settings) -> None:
    for number, rate in enumerate((6.0, 6.2, 6.4)):
        store(home, f"on{number}", use_battery(rate, 90, 70), display="always-on")
    for number, rate in enumerate((4.0, 4.1, 4.5)):
        store(home, f"off{number}", use_battery(rate, 88, 74), display="on-raise")
    (row,) = ask(home, settings, "battery-by-setting")
    assert (row["setting"], row["other_setting"]) == ("always-on", "on-raise")
    assert (row["n_workouts"], row["other_n_workouts"]) == (3, 3)
    # By hand: mean 6.2 and 4.2.
    assert row["difference_pct_per_h"] == pytest.approx(-2.0)
    assert row["warning"] is None


def test_few_workouts_and_different_ranges_are_said(home: Home, settings: Settings) -> None:
    store(home, "on", use_battery(6.0, 90, 80), display="always-on")
    store(home, "off", use_battery(4.0, 30, 20), display="on-raise", battery_start_pct="30")
    (row,) = ask(home, settings, "battery-by-setting")
    assert row["key"] == "display"
    assert row["warning"] == "fewer than three workouts each; different ranges of charge"


def test_two_units_of_one_workout_are_compared_with_their_ranges(
    home: Home, settings: Settings
) -> None:
    values = {
        ("battery_rate_difference_pct_per_h", "alder-2-second", "all"): 2.5,
        ("battery_shared_range_pct", "alder-2-second", "all"): 20.0,
    }
    store(home, "w1", values, display="always-on", gnss="all-systems")
    (row,) = ask(home, settings, "battery-pairs")
    assert (row["device_id"], row["against"]) == ("alder-2", "alder-2-second")
    assert row["setup"] == "display=always-on, gnss=all-systems"
    assert row["difference_pct_per_h"] == 2.5
    assert row["warning"] == "different ranges of charge"


def test_the_confusion_table_adds_up_over_workouts(home: Home, settings: Settings) -> None:
    for workout_id, right, wrong in (("w1", 10.0, 2.0), ("w2", 8.0, 0.0)):
        where = ("truth", "stroke:backstroke")
        store(
            home,
            workout_id,
            {
                ("swim_read_as_backstroke_lengths", *where): right,
                ("swim_read_as_freestyle_lengths", *where): wrong,
                ("swim_stroke_type_match_pct", *where): 90.0,
            },
        )
    (row,) = ask(home, settings, "stroke-confusion")
    assert (row["swum"], row["n_workouts"]) == ("backstroke", 2)
    assert (row["read_backstroke"], row["read_freestyle"]) == (18, 2)


def test_indoor_errors_stand_by_date_and_pace(home: Home, settings: Settings) -> None:
    for segment, speed, error in (("all", 3.0, -1.0), ("band:pace-4:00-5:00", 4.0, -4.0)):
        store(
            home,
            f"w-{speed}",
            {
                ("indoor_speed_mps", "truth", segment): speed,
                ("indoor_distance_error_pct", "truth", segment): error,
            },
        )
    rows = ask(home, settings, "indoor-calibration")
    assert [(row["speed_mps"], row["error_pct"]) for row in rows] == [(3.0, -1.0), (4.0, -4.0)]


def test_any_setup_key_is_listed(home: Home, settings: Settings) -> None:
    store(home, "w1", {}, strap_hole="3")
    store(home, "w2", {}, strap_hole="3")
    (row,) = ask(home, settings, "setups")
    assert (row["key"], row["value"], row["n_workouts"]) == ("strap_hole", "3", 2)
