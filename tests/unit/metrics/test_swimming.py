"""Pool swims on small recordings: against notes, against devices, parts, rests, confusion."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pytest

from tasks.align.gridding import carry_to_grid
from tasks.core.discovery import load_metrics
from tasks.core.notes import NamedSegment, Notes, Truth
from tasks.metrics.swimming import counting, heart_rate, rests, strokes
from tasks.metrics.swimming.compared import START_S, concerns_swimming, make_swim
from tasks.processing.measure import measure_workout
from tasks.tables.arrow import make_table
from tasks.tables.tables import BEATS
from tasks.workout.case import Case, make_example, refer_to
from tasks.workout.references import choose_references

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from tasks.core.registers import Value

load_metrics()
START_UTC = datetime.fromtimestamp(START_S, tz=UTC)


def note(*segments: NamedSegment, **truth: Any) -> Notes:  # noqa: ANN401
    return Notes(start_utc=START_UTC, truth=Truth(**truth), segments=segments)


def make_pair(own: Sequence[int], other: Sequence[int], **facts: Any) -> Case:  # noqa: ANN401
    """Two devices in one pool; `facts` are of the first, with `other_` before them of the second.

    The second must not have recorded for longer than the first.
    """
    theirs = {
        key.removeprefix("other_"): value
        for key, value in facts.items()
        if key.startswith("other_")
    }
    mine = {key: value for key, value in facts.items() if not key.startswith("other_")}
    case = make_example(**make_swim(own, **mine))
    second = make_example(**make_swim(other, **theirs)).test
    device = second.device.model_copy(update={"id": "second"})
    n_seconds = case.workout.grid.n_seconds
    covered = np.arange(n_seconds) < second.covered.size
    second = replace(second, recording_id="second", device=device, covered=covered)
    workout = replace(case.workout, subjects=(case.test, second), memo={})
    return replace(
        case, workout=workout, reference=refer_to(second, "device", why="the other"), memo={}
    )


def test_against_a_device_missed_and_split_lengths_are_counted_apart() -> None:
    case = make_pair((30, 60, 30, 15, 15, 30), (30, 30, 30, 30, 30, 30))
    assert counting.swim_lengths_error(case).value == 0.0
    assert counting.swim_missed_lengths(case).value == 1.0
    assert counting.swim_split_lengths(case).value == 1.0


def test_swapping_the_devices_flips_the_error_and_swaps_the_miscounts() -> None:
    own, other = (30, 60, 30, 30), (30, 30, 30, 30, 30)
    there, back = make_pair(own, other), make_pair(other, own)
    assert counting.swim_lengths_error(there).value == -1.0
    assert counting.swim_lengths_error(back).value == 1.0
    assert counting.swim_missed_lengths(there).value == counting.swim_split_lengths(back).value


def test_what_was_swum_while_the_other_device_was_off_is_not_held_against_one() -> None:
    # A recording of the examples ends with its lengths: here the other one after four.
    case = make_pair((30,) * 6, (30,) * 4)
    assert counting.swim_lengths_error(case).value == 0.0


def test_yards_are_exact() -> None:
    # 25 yd = 22.86 m exactly; 40 lengths are 914.4 m.
    notes = note(lengths=40, pool_length_m=22.86)
    case = make_example(**make_swim((30,) * 40, pool_m=22.86, notes=notes))
    assert counting.swim_distance_error_pct(case).value == pytest.approx(0.0, abs=1e-12)


def test_three_centimetres_of_a_pool_are_a_tenth_of_a_percent() -> None:
    # Facility rules 2009-2013: up to 0.03 m more per end; 1,500 m become 1,501.8 m.
    notes = note(lengths=60, pool_length_m=25.03)
    assert notes.truth.known_distance_m == pytest.approx(1501.8)
    case = make_example(**make_swim((30,) * 60, notes=notes))
    found = counting.swim_distance_error_pct(case).value
    assert found == pytest.approx(-100.0 * 1.8 / 1501.8)


def test_the_devices_own_total_counts_before_lengths_times_pool() -> None:
    notes = note(lengths=4, pool_length_m=25.0)
    case = make_example(**make_swim((30,) * 4, notes=notes, distance_m=120.0))
    assert counting.swim_distance_error_pct(case).value == pytest.approx(20.0)


def test_notes_without_a_count_say_what_is_lacking() -> None:
    found = counting.swim_lengths_error(
        make_example(**make_swim((30,) * 4, notes=note(strokes=("freestyle",))))
    )
    assert found.reason == "the notes do not count the lengths (truth.lengths)"


def test_a_part_is_held_against_the_distance_that_the_notes_give_it() -> None:
    part = NamedSegment("set 1", from_s=0.0, to_s=90.0, distance_m=100.0)
    notes = note(part, lengths=7, pool_length_m=25.0)
    # One turn in the first 90 s was missed: three lengths for four.
    case = make_example(**make_swim((30, 30, 30, 30, 30, 30), notes=notes))
    rows = find_rows(case, "set 1")
    assert rows["swim_lengths"] == 3.0
    assert rows["swim_lengths_error"] == -1.0
    assert rows["swim_missed_lengths"] is None


def find_rows(case: Case, segment: str, reference: str = "truth") -> dict[str, float | None]:
    return {
        row["metric"]: row["value"]
        for row in measure_workout(case.workout).results.to_pylist()
        if row["segment"] == segment
        and row["reference"] in {reference, None}
        and row["recording_id"] == "test"
    }


def test_the_confusion_table_stands_in_the_parts_of_one_stroke_each() -> None:
    words = ("freestyle",) * 3 + ("backstroke",) * 3
    read = ("freestyle", "butterfly", "freestyle", "backstroke", "backstroke", "freestyle")
    notes = note(lengths=6, strokes=words)
    case = make_example(**make_swim((30,) * 6, stroke=read, notes=notes))
    free, back = find_rows(case, "stroke:freestyle"), find_rows(case, "stroke:backstroke")
    assert free["swim_read_as_freestyle_lengths"] == 2.0
    assert free["swim_read_as_butterfly_lengths"] == 1.0
    assert back["swim_read_as_backstroke_lengths"] == 2.0
    assert back["swim_read_as_freestyle_lengths"] == 1.0
    assert free["swim_stroke_type_match_pct"] == pytest.approx(200.0 / 3.0)
    assert find_rows(case, "all")["swim_stroke_type_match_pct"] == pytest.approx(400.0 / 6.0)


def test_a_missed_turn_does_not_shift_the_strokes_that_follow() -> None:
    words = ("freestyle",) * 4 + ("backstroke",) * 4
    notes = note(lengths=8, strokes=words)
    read = ("freestyle",) * 3 + ("backstroke",) * 4
    case = make_example(**make_swim((30, 60, 30, 30, 30, 30, 30), stroke=read, notes=notes))
    assert strokes.swim_stroke_type_match_pct(case).value == 100.0
    assert strokes.find_misread_strokes(case) == []


def test_a_misread_length_is_a_finding_with_its_time() -> None:
    notes = note(lengths=3, strokes=("freestyle",))
    read = ("freestyle", "drill", "freestyle")
    (found,) = strokes.find_misread_strokes(
        make_example(**make_swim((30,) * 3, stroke=read, notes=notes))
    )
    assert (found.start_s, found.end_s) == (START_S + 30, START_S + 60)
    assert found.note == "freestyle read as drill"


def test_a_peer_that_reads_another_stroke_is_no_reason_for_blame() -> None:
    case = make_pair((30,) * 3, (30,) * 3, stroke="freestyle", other_stroke="drill")
    assert strokes.swim_stroke_type_match_pct(case).value == 0.0
    assert strokes.find_misread_strokes(case) == []


def test_doubled_stroke_counts_are_another_convention() -> None:
    case = make_pair((30,) * 3, (30,) * 3, strokes=18, other_strokes=9)
    found = counting.swim_strokes_error_pct(case)
    assert found.reason == "about twice as many strokes: one counts arms, the other cycles"
    case = make_pair((30,) * 3, (30,) * 3, strokes=18, other_strokes=20)
    assert counting.swim_strokes_error_pct(case).value == pytest.approx(-10.0)


def test_rests_that_the_other_device_recorded_are_found_or_not() -> None:
    # Second device: rests after 2 and 4; the first one overlooks the later one.
    case = make_pair((30, 30, 30, 60, 30, 30), (30,) * 6, rest_after=(2,), other_rest_after=(2, 4))
    assert rests.swim_rests_found_pct(case).value == 50.0
    assert rests.swim_rests(case).value == 1.0
    assert rests.swim_longest_stretch_lengths(case).value == 4.0


def test_rests_as_rows_and_as_gaps_are_the_same() -> None:
    rows = make_example(**make_swim((30,) * 6, rest_after=(2, 4)))
    gaps = make_example(**make_swim((30,) * 6, rest_after=(2, 4), idle_rows=False))
    for metric in (rests.swim_rests, rests.swim_rest_s, counting.swim_pace_s_per_100m):
        assert metric(rows).value == metric(gaps).value


def test_a_device_without_lengths_borrows_the_push_offs_of_another() -> None:
    case = make_pair((30,) * 4, (30,) * 4)
    rate = [120.0] * 121
    rate[32:41] = [None] * 9  # type: ignore[list-item] # a gap
    strap = make_example(test={"heart_rate_bpm": rate}).test
    workout = replace(case.workout, subjects=(strap, *case.workout.subjects), memo={})
    found = heart_rate.swim_hr_gaps_after_pushoff(
        replace(case, workout=workout, test=strap, reference=None, memo={})
    )
    assert found.value == 1.0


def test_beats_that_were_delivered_later_leave_no_gap() -> None:
    # The grid takes beats where samples have no heart rate: a swim of nothing but stored beats.
    case = make_example(**make_swim((30,) * 4, notes=None))
    micros = [START_S * 1_000_000 + n * 500_000 for n in range(240)]
    beats = make_table(
        BEATS,
        {
            "time_utc": micros,
            "rr_s": [0.5] * 240,
            "heart_rate_bpm": [120.0] * 240,
            "beat_source": ["hr"] * 240,
        },
    )
    samples = case.test.recording.samples
    silent = samples.set_column(
        samples.schema.get_field_index("heart_rate_bpm"),
        samples.schema.field("heart_rate_bpm"),
        pa.nulls(samples.num_rows, pa.float64()),
    )
    recording = replace(case.test.recording, samples=silent, beats=beats)
    on_grid = carry_to_grid(
        recording, case.workout.grid, offset_s=0.0, settings=case.settings.align
    )
    swimmer = replace(case.test, recording=recording, on_grid=on_grid)
    found = heart_rate.swim_hr_gaps(replace(case, test=swimmer, memo={}))
    assert found.value == 0.0


def test_notes_come_before_devices_as_the_reference() -> None:
    case = make_pair((30,) * 4, (30,) * 4, notes=note(lengths=4))
    chosen = choose_references(case.workout, case.test, "lengths")
    assert [reference.name for reference in chosen.references] == ["truth", "second"]
    alone = make_example(**make_swim((30,) * 4))
    chosen = choose_references(alone.workout, alone.test, "lengths")
    assert chosen.reason is not None


def test_a_ride_has_no_rows_about_lengths() -> None:
    ride = make_example(test={"speed_mps": [8.0] * 60}, activity="cycling")
    assert not concerns_swimming(ride)
    metrics = {row["metric"] for row in measure_workout(ride.workout).results.to_pylist()}
    assert metrics
    assert not any(metric.startswith("swim_") for metric in metrics)


@pytest.mark.parametrize(
    "metric",
    [
        counting.swim_lengths_error,
        counting.swim_missed_lengths,
        counting.swim_distance_error_pct,
        counting.swim_strokes_error_pct,
        strokes.swim_stroke_type_match_pct,
    ],
)
def test_a_swimmer_whose_device_holds_no_lengths_gets_a_reason(
    metric: Callable[[Case], Value],
) -> None:
    case = make_pair((30,) * 4, (30,) * 4)
    strap = make_example(test={"heart_rate_bpm": [120.0] * 121}).test
    found = metric(replace(case, test=replace(strap, recording_id="strap"), memo={}))
    assert found.value is None
    assert found.reason
