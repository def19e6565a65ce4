"""Against what is each device held, over which seconds, and what becomes of a failing metric."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np

from config.devices import Device, Role
from tasks.core.notes import NamedSegment, Notes, Truth
from tasks.core.registers import METRICS, SCOPES, Value
from tasks.processing.measure import choose_references, measure_workout
from tasks.workout.case import Case, Subject, Workout, make_example
from tasks.workout.named_segments import find_seconds

if TYPE_CHECKING:
    import pytest

START_S = 1_750_000_000


def make_workout(*devices: Device, notes: Notes | None = None, **channels: object) -> Workout:
    """A workout in which every device recorded the same channels, by default heart rate."""
    values = channels or {"heart_rate_bpm": [100.0, 101.0, 102.0]}
    case = make_example(test=values, others=(values,) * (len(devices) - 1), notes=notes)
    subjects = tuple(
        replace(subject, device=device, recording_id=device.id)
        for subject, device in zip(case.workout.subjects, devices, strict=True)
    )
    return replace(case.workout, subjects=subjects)


def find(workout: Workout, device_id: str) -> Subject:
    return next(one for one in workout.subjects if one.device.id == device_id)


def test_strap_is_preferred_to_arm_band_as_heart_rate_reference() -> None:
    workout = make_workout(
        Device(id="watch", name="Watch", role="test"),
        Device(id="band", name="Band", role="reference", heart_rate="optical"),
        Device(id="strap", name="Strap", role="reference", heart_rate="ecg"),
    )
    chosen = choose_references(workout, find(workout, "watch"), "heart_rate")
    assert [one.name for one in chosen.references] == ["strap"]
    second = choose_references(workout, find(workout, "band"), "heart_rate")
    assert [one.name for one in second.references] == ["strap"]


def test_reference_is_not_held_against_itself() -> None:
    workout = make_workout(
        Device(id="watch", name="Watch", role="test"),
        Device(id="strap", name="Strap", role="reference", heart_rate="ecg"),
    )
    chosen = choose_references(workout, find(workout, "strap"), "heart_rate")
    assert chosen.references == ()
    assert chosen.reason == "this device is the reference"


def test_reference_of_another_channel_is_no_reference() -> None:
    workout = make_workout(
        Device(id="watch", name="Watch", role="test"),
        Device(id="computer", name="Computer", role="reference", reference_for=("distance",)),
    )
    chosen = choose_references(workout, find(workout, "watch"), "heart_rate")
    assert [one.name for one in chosen.references] == ["computer"]
    assert "which of the two is right is not known" in chosen.references[0].why


def test_consensus_leaves_out_the_device_that_it_judges() -> None:
    workout = make_workout(*(Device(id=name, name=name) for name in ("a", "b", "c")))
    high = replace(find(workout, "a"), on_grid={"heart_rate_bpm": np.full(3, 180.0)})
    workout = replace(workout, subjects=(high, *workout.subjects[1:]))
    chosen = choose_references(workout, high, "heart_rate")
    assert [one.name for one in chosen.references] == ["consensus"]
    values = chosen.references[0].values("heart_rate_bpm")
    assert values is not None
    assert values.tolist() == [100.0, 101.0, 102.0]


def test_consensus_needs_two_values_in_a_second() -> None:
    workout = make_workout(*(Device(id=name, name=name) for name in ("a", "b", "c")))
    gap = replace(find(workout, "c"), on_grid={"heart_rate_bpm": np.array([100.0, np.nan, 102.0])})
    workout = replace(workout, subjects=(*workout.subjects[:2], gap))
    values = (
        choose_references(workout, find(workout, "a"), "heart_rate")
        .references[0]
        .values("heart_rate_bpm")
    )
    assert values is not None
    assert np.isnan(values).tolist() == [False, True, False]


def test_true_distance_comes_before_the_reference_device() -> None:
    notes = Notes(datetime.fromtimestamp(START_S, UTC), truth=Truth(distance_m=1000.0))
    workout = make_workout(
        Device(id="watch", name="Watch", role="test"),
        Device(id="computer", name="Computer", role="reference"),
        notes=notes,
        distance_m=[0.0, 5.0, 10.0],
    )
    chosen = choose_references(workout, find(workout, "watch"), "distance")
    assert [one.name for one in chosen.references] == ["truth", "computer"]


def test_virtual_ride_is_not_compared_by_distance_or_position() -> None:
    workout = make_workout(
        Device(id="watch", name="Watch", role="test"),
        Device(id="computer", name="Computer", role="reference"),
        distance_m=[0.0, 5.0],
        latitude_deg=[1.0, 1.0],
        longitude_deg=[1.0, 1.0],
    )
    first = workout.subjects[0]
    header = replace(first.recording.header, position_kind="virtual")
    virtual = replace(first, recording=replace(first.recording, header=header))
    workout = replace(workout, subjects=(virtual, *workout.subjects[1:]))
    for kind in ("distance", "position", "speed"):
        chosen = choose_references(workout, virtual, kind)
        assert chosen.references == ()
        assert chosen.reason is not None
        assert "virtual" in chosen.reason
        from_other_side = choose_references(workout, workout.subjects[1], kind)
        assert from_other_side.references == ()


def test_named_segment_holds_its_first_second_and_not_its_end() -> None:
    notes = Notes(
        datetime.fromtimestamp(START_S, UTC),
        segments=(NamedSegment("middle", from_s=1.0, to_s=2.0),),
    )
    workout = make_workout(Device(id="watch", name="Watch"), notes=notes)
    assert find_seconds(workout, notes.segments[0]).tolist() == [False, True, False]


def test_every_result_has_a_value_or_a_reason() -> None:
    workout = make_workout(
        Device(id="watch", name="Watch", role="test"),
        Device(id="strap", name="Strap", role="reference", heart_rate="ecg"),
    )
    rows = measure_workout(workout).results.to_pylist()
    always = {metric.id for metric in METRICS.values() if metric.domain not in SCOPES}
    assert always <= {row["metric"] for row in rows} <= set(METRICS)
    assert all((row["value"] is None) == (row["reason"] is not None) for row in rows)


def test_failing_metric_gives_its_error_and_spares_the_others(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def fail(_case: Case) -> Value:
        raise ZeroDivisionError("nothing to divide by")

    broken = replace(METRICS["distance_own_m"], compute=fail)
    monkeypatch.setitem(METRICS, "distance_own_m", broken)
    workout = make_workout(Device(id="watch", name="Watch"), distance_m=[0.0, 4.0, 9.0])
    rows = {
        row["metric"]: row
        for row in measure_workout(workout).results.to_pylist()
        if row["reference"] is None
    }
    assert rows["distance_own_m"]["value"] is None
    assert "nothing to divide by" in rows["distance_own_m"]["reason"]
    assert len(rows) > 1


def test_pairs_hold_both_sides_second_by_second() -> None:
    workout = make_workout(
        Device(id="watch", name="Watch", role="test"),
        Device(id="strap", name="Strap", role="reference", heart_rate="ecg"),
    )
    pairs = measure_workout(workout).pairs.to_pylist()
    seen = [
        (row["recording_id"], row["reference_recording_id"], row["heart_rate_reference_bpm"])
        for row in pairs
    ]
    assert seen == [("watch", "strap", value) for value in (100.0, 101.0, 102.0)]


# --- which value counts -----------------------------------------------------------------------
LENGTHS = {
    "length": [1, 2],
    "start_utc": [START_S * 1_000_000, (START_S + 30) * 1_000_000],
    "end_utc": [(START_S + 30) * 1_000_000, (START_S + 60) * 1_000_000],
    "elapsed_s": [30.0, 30.0],
    "length_kind": ["active", "active"],
    "swim_stroke": ["freestyle", "freestyle"],
}


def swim(names: tuple[str, str, str]) -> Workout:
    """One device under test and two others; the second of these counted a length less."""
    case = make_example(
        test={"heart_rate_bpm": [100.0] * 61}, activity="swimming", tables={"lengths": LENGTHS}
    )
    (own,) = case.workout.subjects
    roles: tuple[Role, ...] = ("test", "predecessor", "peer")
    subjects = []
    for number, (name, role) in enumerate(zip(names, roles, strict=True)):
        recording = own.recording
        if role == "peer":
            recording = replace(recording, lengths=recording.lengths.slice(0, 1))
        device = Device(id=name, name=name, role=role)
        subjects.append(replace(own, recording_id=f"r{number}", device=device, recording=recording))
    return replace(case.workout, subjects=tuple(subjects), memo={})


def test_renaming_a_device_changes_no_value_and_no_rank() -> None:
    def ask(names: tuple[str, str, str]) -> list[tuple[object, ...]]:
        columns = ("recording_id", "segment", "metric", "reference_rank", "is_main", "value")
        rows = measure_workout(swim(names)).results.select(columns).to_pylist()
        return sorted(tuple(str(row[name]) for name in columns) for row in rows)

    first = ask(("watch", "amber", "zinc"))
    assert any("swim_lengths_error" in row and "2" in row for row in first)
    assert ask(("watch", "zinc", "amber")) == first
    assert ask(("zzz", "watch", "amber")) == first


def test_one_value_of_a_recording_segment_and_metric_counts() -> None:
    notes = Notes(datetime.fromtimestamp(START_S, UTC), truth=Truth(distance_m=300.0))
    watch = Device(id="watch", name="Watch", role="test")
    computer = Device(id="computer", name="Computer", role="reference")
    workout = make_workout(watch, computer, notes=notes, distance_m=[0.0, 100.0, 300.0])
    rows = measure_workout(workout).results.to_pylist()
    own = [
        (row["reference"], row["reference_kind"], row["reference_rank"], row["is_main"])
        for row in rows
        if (row["device_id"], row["metric"]) == ("watch", "distance_error_pct")
    ]
    assert own == [("truth", "truth", 1, True), ("computer", "device", 2, False)]


def test_a_difference_from_a_device_that_is_no_reference_is_no_main_value() -> None:
    workout = make_workout(Device(id="a", name="A"), Device(id="b", name="B"))
    rows = measure_workout(workout).results.to_pylist()
    row = next(row for row in rows if (row["device_id"], row["metric"]) == ("a", "hr_mae_bpm"))
    assert (row["value"], row["reference_kind"], row["is_main"]) == (0.0, "comparison", False)


# --- who judges whom --------------------------------------------------------------------------
STRAP = Device(id="strap", name="Strap", role="reference", site="chest", heart_rate="ecg")
WATCH = Device(id="watch", name="Watch", role="test", site="wrist")
OLD_WATCH = Device(id="old", name="Old", role="predecessor", site="wrist")
MOVING = {"heart_rate_bpm": [100.0, 110.0, 120.0], "speed_mps": [3.0, 3.1, 3.2]}


def test_foot_pod_inside_a_strap_is_no_reference_for_speed() -> None:
    workout = make_workout(WATCH, STRAP, **MOVING)
    (heart,) = choose_references(workout, find(workout, "watch"), "heart_rate").references
    assert (heart.name, heart.kind) == ("strap", "device")
    chosen = choose_references(workout, find(workout, "watch"), "speed")
    assert (chosen.references, chosen.reason) == (
        (),
        "no other device of this workout recorded speed",
    )
    # Said in devices.toml it is one.
    trusted = STRAP.model_copy(update={"reference_for": ("heart_rate", "distance")})
    workout = make_workout(WATCH, trusted, **MOVING)
    (speed,) = choose_references(workout, find(workout, "watch"), "speed").references
    assert (speed.name, speed.kind) == ("strap", "device")


def test_foot_pod_inside_a_strap_is_no_part_of_a_consensus() -> None:
    workout = make_workout(WATCH, OLD_WATCH, STRAP, **MOVING)
    (speed,) = choose_references(workout, find(workout, "watch"), "speed").references
    assert (speed.name, speed.kind) == ("old", "comparison")


def test_reference_device_is_not_judged_by_what_it_judges() -> None:
    computer = Device(
        id="computer", name="Computer", role="reference", reference_for=("distance", "altitude")
    )
    places: dict[str, object] = {
        "latitude_deg": [48.0, 48.0001, 48.0002],
        "longitude_deg": [11.0, 11.0, 11.0],
        "distance_m": [0.0, 11.0, 22.0],
    }
    workout = make_workout(WATCH, OLD_WATCH, computer, **places)
    for kind in ("position", "speed", "distance", "heart_rate"):
        chosen = choose_references(workout, find(workout, "computer"), kind)  # type: ignore[arg-type]
        assert chosen.references == ()
    rows = measure_workout(workout).findings.to_pylist()
    assert not [row for row in rows if row["device_id"] == "computer"]
    # It is judged by what is worth more.
    notes = Notes(datetime.fromtimestamp(START_S, UTC), truth=Truth(distance_m=20.0))
    judged = replace(workout, notes=notes, memo={})
    (truth,) = choose_references(judged, find(judged, "computer"), "distance").references
    assert truth.kind == "truth"


def test_watches_that_do_not_agree_are_no_reference() -> None:
    """One of them has no barometer that works: it climbed nothing where the other climbed 600 m."""
    steps = np.arange(601, dtype=np.float64)
    workout = make_workout(WATCH, OLD_WATCH, Device(id="peer", name="Peer"), altitude_m=steps)
    flat = replace(find(workout, "peer"), on_grid={"altitude_m": np.full(601, 5.0)})
    # Barometers of their own: equal heights would be one signal.
    own = {"altitude_m": steps + 0.2 * np.sin(np.arange(601))}
    worn = {"peer": flat, "old": replace(find(workout, "old"), on_grid=own)}
    workout = replace(
        workout,
        subjects=tuple(worn.get(one.device.id, one) for one in workout.subjects),
        memo={},
    )
    (against,) = choose_references(workout, find(workout, "watch"), "altitude").references
    assert (against.name, against.kind) == ("old", "comparison")
    assert "old, peer do not agree: they climbed 0 to 600 m" in against.why
    # Two that agree are one, and what disagrees with them is judged by them.
    (consensus,) = choose_references(workout, flat, "altitude").references
    assert consensus.kind == "consensus"


def test_nothing_is_found_fault_with_by_a_device_that_is_no_reference() -> None:
    right = 150.0 + np.arange(400) % 3
    wrong = np.where(np.arange(400) < 200, right, right - 50)
    workout = make_workout(WATCH, OLD_WATCH, heart_rate_bpm=right)
    watch = replace(find(workout, "watch"), on_grid={"heart_rate_bpm": wrong})
    suspects = replace(workout, subjects=(watch, *workout.subjects[1:]), memo={})
    assert measure_workout(suspects).findings.num_rows == 0
    known = replace(suspects.subjects[1], device=STRAP)
    judged = replace(suspects, subjects=(watch, known), memo={})
    kinds = measure_workout(judged).findings.column("kind").to_pylist()
    assert "biased_stretch" in kinds


def test_two_references_that_disagree_are_reported_as_a_row() -> None:
    """The watch agrees with the bike computer; the notes say 15 % more than both."""
    way = np.linspace(0.0, 8500.0, 1001)
    computer = Device(id="computer", name="Computer", role="reference")

    def report(distance_m: float) -> list[tuple[object, ...]]:
        truth = Truth(distance_m=distance_m, distance_tolerance_pct=0.5)
        notes = Notes(datetime.fromtimestamp(START_S, UTC), truth=truth)
        workout = make_workout(WATCH, computer, notes=notes, distance_m=way)
        rows = measure_workout(workout).findings.to_pylist()
        return [
            (row["device_id"], row["kind"], row["reference"], round(row["size"], 1), row["note"])
            for row in rows
        ]

    note = (
        "-15.0 % against the notes and +0.0 % against computer, which together may be off by "
        "2.5 %: one is wrong"
    )
    assert report(10_000.0) == [("watch", "references_disagree", "computer", 15.0, note)]
    assert report(8600.0) == []
