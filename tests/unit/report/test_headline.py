"""The headline of a page, the sentence of numbers under it, and what is gravest of a device."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from tasks.report.facts import FindingFacts
from tasks.report.headline import write_dek, write_headline
from tasks.report.outcome import write_outcome
from tasks.report.sections import draw_workout
from tasks.report.summary import say_outstanding
from tasks.report.words import describe_finding, keep_units
from tests.unit.report.test_write import gather, make_settings

if TYPE_CHECKING:
    import duckdb

    from tasks.report.facts import WorkoutData

BLANK = "\N{NO-BREAK SPACE}"


@pytest.fixture
def ride(connection: duckdb.DuckDBPyConnection) -> WorkoutData:
    return gather(connection, make_settings())


def test_the_headline_is_what_happened_to_the_device_under_test(ride: WorkoutData) -> None:
    assert write_headline(ride).startswith("Alder 2 locked after 3 min")


def test_the_sentence_has_the_numbers_of_the_table(ride: WorkoutData) -> None:
    said = write_dek(ride)
    tested = next(one for one in ride.recordings if one.device.label == "Alder 2")
    for segment in ("all", "after_lock"):
        result = ride.find(tested.recording_id, "hr_mae_bpm", segment=segment)
        assert result is not None
        assert result.value is not None
        assert f"by {result.value:.1f}{BLANK if segment == 'all' else ' and '}" in said
    assert said.startswith("Against Hazel Alder 2 was off on average by ")


def test_a_workout_that_is_set_aside_says_so_first_and_no_number(ride: WorkoutData) -> None:
    facts = replace(ride.facts, is_excluded=True, excluded_because="another person's strap")
    aside = replace(ride, facts=facts)
    assert write_headline(aside) == "Set aside: another person's strap"
    assert write_dek(aside) == ""


def test_a_device_alone_is_compared_with_nothing_and_its_chart_says_nothing_of_others(
    ride: WorkoutData,
) -> None:
    worn = next(one for one in ride.recordings if one.device.label == "Alder 2")
    alone = replace(
        ride,
        recordings=(worn,),
        series={worn.recording_id: ride.series[worn.recording_id]},
        pairs={},
        battery={},
        results=(),
        findings=(),
    )
    assert write_headline(alone) == ("Alder 2 was worn alone: there is nothing to compare it with")
    assert write_dek(alone) == ""
    (chart,) = draw_workout(alone)["heart_rate"]
    assert chart.title == "Heart rate"
    assert chart.note == ""
    # One panel alone has the times under it.
    (panel,) = chart.spec["vconcat"]
    assert all(layer["encoding"]["x"]["axis"]["labels"] for layer in panel["layer"])


def test_the_reference_lies_wide_beneath_and_the_device_under_test_on_top(
    ride: WorkoutData,
) -> None:
    chart = draw_workout(ride)["heart_rate"][0]
    drawn = list(dict.fromkeys(chart.tables["heart_rate"]["device"]))
    assert drawn[0] == "Hazel"
    assert drawn[-1] == "Alder 2"
    widths = {one.label: one.look.width for one in chart.devices}
    assert widths["Hazel"] > 2 * widths["Alder 2"] > 2 * widths["Rowan"]
    assert "Wide: Hazel." in chart.note


def make_dropout(ride: WorkoutData, number: int) -> FindingFacts:
    worn = ride.recordings[0]
    begin = ride.facts.start_s + 100.0 * number
    return FindingFacts(
        "w", worn.recording_id, worn.device.device_id, None, "dropout", begin, begin + 30.0, 30.0,
        "s", None, None, None,
    )  # fmt: skip


def test_many_findings_of_one_kind_are_told_together(ride: WorkoutData) -> None:
    worn = ride.recordings[0]
    two = replace(ride, findings=tuple(make_dropout(ride, number) for number in range(2)))
    told = say_outstanding(two, worn.recording_id)
    assert len(told) == 2
    assert all(words.startswith("gave no heart rate from ") for words in told)
    many = replace(ride, findings=tuple(make_dropout(ride, number) for number in range(6)))
    assert say_outstanding(many, worn.recording_id) == ("gave no heart rate 6 times, 3 min in all",)


def test_a_shared_signal_is_told_once_with_the_name_of_the_device(ride: WorkoutData) -> None:
    finding = replace(
        make_dropout(ride, 1),
        kind="shared_signal",
        note="its speed is the same signal as that of alder-2",
    )
    assert describe_finding(finding, ride) == "its speed is the same signal as that of Alder 2"


def test_of_many_devices_a_line_names_the_first_and_the_range_of_the_others(
    ride: WorkoutData,
) -> None:
    result = ride.find(ride.recordings[0].recording_id, "hr_mae_bpm")
    assert result is not None
    worn = [
        replace(
            ride.recordings[0],
            recording_id=f"r{number}",
            device=replace(ride.recordings[0].device, label=f"W{number}"),
        )
        for number in range(7)
    ]
    results = tuple(
        replace(result, recording_id=f"r{number}", value=1.0 + number) for number in range(7)
    )
    line = write_outcome(replace(ride, recordings=tuple(worn), results=results), "heart_rate")
    assert line.replace(BLANK, " ") == (
        "Mean absolute error: W0 1.0 bpm, W1 2.0 bpm, W2 3.0 bpm, 4 others 4.0 bpm to 7.0 bpm"
    )


@pytest.mark.parametrize(
    ("text", "kept"),
    [
        ("0.7 % of 12 km in 3 min 17 s", "0.7_% of 12_km in 3_min 17_s"),
        ("Alder 2 locked after 40 s", "Alder_2 locked after 40_s"),
        ("6 times", "6 times"),
    ],
)
def test_a_number_keeps_its_unit_and_a_name_its_number(text: str, kept: str) -> None:
    assert keep_units(text).replace(BLANK, "_") == kept
