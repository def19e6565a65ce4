"""One clean form: what is sorted, merged, bounded and counted, and what stays untouched."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tasks.core.errors import NothingRecordedError
from tasks.core.recording import Header, Recording, Remark
from tasks.normalise import normalise_recording
from tasks.tables.arrow import make_empty, make_table, read_floats, read_micros
from tasks.tables.tables import BATTERY, BEATS, EVENTS, LAPS, LENGTHS, SAMPLES

if TYPE_CHECKING:
    from collections.abc import Mapping

START_S = 1_750_000_000


def make_recording(
    samples: Mapping[str, Any], *, at: list[float] | None = None, **tables: Mapping[str, Any]
) -> Recording:
    """Build a recording; `at` are the samples' times [s after the start], one per second if not."""
    n = max((len(values) for values in samples.values()), default=len(at or []))
    stamps = [round((START_S + s) * 1e6) for s in (range(n) if at is None else at)]
    others = {
        table.name: make_table(table, tables[table.name])
        if table.name in tables
        else make_empty(table)
        for table in (LAPS, LENGTHS, BEATS, BATTERY, EVENTS)
    }
    wrong = datetime(1999, 1, 1, tzinfo=UTC)
    return Recording(
        header=Header("fit", "reader"),
        start_utc=wrong,
        end_utc=wrong,
        samples=make_table(SAMPLES, {"time_utc": stamps, **samples}),
        **others,
    )


def read(recording: Recording, name: str) -> list[float | None]:
    return [None if np.isnan(v) else v for v in read_floats(recording.samples, name).tolist()]


def test_samples_are_sorted_and_the_span_is_found_again() -> None:
    clean = normalise_recording(
        make_recording({"heart_rate_bpm": [3.0 + 100, 101, 102]}, at=[2, 0, 1.5])
    )
    assert read(clean, "heart_rate_bpm") == [101, 102, 103]
    assert clean.start_utc == datetime.fromtimestamp(START_S, tz=UTC)
    assert clean.end_utc == datetime.fromtimestamp(START_S + 2, tz=UTC)
    assert clean.remarks == ()


def test_the_first_known_value_of_a_doubled_stamp_counts() -> None:
    clean = normalise_recording(
        make_recording(
            {
                "heart_rate_bpm": [100, None, 111, 120],
                "power_w": [None, 200, 201, 300],
            },
            at=[0, 1, 1, 2],
        )
    )
    assert read(clean, "heart_rate_bpm") == [100, 111, 120]
    assert read(clean, "power_w") == [None, 200, 300]
    assert [(r.count, "merged" in r.text) for r in clean.remarks] == [(1, True)]


def test_an_impossible_value_does_not_win_over_a_possible_one_at_the_same_instant() -> None:
    clean = normalise_recording(make_recording({"heart_rate_bpm": [612, 140]}, at=[0, 0]))
    assert read(clean, "heart_rate_bpm") == [140]


def test_values_outside_the_range_of_their_column_are_missing_and_counted_by_cause() -> None:
    clean = normalise_recording(
        make_recording({"heart_rate_bpm": [0, 0, 612, 20, 255, 19.9], "speed_mps": [-1.0] * 6})
    )
    assert read(clean, "heart_rate_bpm") == [None, None, None, 20, 255, None]
    assert Remark("values of heart_rate_bpm were 0 (no value) and set to missing", 2) in (
        clean.remarks
    )
    assert (
        Remark("values of heart_rate_bpm were outside 20 to 255 bpm and set to missing", 2)
        in clean.remarks
    )
    assert (
        Remark("values of speed_mps were outside 0 to 45 m/s and set to missing", 6)
        in clean.remarks
    )


def test_infinity_is_no_value() -> None:
    clean = normalise_recording(make_recording({"altitude_m": [np.inf, -np.inf, 10.0]}))
    assert read(clean, "altitude_m") == [None, None, 10]


def test_longitudes_lie_from_minus_180_to_below_180_and_others_keep_every_bit() -> None:
    given_deg = [180.0, 190.0, -180.0, 11.123456789012345, 400.0]
    clean = normalise_recording(
        make_recording({"latitude_deg": [1.0] * 5, "longitude_deg": given_deg})
    )
    assert read(clean, "longitude_deg") == [-180, -170, -180, 11.123456789012345, None]


def test_a_position_is_whole_or_missing_and_0_0_is_none() -> None:
    clean = normalise_recording(
        make_recording(
            {
                "latitude_deg": [0.0, 0.0, 95.0, None, 47.0],
                "longitude_deg": [0.0, 9.0, 9.0, 9.0, 9.0],
                "heart_rate_bpm": [100] * 5,
            }
        )
    )
    assert read(clean, "latitude_deg") == [None, 0, None, None, 47]
    assert read(clean, "longitude_deg") == [None, 9, None, None, 9]


def test_one_coordinate_alone_is_no_position() -> None:
    clean = normalise_recording(make_recording({"latitude_deg": [47.0], "power_w": [1.0]}))
    assert read(clean, "latitude_deg") == [None]


def test_a_few_samples_on_another_date_are_left_out() -> None:
    at = [-86_400.0 * 400, *[float(s) for s in range(20)]]
    clean = normalise_recording(make_recording({"heart_rate_bpm": [100] * 21}, at=at))
    assert clean.samples.num_rows == 20
    assert clean.start_utc == datetime.fromtimestamp(START_S, tz=UTC)
    assert clean.remarks[0].count == 1


def test_half_a_recording_on_another_date_is_kept() -> None:
    at = [0.0, 1.0, 200_000.0, 200_001.0]
    clean = normalise_recording(make_recording({"heart_rate_bpm": [100] * 4}, at=at))
    assert clean.samples.num_rows == 4


def test_pieces_are_numbered_from_zero_in_the_order_of_time() -> None:
    clean = normalise_recording(
        make_recording({"heart_rate_bpm": [100] * 4, "piece": [7, 7, 3, 3]}, at=[10, 11, 0, 1])
    )
    assert read(clean, "piece") == [0, 0, 1, 1]


def test_pieces_that_overlap_in_time_count_as_one() -> None:
    clean = normalise_recording(
        make_recording({"heart_rate_bpm": [100] * 4, "piece": [0, 0, 1, 1]}, at=[0, 2, 1, 3])
    )
    assert read(clean, "piece") == [0, 0, 0, 0]
    assert "overlap" in clean.remarks[0].text


def test_pieces_come_from_the_timer_when_the_export_has_none() -> None:
    events = {
        "time_utc": [round((START_S + s) * 1e6) for s in (0, 2, 2, 5, 9)],
        "event": ["timer"] * 5,
        "event_kind": ["start", "stop", "stop_all", "start", "stop_all"],
    }
    clean = normalise_recording(
        make_recording({"heart_rate_bpm": [100] * 5}, at=[0, 1, 2, 5, 6], events=events)
    )
    assert read(clean, "piece") == [0, 0, 0, 1, 1]


def test_a_pool_swim_may_have_lengths_only() -> None:
    lengths = {
        "length": [1, 0],
        "start_utc": [(START_S + 30) * 10**6, START_S * 10**6],
        "end_utc": [(START_S + 60) * 10**6, (START_S + 30) * 10**6],
    }
    clean = normalise_recording(make_recording({}, lengths=lengths))
    assert clean.samples.num_rows == 0
    assert clean.lengths.column("length").to_pylist() == [0, 1]
    assert clean.end_utc == datetime.fromtimestamp(START_S + 60, tz=UTC)


@pytest.mark.parametrize(
    "samples",
    [{}, {"heart_rate_bpm": [None, None]}, {"heart_rate_bpm": [0, 0]}],
    ids=["no rows", "no values", "only impossible values"],
)
def test_a_recording_of_nothing_is_refused(samples: Mapping[str, Any]) -> None:
    with pytest.raises(NothingRecordedError, match=r"run\.fit: no sample"):
        normalise_recording(make_recording(samples), name="run.fit")


def test_battery_readings_before_the_start_do_not_stretch_the_span() -> None:
    battery = {"time_utc": [(START_S - 500) * 10**6], "battery_pct": [90.0]}
    clean = normalise_recording(make_recording({"heart_rate_bpm": [100]}, battery=battery))
    assert clean.start_utc == datetime.fromtimestamp(START_S, tz=UTC)
    assert clean.battery.num_rows == 1


def test_beats_that_share_an_instant_stay_apart() -> None:
    beats = {"time_utc": [START_S * 10**6] * 2, "rr_s": [0.8, 0.9]}
    clean = normalise_recording(make_recording({"heart_rate_bpm": [100]}, beats=beats))
    assert clean.beats.column("rr_s").to_pylist() == [0.8, 0.9]


SAMPLE = st.tuples(
    st.integers(0, 5_000_000),
    st.floats(allow_nan=True, allow_infinity=True),
    st.floats(-100, 100),
    st.floats(-400, 400),
)


@given(st.lists(SAMPLE, min_size=1, max_size=30))
def test_normalising_twice_changes_nothing(rows: list[tuple[int, float, float, float]]) -> None:
    recording = make_recording(
        {
            "heart_rate_bpm": [row[1] for row in rows],
            "latitude_deg": [row[2] for row in rows],
            "longitude_deg": [row[3] for row in rows],
            "power_w": [1.0] * len(rows),
        },
        at=[row[0] / 1e6 for row in rows],
    )
    once = normalise_recording(recording)
    twice = normalise_recording(once)
    assert twice == once
    times = read_micros(once.samples)
    assert (np.diff(times) > 0).all()
    assert set(times) == set(read_micros(recording.samples))


@given(st.permutations(range(6)))
def test_the_order_of_the_rows_does_not_matter(order: list[int]) -> None:
    def build(places: list[int]) -> Recording:
        return make_recording(
            {"heart_rate_bpm": [100.0 + place for place in places]},
            at=[float(place) for place in places],
        )

    assert normalise_recording(build(order)) == normalise_recording(build(list(range(6))))


def test_heights_that_stand_for_none_are_left_out() -> None:
    clean = normalise_recording(make_recording({"altitude_m": [-500.0, -500.0, 412.0]}))
    assert read(clean, "altitude_m") == [None, None, 412.0]
    flat = make_recording({"altitude_m": [0.0, 0.0, 0.0], "speed_mps": [3.0, 3.0, 3.0]})
    clean = normalise_recording(flat)
    assert read(clean, "altitude_m") == [None, None, None]
    assert any("0 m throughout" in remark.text for remark in clean.remarks)
