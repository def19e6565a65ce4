"""Channels that say something else than their name: in another unit, or made of the time.

Nothing is computed from them: no error of -99.9 %.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from config.settings import load_settings
from tasks.align import align_workout
from tasks.core.members import Member, WorkoutMembers
from tasks.processing.measure import Measured, measure_workout
from tasks.workout.case import Workout
from tests.benchmarks.invented_workouts import Worn, imagine, make_device, wear, write

REST = {
    "speed_mps": {"speed_bias_mps", "speed_mae_mps", "pace_mae_s_per_km", "speed_lag_s"},
    "distance_m": {
        "distance_error_m",
        "distance_error_pct",
        "distance_own_m",
        "distance_counter_m",
        "distance_own_ratio",
    },
    "altitude_m": {"ascent_m", "ascent_error_pct", "altitude_bias_m", "altitude_rms_m"},
}


def measure(
    worn: Iterable[Worn],
    *,
    places: bool = True,
    total: str | None = None,
    place: str | None = "outdoors",
) -> Measured:
    """Measure an hour; `total` names a device that repeats its counter as its own total."""
    return measure_workout(align(worn, places=places, total=total, place=place))


def align(
    worn: Iterable[Worn],
    *,
    places: bool = True,
    total: str | None = None,
    place: str | None = "outdoors",
) -> Workout:
    """Return the workout of some devices on its grid."""
    recordings = {
        one.device.id: write(one, sport="running", places=places) for one in worn if one.channels
    }
    if total is not None:
        recordings[total] = with_total(recordings[total])
    settings = load_settings()
    aligned = align_workout(
        "one",
        recordings,
        workout=WorkoutMembers(
            tuple(Member(name) for name in recordings),
            min(one.start_utc for one in recordings.values()),
            max(one.end_utc for one in recordings.values()),
        ),
        devices={one.device.id: one.device for one in worn},
        settings=settings,
    )
    return Workout("one", aligned.grid, "running", place, aligned.subjects, None, settings)


def with_total(recording: Any) -> Any:  # noqa: ANN401 - a recording, with another header
    counter = recording.samples.column("distance_m").to_pylist()[-1]
    return replace(recording, header=replace(recording.header, device_distance_m=counter))


def put_on(kind: str = "efforts", seed: int = 3) -> list[Worn]:
    truth = imagine(kind, seed)
    survey = make_device("survey", "reference", reference_for=("position", "distance", "altitude"))
    devices = [survey, make_device("watch"), make_device("peer", "peer")]
    return [wear(truth, device, seed=seed) for device in devices]


def find(measured: Measured, device: str, metric: str) -> list[dict[str, Any]]:
    return [
        row
        for row in measured.results.to_pylist()
        if row["device_id"] == device and row["metric"] == metric and row["segment"] == "all"
    ]


@pytest.mark.parametrize(
    ("channel", "factor", "words", "places"),
    [
        ("speed_mps", 3.6, "like km/h as m/s", True),
        ("speed_mps", 1 / 0.44704, "like mph as m/s", False),
        ("distance_m", 1e-3, "like km as m", True),
        ("distance_m", 1 / 1609.344, "like miles as m", False),
        ("altitude_m", 1 / 0.3048, "like feet as m", True),
    ],
)
def test_what_rests_on_a_wrong_unit_is_null_with_the_reason(
    channel: str,
    factor: float,
    words: str,
    places: bool,  # noqa: FBT001
) -> None:
    worn = put_on()
    worn[1].channels[channel] = worn[1].channels[channel] * factor
    measured = measure(worn, places=places, total="watch")
    told = [row for row in measured.findings.to_pylist() if row["kind"] == "unit_mismatch"]
    assert [row["device_id"] for row in told] == ["watch"]
    assert words in told[0]["note"]
    for metric in REST[channel]:
        rows = find(measured, "watch", metric)
        assert rows, metric
        assert {row["value"] for row in rows} == {None}, metric
        if places or metric != "distance_own_ratio":
            assert all(words in row["reason"] for row in rows), (metric, rows[0]["reason"])
    # The other channels, and the other devices, lose nothing.
    other = "speed_bias_mps" if channel != "speed_mps" else "distance_error_pct"
    assert all(row["value"] is not None for row in find(measured, "watch", other))
    for metric in sorted(REST[channel] - {"distance_own_ratio"}):
        assert all(row["value"] is not None for row in find(measured, "peer", metric)), metric


def test_a_reference_in_a_wrong_unit_is_no_reference() -> None:
    """Without a track of its own; two watches that agree contradict it."""
    worn = put_on()
    worn[0].channels["distance_m"] = worn[0].channels["distance_m"] / 1.609344
    measured = measure(worn, places=False)
    told = [row for row in measured.findings.to_pylist() if row["kind"] == "unit_mismatch"]
    assert [row["device_id"] for row in told] == ["survey"]
    for device in ("watch", "peer"):
        (row,) = find(measured, device, "distance_error_pct")
        assert row["reference"] in {"watch", "peer"}
        assert row["value"] == pytest.approx(0, abs=3)


def test_one_device_alone_by_its_own_speed() -> None:
    worn = put_on()[1:2]
    worn[0].channels["distance_m"] = worn[0].channels["distance_m"] * 1e-3
    measured = measure(worn, places=False)
    (told,) = measured.findings.to_pylist()
    assert told["note"].endswith("times that of its own speed, like km as m")
    (own,) = find(measured, "watch", "distance_own_m")
    assert own["value"] is None
    assert told["note"] in own["reason"]


def test_nothing_is_withheld_where_units_are_right() -> None:
    for kind, seed in (("ride", 4), ("mixed", 5), ("steady", 6)):
        worn = put_on(kind, seed)
        for places in (True, False):
            measured = measure(worn, places=places)
            assert "unit_mismatch" not in measured.findings.column("kind").to_pylist()


# --- counters of time -------------------------------------------------------------------------
def run_on_belt(speed_mps: float = 2.7777) -> list[Worn]:
    """Return a machine and a watch that show the set speed, and a pod that measures it."""
    worn = put_on("steady", 8)
    n = worn[0].kept.size
    rng = np.random.default_rng(4)
    for number, one in enumerate(worn):
        for name in ("east_m", "north_m", "altitude_m"):
            one.channels.pop(name)
        noise = 0 if number < 2 else rng.normal(0, 0.05, n)
        one.channels["speed_mps"] = np.round(np.full(n, speed_mps) + noise, 3)
        one.channels["distance_m"] = np.round(
            np.arange(n) * speed_mps + np.cumsum(noise * np.ones(n)), 2
        )
    return worn


@pytest.mark.parametrize("place", ["treadmill", None])
def test_a_belt_of_constant_speed_keeps_its_distance(place: str | None) -> None:
    worn = run_on_belt()
    measured = measure(worn, places=False, place=place)
    for device in ("survey", "watch", "peer"):
        (row,) = find(measured, device, "distance_own_m")
        assert row["value"] == pytest.approx(2.7777 * (worn[0].kept.size - 1), rel=0.01), device
    (row,) = find(measured, "peer", "distance_error_pct")
    assert row["value"] == pytest.approx(0, abs=0.5)


@pytest.mark.parametrize("places", [True, False])
def test_a_distance_made_of_time_is_not_used(places: bool) -> None:  # noqa: FBT001
    """Over streets: by the own positions, and without any by the pace of the others."""
    worn = put_on("efforts", 9)
    worn[1].channels["distance_m"] = np.round(np.arange(worn[1].kept.size) * 3.1, 2)
    if not places:
        del worn[1].channels["speed_mps"]
    measured = measure(worn, places=places, total="watch")
    for metric in ("distance_own_m", "distance_error_pct"):
        (row,) = find(measured, "watch", metric)
        assert row["value"] is None
        assert "exactly in proportion to time" in row["reason"]
    assert all(row["value"] is not None for row in find(measured, "peer", "distance_error_pct"))
