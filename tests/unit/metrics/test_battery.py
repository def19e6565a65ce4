"""Battery metrics on small recordings: sources, parts, sensors, charging, comparisons."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest

from tasks.core.notes import Notes
from tasks.metrics.battery import compare, use
from tasks.processing.measure import measure_workout
from tasks.tables.arrow import make_table
from tasks.tables.tables import BATTERY
from tasks.workout.case import Case, Segment, Workout, make_example, refer_to
from tasks.workout.references import choose_references

START_S = 1_750_000_000
#: One reading each ten minutes: 3 %/h between the changes to 89 and to 87 %.
FALLING = (90, 90, 89, 89, 88, 88, 87)


def make_battery(
    *levels: float | None,
    of: str = "recorder",
    source: str = "message 104",
    volts: float | None = None,
    every_s: int = 600,
) -> dict[str, Any]:
    return {
        "time_utc": [START_S * 1_000_000 + every_s * n * 1_000_000 for n in range(len(levels))],
        "battery_pct": list(levels),
        "battery_v": [volts] * len(levels),
        "battery_source": [source] * len(levels),
        "battery_of": [of] * len(levels),
    }


def join(*parts: dict[str, Any]) -> dict[str, Any]:
    return {key: [value for part in parts for value in part[key]] for key in parts[0]}


def make_case(
    *parts: dict[str, Any],
    hours: float = 1.0,
    setup: dict[str, float] | None = None,
    header: dict[str, Any] | None = None,
) -> Case:
    notes = None
    if setup is not None:
        notes = Notes(start_utc=datetime.fromtimestamp(START_S, tz=UTC), setup={"test": setup})
    return make_example(
        test={"heart_rate_bpm": [100.0] * (round(hours * 3600) + 1)},
        tables={"battery": join(*parts)} if parts else None,
        notes=notes,
        header=header,
    )


def with_device(case: Case, **facts: Any) -> Case:  # noqa: ANN401
    device = case.test.device.model_copy(update=facts)
    return replace(case, test=replace(case.test, device=device), memo={})


def cut(case: Case, first_s: int, last_s: int) -> Case:
    mask = np.zeros(case.workout.grid.n_seconds, dtype=np.bool_)
    mask[first_s:last_s] = True
    return case.for_segment(Segment("part", mask))


def test_readings_of_a_strap_are_never_taken_for_the_watchs() -> None:
    strap = make_battery(100, 99, 98, 97, 96, 95, 94, of="heart rate 12")
    alone = use.battery_rate_pct_per_h(make_case(strap))
    assert alone.value is None
    assert alone.reason is not None
    assert "recorder's battery" in alone.reason
    both = use.battery_rate_pct_per_h(make_case(strap, make_battery(*FALLING)))
    assert both.value == pytest.approx(3.0)


def test_the_source_with_most_readings_is_taken_alone() -> None:
    # device_info says 95 % at the start and at the end: another rounding, not another level.
    info = make_battery(95, 95, source="device_info", every_s=3600)
    found = use.battery_rate_pct_per_h(make_case(info, make_battery(*FALLING)))
    assert found.value == pytest.approx(3.0)
    assert found.n == len(FALLING)


def test_a_voltage_is_no_level() -> None:
    found = use.battery_rate_pct_per_h(make_case(make_battery(None, None, volts=3.9)))
    assert found.reason == "the recorder gives only the voltage of its battery"


def test_two_readings_give_a_rate_with_the_bounds_of_whole_percent() -> None:
    found = use.battery_rate_pct_per_h(make_case(make_battery(96, 92, every_s=3600)))
    assert (found.value, found.ci_low, found.ci_high) == pytest.approx((4.0, 3.0, 5.0))


def test_charging_on_the_way_gives_no_rate_even_with_notes() -> None:
    case = make_case(
        make_battery(50, 49, 60, 59), setup={"battery_start_pct": 50.0, "battery_end_pct": 49.0}
    )
    found = use.battery_rate_pct_per_h(case)
    assert found.value is None
    assert found.reason == "the level rises by more than one percent: it was charged meanwhile"


def test_notes_narrow_the_bounds_of_the_export() -> None:
    # Export: 3 %/h, 2.4 to 4. Notes: 90 to 87 % in an hour, 2 to 4; in five hours 75 to 90 etc.
    noted = {"battery_start_pct": 90.0, "battery_end_pct": 87.0}
    found = use.battery_rate_pct_per_h(make_case(make_battery(*FALLING), setup=noted))
    assert (found.value, found.ci_low, found.ci_high) == pytest.approx((3.0, 2.4, 4.0))
    noted = {"battery_start_pct": 91.0, "battery_end_pct": 87.5}
    found = use.battery_rate_pct_per_h(make_case(make_battery(*FALLING), setup=noted))
    # By hand: 3.5 %, 2.5 to 4.5; both together 2.5 to 4.
    assert (found.value, found.ci_low, found.ci_high) == pytest.approx((3.0, 2.5, 4.0))


def test_notes_that_contradict_the_export_are_a_finding_and_change_no_rate() -> None:
    noted = {"battery_start_pct": 90.0, "battery_end_pct": 70.0}
    case = make_case(make_battery(*FALLING), setup=noted)
    (found,) = use.find_contradiction(case)
    # By hand: 3 - 20 %/h.
    assert found.size == pytest.approx(-17.0)
    assert found.note == "export 2.40 to 4.00, notes 19.00 to 21.00"
    assert use.battery_rate_pct_per_h(case).value == pytest.approx(3.0)
    agreeing = {"battery_start_pct": 90.0, "battery_end_pct": 87.0}
    assert use.find_contradiction(make_case(make_battery(*FALLING), setup=agreeing)) == []


def test_one_level_in_the_notes_is_no_rate() -> None:
    found = use.battery_rate_pct_per_h(make_case(setup={"battery_start_pct": 90.0}))
    assert found.reason == "the notes give the battery's level at one end only"


def test_a_part_of_a_workout_has_the_rate_of_its_own_readings() -> None:
    # 3 %/h in the first hour, 6 %/h in the second.
    case = make_case(make_battery(*FALLING, 86, 85, 84, 83, 82, 81), hours=2.0)
    first = use.battery_rate_pct_per_h(cut(case, 0, 3601))
    second = use.battery_rate_pct_per_h(cut(case, 3600, 7201))
    assert first.value == pytest.approx(3.0)
    assert second.value == pytest.approx(6.0)


def test_notes_speak_of_the_whole_recording_only() -> None:
    case = make_case(setup={"battery_start_pct": 90.0, "battery_end_pct": 87.0})
    found = use.battery_rate_pct_per_h(cut(case, 0, 1800))
    assert found.reason == "the notes give the battery's level for the whole recording only"


def test_a_level_that_does_not_fall_has_no_projection_but_a_least_one() -> None:
    found = use.battery_projected_h(make_case(make_battery(50, 50, 50)))
    assert found.value is None
    # By hand: at most one percent in twenty minutes.
    assert found.reason == "the level did not fall; a full battery lasts at least 33 h"


def test_the_claim_is_compared_where_there_were_satellites() -> None:
    outdoors = make_case(make_battery(*FALLING), header={"position_kind": "gnss"})
    found = use.battery_vs_claim_pct(with_device(outdoors, claimed_gnss_hours=40.0))
    # By hand: 100 / 3 h of 40 h; bounds 25 h and 41.7 h.
    assert found.value == pytest.approx(100.0 * (100.0 / 3.0 / 40.0 - 1.0))
    assert found.ci_low == pytest.approx(-37.5)
    assert found.ci_high == pytest.approx(100.0 * (100.0 / 2.4 / 40.0 - 1.0))
    indoors = make_case(make_battery(*FALLING))
    found = use.battery_vs_claim_pct(with_device(indoors, claimed_gnss_hours=40.0))
    assert found.value is None
    assert use.battery_vs_claim_pct(outdoors).reason is not None


def make_pair(own: dict[str, Any], other: dict[str, Any]) -> Case:
    case = make_case(own)
    second = make_case(other).test
    second = replace(
        second,
        recording_id="second",
        device=second.device.model_copy(update={"id": "second"}),
    )
    workout = replace(case.workout, subjects=(case.test, second), memo={})
    return replace(
        case, workout=workout, reference=refer_to(second, "device", why="two units"), memo={}
    )


def test_two_units_in_two_settings_compare_with_the_bounds_of_both() -> None:
    # By hand: 3 (2.4 to 4) against 6 (5 to 7.5) between the middles of the reading intervals.
    case = make_pair(make_battery(*FALLING), make_battery(90, 89, 88, 87, 86, 85, 84))
    own = use.battery_rate_pct_per_h(case)
    other = use.battery_rate_pct_per_h(make_case(make_battery(90, 89, 88, 87, 86, 85, 84)))
    found = compare.battery_rate_difference_pct_per_h(case)
    assert other.value == pytest.approx(6.0)
    assert found.value == pytest.approx(-3.0)
    assert other.ci_high is not None
    assert other.ci_low is not None
    assert found.ci_low == pytest.approx((own.ci_low or 0) - other.ci_high)
    assert found.ci_high == pytest.approx((own.ci_high or 0) - other.ci_low)


def test_swapping_the_devices_flips_the_sign() -> None:
    one, other = make_battery(*FALLING), make_battery(80, 79, 78, 77, 76, 75, 74)
    there = compare.battery_rate_difference_pct_per_h(make_pair(one, other))
    back = compare.battery_rate_difference_pct_per_h(make_pair(other, one))
    assert there.value == pytest.approx(-(back.value or 0))
    assert there.ci_low == pytest.approx(-(back.ci_high or 0))


def test_a_comparison_over_different_ranges_says_so() -> None:
    same = make_pair(make_battery(*FALLING), make_battery(90, 89, 88, 88, 87, 87, 86))
    assert compare.battery_rate_difference_pct_per_h(same).reason is None
    different = make_pair(make_battery(*FALLING), make_battery(40, 39, 39, 38, 38, 37, 37))
    assert compare.battery_shared_range_pct(different).value == 0.0
    found = compare.battery_rate_difference_pct_per_h(different)
    assert found.reason == "different ranges: 89 to 87 % against 39 to 37 %"


def test_a_partner_without_a_level_is_named_with_its_reason() -> None:
    case = make_pair(make_battery(*FALLING), make_battery(50))
    found = compare.battery_rate_difference_pct_per_h(case)
    assert found.reason == "second: one reading of the recorder's battery is no rate"


def test_only_devices_that_know_their_level_are_held_against() -> None:
    case = make_pair(make_battery(*FALLING), make_battery(90, 88, of="strap"))
    chosen = choose_references(case.workout, case.test, "battery")
    assert chosen.references == ()
    assert chosen.reason is not None
    case = make_pair(make_battery(*FALLING), make_battery(90, 88))
    chosen = choose_references(case.workout, case.test, "battery")
    assert [reference.name for reference in chosen.references] == ["second"]


def test_the_range_used_is_stored_with_the_rate() -> None:
    rows = {
        row["metric"]: row["value"]
        for row in measure_workout(make_case(make_battery(*FALLING)).workout).results.to_pylist()
        if row["segment"] == "all"
    }
    assert rows["battery_rate_pct_per_h"] == pytest.approx(3.0)
    assert (rows["battery_from_pct"], rows["battery_to_pct"]) == (89.0, 87.0)


def test_rows_in_any_order_give_the_same_rate() -> None:
    case = make_case(make_battery(*FALLING))
    backwards = case.test.recording.battery.take([6, 2, 0, 5, 1, 4, 3])
    recording = replace(case.test.recording, battery=backwards)
    shuffled = replace(case, test=replace(case.test, recording=recording), memo={})
    assert use.battery_rate_pct_per_h(shuffled) == use.battery_rate_pct_per_h(case)


def test_an_empty_table_gives_a_reason() -> None:
    case = make_case(make_battery())
    assert case.test.recording.battery.equals(make_table(BATTERY, make_battery()))
    assert use.battery_rate_pct_per_h(case).reason is not None
    assert isinstance(case.workout, Workout)
