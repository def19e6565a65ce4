"""Against what: courses, consensus of positions and counters, and how sure each of them is."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pyarrow as pa
import pytest

from config.devices import Device
from tasks.core.discovery import load_metrics
from tasks.core.notes import Notes, Truth
from tasks.processing.measure import measure_workout
from tasks.workout.case import Subject, Workout, make_example
from tasks.workout.consensus import build_consensus
from tasks.workout.references import choose_references
from tests.unit.tracks import Floats, compute, measure, place, place_course, walk_stairs

load_metrics()
START = datetime.fromtimestamp(1_750_000_000, tz=UTC)
STAIRS = walk_stairs(10)


def make_workout(*tracks: tuple[Floats, Floats], **more: object) -> Workout:
    """Return a workout of peers a, b, c, ..., each with its track and a counter of its own."""
    channels = [
        {**place(*track), "distance_m": (np.arange(track[0].size) * 3.0 + 1000 * number).tolist()}
        for number, track in enumerate(tracks)
    ]
    case = make_example(test=channels[0], others=tuple(channels[1:]), **more)  # type: ignore[arg-type]
    subjects = tuple(
        replace(subject, device=Device(id=name, name=name), recording_id=name)
        for subject, name in zip(case.workout.subjects, "abcdefgh", strict=False)
    )
    return replace(case.workout, subjects=subjects, memo={})


def find(workout: Workout, name: str) -> Subject:
    return next(subject for subject in workout.subjects if subject.device.id == name)


def shift(east_m: float, north_m: float) -> tuple[Floats, Floats]:
    return STAIRS[0] + east_m, STAIRS[1] + north_m


def test_consensus_of_positions_is_no_part_of_the_device_that_it_judges() -> None:
    workout = make_workout(shift(500, 500), shift(0, 0), shift(2, 0), shift(0, 2))
    (reference,) = choose_references(workout, find(workout, "a"), "position").references
    assert reference.name == "consensus"
    assert reference.why == "geometric median of b, c, d"
    others = [find(workout, name) for name in "bcd"]
    expected = build_consensus(workout, others, "position").on_grid
    assert np.array_equal(reference.on_grid["latitude_deg"], expected["latitude_deg"])
    # A wild judge would have pulled the middle; 2 m are less than two hundred-thousandths.
    true = place(*STAIRS)
    apart = np.abs(reference.on_grid["latitude_deg"] - np.array(true["latitude_deg"]))
    assert apart.max() < 2e-5


def test_one_wild_device_among_three_moves_the_consensus_little() -> None:
    workout = make_workout(STAIRS, shift(1, 0), shift(-1, 0), shift(0, 300))
    (reference,) = choose_references(workout, find(workout, "a"), "position").references
    away = np.abs(reference.on_grid["latitude_deg"] - np.array(place(*STAIRS)["latitude_deg"]))
    # A mean would lie 100 m away, 9e-4 degrees.
    assert away.max() < 2e-5


def test_jump_of_one_device_is_left_out_of_the_consensus() -> None:
    jumped = (STAIRS[0].copy(), STAIRS[1].copy())
    jumped[1][60:66] += 400.0
    workout = make_workout(STAIRS, STAIRS, jumped)
    (reference,) = choose_references(workout, find(workout, "a"), "position").references
    # Of two devices the one that jumped is not believed, and one alone is no consensus.
    assert np.isnan(reference.on_grid["latitude_deg"][60:66]).all()
    assert np.isfinite(reference.on_grid["latitude_deg"]).sum() == STAIRS[0].size - 6


def test_consensus_says_how_sure_it_is() -> None:
    generator = np.random.default_rng(1)
    tracks = [
        (STAIRS[0] + generator.normal(0, 3, 201), STAIRS[1] + generator.normal(0, 3, 201))
        for _ in range(5)
    ]
    workout = make_workout(*tracks)
    (reference,) = choose_references(workout, find(workout, "a"), "position").references
    # Standard error of four devices: 3 sqrt(2) / 2 m; the median over the seconds is a little less.
    assert reference.uncertainty == pytest.approx(3 * np.sqrt(2) / 2, rel=0.15)


def test_counters_that_begin_anywhere_have_a_consensus() -> None:
    workout = make_workout(STAIRS, STAIRS, STAIRS, STAIRS)
    (reference,) = choose_references(workout, find(workout, "a"), "distance").references
    assert reference.name == "consensus"
    assert np.diff(reference.on_grid["distance_m"]) == pytest.approx(np.full(200, 3.0))
    assert reference.uncertainty == pytest.approx(0.0, abs=1e-9)


def test_counter_that_begins_late_does_not_step_the_consensus() -> None:
    workout = make_workout(STAIRS, STAIRS, STAIRS, STAIRS)
    late = find(workout, "d")
    counter = late.on_grid["distance_m"].copy()
    counter[:50] = np.nan
    subjects = tuple(
        replace(late, on_grid={**late.on_grid, "distance_m": counter}) if one is late else one
        for one in workout.subjects
    )
    workout = replace(workout, subjects=subjects, memo={})
    (reference,) = choose_references(workout, find(workout, "a"), "distance").references
    assert np.diff(reference.on_grid["distance_m"]) == pytest.approx(np.full(200, 3.0))


def test_reference_without_a_counter_counts_by_its_fixes() -> None:
    """Two exports with positions only: what many a newcomer drops first."""
    case = make_example(test=place(*STAIRS), reference=place(*STAIRS))
    workout = replace(case.workout, memo={})
    (reference,) = choose_references(workout, workout.subjects[0], "distance").references
    assert "the sum of its fixes" in reference.why
    # Two hundred steps of 3 m.
    assert reference.on_grid["distance_m"][-1] == pytest.approx(600.0, rel=1e-4)
    held = replace(case, workout=workout, reference=reference, memo={})
    assert measure("distance_summed_error_m", held) == pytest.approx(0.0, abs=1e-6)
    assert compute("distance_error_m", held).value is None


def test_course_comes_before_every_device_and_is_stated_with_its_uncertainty() -> None:
    course = place_course(*STAIRS)
    workout = make_workout(STAIRS, STAIRS, STAIRS, course=course)
    (position,) = choose_references(workout, find(workout, "a"), "position").references
    assert (position.name, position.uncertainty) == ("course:example", 2.0)
    distance = choose_references(workout, find(workout, "a"), "distance").references
    assert [one.name for one in distance] == ["course:example", "consensus"]
    # 0.1 % of 600 m.
    assert distance[0].uncertainty == pytest.approx(0.6, abs=0.001)


def test_truth_is_as_sure_as_the_notes_say() -> None:
    notes = Notes(START, truth=Truth(distance_m=8000.0, distance_tolerance_pct=0.5))
    workout = make_workout(STAIRS, notes=notes)
    truth = choose_references(workout, find(workout, "a"), "distance").references[0]
    assert (truth.name, truth.uncertainty) == ("truth", 40.0)


@pytest.mark.parametrize("where", ["treadmill", "trainer", "gym", "pool"])
def test_positions_indoors_are_never_compared(where: str) -> None:
    workout = make_workout(STAIRS, STAIRS, place=where, course=place_course(*STAIRS))
    choice = choose_references(workout, find(workout, "a"), "position")
    assert choice.references == ()
    assert where in (choice.reason or "")
    assert choose_references(workout, find(workout, "a"), "distance").references


def test_virtual_ride_is_not_held_against_a_course() -> None:
    workout = make_workout(
        STAIRS, course=place_course(*STAIRS), header={"position_kind": "virtual"}
    )
    for kind in ("position", "distance"):
        choice = choose_references(workout, find(workout, "a"), kind)  # type: ignore[arg-type]
        assert choice.references == ()
        assert "virtual" in (choice.reason or "")


def test_device_is_as_sure_as_it_says_itself() -> None:
    workout = make_workout(STAIRS, STAIRS)
    other = find(workout, "b")
    samples = other.recording.samples
    index = samples.column_names.index("position_accuracy_m")
    values = pa.array([4.0] * samples.num_rows, type=pa.float64())
    recording = replace(
        other.recording, samples=samples.set_column(index, samples.schema.field(index), values)
    )
    workout = replace(
        workout, subjects=(find(workout, "a"), replace(other, recording=recording)), memo={}
    )
    (reference,) = choose_references(workout, find(workout, "a"), "position").references
    assert (reference.name, reference.uncertainty) == ("b", 4.0)


def test_every_result_says_why_its_reference_and_how_sure_that_is() -> None:
    workout = make_workout(STAIRS, shift(1, 0), shift(0, 1))
    rows = measure_workout(workout).results.to_pylist()
    row = next(
        row for row in rows if row["metric"] == "track_cross_rms_m" and row["device_id"] == "a"
    )
    assert row["reference"] == "consensus"
    assert row["reference_why"] == "geometric median of b, c"
    # Two devices 1.41 m apart: half of that.
    assert row["reference_uncertainty"] == pytest.approx(np.sqrt(2) / 2, abs=0.01)
    alone = next(row for row in rows if row["metric"] == "track_first_fix_s")
    assert alone["reference_why"] is None
    assert alone["reference_uncertainty"] is None


# --- devices that come and go -----------------------------------------------------------------
def lose_often(workout: Workout, name: str, channels: tuple[str, ...]) -> Workout:
    """Let a device miss every other quarter of a minute."""
    device = find(workout, name)
    gone = (np.arange(workout.grid.n_seconds) // 15) % 2 == 1
    on_grid = {
        channel: np.where(gone, np.nan, values) if channel in channels else values
        for channel, values in device.on_grid.items()
    }
    lost = replace(device, on_grid=on_grid)
    subjects = tuple(lost if one is device else one for one in workout.subjects)
    return replace(workout, subjects=subjects, memo={})


def test_device_that_is_often_missing_is_no_part_of_a_consensus_of_enough_others() -> None:
    channels = ("latitude_deg", "longitude_deg")
    workout = lose_often(make_workout(STAIRS, STAIRS, shift(2, 0), shift(0, 30)), "d", channels)
    (reference,) = choose_references(workout, find(workout, "a"), "position").references
    assert reference.why == "geometric median of b, c"
    assert np.isfinite(reference.on_grid["latitude_deg"]).all()
    # Where it is needed to make two, it is taken.
    few = lose_often(make_workout(STAIRS, STAIRS, shift(2, 0)), "c", channels)
    (reference,) = choose_references(few, find(few, "a"), "position").references
    assert reference.why == "geometric median of b, c"


def test_consensus_of_heights_has_no_steps_where_levels_differ() -> None:
    way = np.arange(1200)
    shape = 20 * np.sin(way / 150)
    heights = [shape, shape + 60.0, shape - 40.0, shape + 15.0]
    heights[3] = heights[3].copy()
    heights[3][500:560] = np.nan
    case = make_example(
        test={"altitude_m": heights[0].tolist()},
        others=tuple({"altitude_m": one.tolist()} for one in heights[1:]),
    )
    consensus = build_consensus(case.workout, case.others, "altitude").on_grid["altitude_m"]
    # Level of the middle one of the three, and the shape of all.
    assert consensus == pytest.approx(shape + 15.0, abs=1e-6)


def test_corners_are_not_looked_for_in_a_consensus_that_is_not_sure() -> None:
    workout = make_workout(STAIRS, shift(8, 0), shift(-8, 0))
    rows = measure_workout(workout).results.to_pylist()
    row = next(
        row for row in rows if row["metric"] == "track_turn_retention" and row["device_id"] == "a"
    )
    assert row["value"] is None
    assert "the consensus is sure to" in row["reason"]
