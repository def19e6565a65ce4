"""Automatic pauses of a second hand: gaps in a CSV or FIT export without any timer event."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pytest

from config.settings import load_settings
from tasks.core.discovery import load_metrics
from tasks.core.registers import FINDING_KINDS, METRICS
from tasks.normalise import normalise_recording
from tasks.workout.case import Case, Segment, Workout
from tests.unit.align.test_workout import align
from tests.unit.walks import METRES_PER_DEGREE, Walk, record

if TYPE_CHECKING:
    from tasks.core.recording import Recording

N = 3600
CHANNELS = "latitude_deg longitude_deg distance_m heart_rate_bpm"


def ride(stops: list[tuple[int, int]], *, counts_on: bool = False) -> Walk:
    """A ride at 5 m/s that stands still in `stops`; with `counts_on` it does not, after all."""
    speed = np.full(N, 5.0)
    for begin, end in stops:
        speed[begin:end] = 5.0 if counts_on else 0.0
    way = np.cumsum(speed)
    rng = np.random.default_rng(4)
    return Walk(
        {
            "latitude_deg": 47 + way / METRES_PER_DEGREE,
            "longitude_deg": np.full(N, 8.0),
            "distance_m": way,
            "heart_rate_bpm": 130 + 10 * np.sin(np.arange(N) / 90) + rng.normal(0, 0.3, N),
        }
    )


def leave_out(recording: Recording, stops: list[tuple[int, int]], *, stands: bool) -> Recording:
    """Take the samples of the stops out; with `stands` the counter misses what was covered."""
    seconds = np.arange(N)
    kept = np.ones(N, dtype=bool)
    for begin, end in stops:
        kept &= (seconds < begin) | (seconds >= end)
    samples = recording.samples.filter(pa.array(kept))
    if stands:
        counter = samples.column("distance_m").to_numpy()
        lost = np.concatenate([[0.0], np.where(np.diff(seconds[kept]) > 5, np.diff(counter), 0)])
        at = samples.column_names.index("distance_m")
        samples = samples.set_column(
            at, samples.schema.field(at), pa.array(counter - np.cumsum(lost))
        )
    return normalise_recording(replace(recording, samples=samples))


def make_case(watch: Recording, other: Recording) -> Case:
    load_metrics()
    aligned = align({"watch": watch, "other": other})
    subject = next(one for one in aligned.subjects if one.recording_id == "watch")
    workout = Workout(
        "w", aligned.grid, "cycling", "outdoors", aligned.subjects, None, load_settings()
    )
    return Case(workout, subject, None, Segment("all", subject.covered))


STOPS = [(300 * k, 300 * k + 40) for k in range(1, 12)]


def test_automatic_pauses_are_no_dropouts_and_no_lost_positions() -> None:
    whole = ride(STOPS)
    watch = leave_out(record(whole, CHANNELS, seed=None), STOPS, stands=False)
    case = make_case(watch, normalise_recording(record(whole, CHANNELS, seed=None)))
    assert any("automatic pauses" in remark.text for remark in watch.remarks)
    assert case.test.paused.sum() == pytest.approx(sum(end - begin for begin, end in STOPS), abs=11)
    for kind in ("dropout", "position_gap", "false_pause"):
        assert FINDING_KINDS[kind].detect(case) == []
    assert METRICS["pause_moving_s"].compute(case).value == 0


def test_a_pause_in_which_the_others_moved_is_reported_with_what_it_cost() -> None:
    stops = [(1200, 1500)]
    moving = ride(stops, counts_on=True)
    watch = leave_out(record(moving, CHANNELS, seed=None), stops, stands=True)
    case = make_case(watch, normalise_recording(record(moving, CHANNELS, seed=None)))
    (found,) = FINDING_KINDS["false_pause"].detect(case)
    assert found.size == pytest.approx(300, abs=4)
    assert METRICS["pause_moving_m"].compute(case).value == pytest.approx(1500, abs=20)


def test_a_gap_while_the_counter_went_on_stays_a_dropout() -> None:
    stops = [(1200, 1300)]
    moving = ride(stops, counts_on=True)
    watch = leave_out(record(moving, CHANNELS, seed=None), stops, stands=False)
    case = make_case(watch, normalise_recording(record(moving, CHANNELS, seed=None)))
    (dropout,) = FINDING_KINDS["dropout"].detect(case)
    assert dropout.size == pytest.approx(100, abs=2)
    assert METRICS["pause_moving_s"].compute(case).value == 0
