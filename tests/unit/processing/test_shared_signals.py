"""One signal in the files of two devices is no agreement, and judges nobody who shows it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tasks.workout.shared_signals import KINDS, find_shared
from tests.benchmarks.invented_workouts import Worn, imagine, make_device, wear
from tests.unit.processing.test_wrong_units import align, find, measure

PLACES = ("east_m", "north_m")
CHANNELS = {
    "distance": ("distance_m",),
    "speed": ("speed_mps", "distance_m"),
    "position": PLACES,
    "altitude": ("altitude_m",),
}
METRICS = {
    "distance": "distance_error_pct",
    "speed": "speed_mae_mps",
    "position": "track_cross_mean_m",
    "altitude": "altitude_rms_m",
}


def put_on(*names: str, seed: int = 5, kind: str = "efforts", reference: str = "") -> list[Worn]:
    truth = imagine(kind, seed)
    worn = []
    for name in names:
        if name == reference:
            device = make_device(
                name, "reference", reference_for=("position", "distance", "altitude")
            )
        else:
            device = make_device(name, "test")
        worn.append(wear(truth, device, seed=seed))
    return worn


def copy(sender: Worn, receiver: Worn, kind: str, late_s: int = 0) -> None:
    """Let one device store what another one sends; its counter began 37 m earlier."""
    for name in CHANNELS[kind]:
        values = sender.channels[name]
        late = np.concatenate([np.full(late_s, values[0]), values[: values.size - late_s]])
        receiver.channels[name] = late + (37.0 if name == "distance_m" else 0.0)


def told(rows: list[dict[str, Any]]) -> list[tuple[str, str]]:
    return [(row["device_id"], row["note"]) for row in rows if row["kind"] == "shared_signal"]


@pytest.mark.parametrize("kind", list(CHANNELS))
def test_a_copy_of_the_reference_has_nothing_to_be_compared_with(kind: str) -> None:
    worn = put_on("computer", "watch", "other", reference="computer")
    copy(worn[0], worn[1], kind)
    measured = measure(worn)
    note = f"its {kind} is the same signal as that of computer"
    assert ("watch", note) in told(measured.findings.to_pylist())
    assert {device for device, _ in told(measured.findings.to_pylist())} == {"watch"}
    rows = find(measured, "watch", METRICS[kind])
    assert {row["reference"] for row in rows} <= {"other", None}
    assert all(row["is_excluded"] and row["excluded_because"] == note for row in rows)
    (row,) = find(measured, "other", METRICS[kind])
    assert (row["reference"], row["is_excluded"]) == ("computer", False)
    assert row["value"] is not None


@pytest.mark.parametrize("kind", ["distance", "speed", "position"])
def test_what_comes_later_is_the_copy(kind: str) -> None:
    worn = put_on("pod", "watch")
    copy(worn[0], worn[1], kind, late_s=2)
    # The clocks are equal: what else both recorded says so.
    measured = measure(worn)
    assert {device for device, _ in told(measured.findings.to_pylist())} == {"watch"}
    (row,) = find(measured, "pod", METRICS[kind])
    assert row["value"] is None
    assert "that is no comparison" in row["reason"]


def test_copies_count_once_in_a_consensus() -> None:
    """Four devices, three of which show one counter: no consensus for the fourth is left."""
    worn = put_on("a", "b", "c", "d")
    for receiver in worn[1:3]:
        copy(worn[0], receiver, "distance")
    measured = measure(worn)
    (row,) = find(measured, "d", "distance_error_pct")
    assert row["reference_kind"] == "comparison"
    apart = put_on("a", "b", "c", "d")
    (row,) = find(measure(apart), "d", "distance_error_pct")
    assert row["reference_kind"] == "consensus"


def test_a_re_export_without_positions_under_another_name() -> None:
    worn = put_on("watch", "cloud")
    for name, values in worn[0].channels.items():
        worn[1].channels[name] = values.copy()
    for name in PLACES:
        del worn[1].channels[name]
    worn[1].channels["heart_rate_bpm"] = worn[1].channels["heart_rate_bpm"] + 3
    measured = measure(worn)
    assert {note.split()[1] for _, note in told(measured.findings.to_pylist())} == {
        "speed",
        "distance",
        "altitude",
    }
    for metric in ("distance_error_pct", "speed_mae_mps", "altitude_rms_m"):
        assert {row["value"] for row in find(measured, "watch", metric)} == {None}


@pytest.mark.parametrize("kind", ["steady", "efforts", "ride", "mixed"])
def test_devices_with_sensors_of_their_own_share_nothing(kind: str) -> None:
    for seed in (11, 12):
        worn = put_on("a", "b", "c", "d", seed=seed, kind=kind)
        # As good as sensors get: a wheel, a receiver with corrections, a quiet barometer.
        for number, one in enumerate(worn[:2]):
            rng = np.random.default_rng([seed, number])
            true = imagine(kind, seed).channels
            n = one.kept.size
            one.channels["distance_m"] = np.round(true["distance_m"] * (1 + 4e-4 * number), 2)
            one.channels["speed_mps"] = np.round(true["speed_mps"] + rng.normal(0, 0.05, n), 3)
            one.channels["altitude_m"] = np.round((true["altitude_m"] + rng.normal(0, 0.1, n)) * 5)
            one.channels["altitude_m"] = one.channels["altitude_m"] / 5
        workout = align(worn)
        shared = [
            (one.device.id, found.describe(name))
            for one in workout.subjects
            for name in KINDS
            for found in find_shared(workout, one, name)
        ]
        assert shared == []
