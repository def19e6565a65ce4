"""Two references that cannot both be right are reported: of heart rate, and of an ascent."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from config.devices import Device
from tasks.core.notes import Notes, Truth
from tasks.processing.measure import measure_workout
from tasks.workout.case import Subject, Workout, make_example

START_S = 1_750_000_000
WATCH = Device(id="watch", name="Watch", role="test", site="wrist")
STRAP = Device(id="strap", name="Strap", role="reference", site="chest", heart_rate="ecg")
BAND = Device(id="band", name="Band", role="reference", site="arm", heart_rate="optical")
COMPUTER = Device(id="computer", name="Computer", role="reference")
OTHER = Device(id="other", name="Other", role="reference")


def make_workout(worn: dict[Device, dict[str, object]], notes: Notes | None = None) -> Workout:
    test, *others = worn.values()
    case = make_example(test=test, others=tuple(others), notes=notes)
    subjects: list[Subject] = [
        replace(subject, device=device, recording_id=device.id)
        for subject, device in zip(case.workout.subjects, worn, strict=True)
    ]
    return replace(case.workout, subjects=tuple(subjects), memo={})


def report(workout: Workout) -> list[tuple[object, ...]]:
    return [
        (row["device_id"], row["reference"], row["kind"], round(row["size"], 1), row["note"])
        for row in measure_workout(workout).findings.to_pylist()
        if row["kind"].endswith("references_disagree")
    ]


def climb(height_m: float, *, times: int) -> list[float]:
    """Return hills of one height, two minutes up and two down, between minutes on the level."""
    up = np.linspace(0.0, height_m, 120)
    hill = [*up, *[height_m] * 60, *up[::-1], *[0.0] * 60]
    return [*[0.0] * 60, *hill * times]


@pytest.mark.parametrize(("n_off", "is_reported"), [(400, True), (100, False)])
def test_two_references_of_heart_rate(n_off: int, is_reported: bool) -> None:  # noqa: FBT001
    """The band is 12 bpm low in some of 1,000 seconds; up to a fifth may be: agreed_pct is 80."""
    heart = 140.0 + 10 * np.sin(np.arange(1000) / 50)
    low = heart - 12.0 * (np.arange(1000) < n_off)
    worn = {device: {"heart_rate_bpm": heart} for device in (WATCH, STRAP)}
    found = report(make_workout({**worn, BAND: {"heart_rate_bpm": low}}))
    note = "within 5 bpm of strap in 60 % of 17 min; both are references: one is wrong"
    wanted = [("band", "strap", "heart_rate_references_disagree", -12.0, note)]
    assert found == (wanted if is_reported else [])
    # A watch that is no reference has errors, and contradicts nothing.
    watch = {WATCH: {"heart_rate_bpm": low}, STRAP: {"heart_rate_bpm": heart}}
    assert report(make_workout(watch)) == []


def test_two_references_of_an_ascent() -> None:
    """By hand: five hills of 40 m against five of 60 m; a tenth may be apart."""
    low, high = ({"altitude_m": climb(height, times=5)} for height in (40.0, 60.0))
    found = report(make_workout({WATCH: low, COMPUTER: low, OTHER: high}))
    ((device, reference, kind, size, _),) = found
    assert (device, reference, kind) == ("other", "computer", "ascent_references_disagree")
    assert size == pytest.approx(100.0, abs=10)
    assert report(make_workout({WATCH: low, COMPUTER: low, OTHER: low})) == []


@pytest.mark.parametrize(("true_m", "is_reported"), [(300.0, True), (210.0, False)])
def test_notes_that_contradict_the_reference_of_an_ascent(
    true_m: float,
    is_reported: bool,  # noqa: FBT001
) -> None:
    low = {"altitude_m": climb(40.0, times=5)}
    notes = Notes(datetime.fromtimestamp(START_S, UTC), truth=Truth(ascent_m=true_m))
    # Equal to the last digit they would be one signal.
    own = low["altitude_m"] + np.random.default_rng(1).normal(0.0, 0.3, len(low["altitude_m"]))
    found = report(make_workout({WATCH: low, COMPUTER: {"altitude_m": own}}, notes))
    assert [row[:3] for row in found] == (
        [("watch", "computer", "ascent_references_disagree")] if is_reported else []
    )
    if is_reported:
        assert str(found[0][4]).startswith("300 m by the notes, ")
        assert "by computer, which may differ by 20 m: one is wrong" in str(found[0][4])
