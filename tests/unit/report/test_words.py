from __future__ import annotations

from dataclasses import replace

import pytest

from tasks.core.wording import is_signed, write_duration, write_number
from tasks.report.facts import FindingFacts
from tasks.report.words import describe_event, name_segment

MINUS = "\N{MINUS SIGN}"
#: 2026-05-02 16:20:05 UTC; two hours later on the wall clock of UTC+02:00.
START_S = 1_777_738_805.0


def make_finding(
    kind: str, size: float | None, unit: str | None, *, lasts_s: float
) -> FindingFacts:
    return FindingFacts(
        "w", "r", "d", "x", kind, START_S, START_S + lasts_s, size, unit, None, None, None
    )


@pytest.mark.parametrize(
    ("kind", "size", "unit", "lasts_s", "words"),
    [
        (
            "biased_stretch",
            -14.2,
            "bpm",
            165,
            "read about 14 bpm low from 18:20:05 to 18:22:50 (2 min 45 s)",
        ),
        ("spike", 25.0, "bpm", 4, "jumped 25 bpm high at 18:20:05 for 4 s"),
        ("dropout", 30.0, "s", 30, "gave no heart rate from 18:20:05 to 18:20:35 (30 s)"),
        ("cut_corner", 8.26, "m", 5, "cut a corner by 8.3 m at 18:20:05"),
        ("late_lock", 190.0, "s", 190, "locked only after 3 min 10 s, at 18:23:15"),
        ("some_new_kind", None, None, 60, "some new kind from 18:20:05 to 18:21:05 (1 min)"),
    ],
)
def test_findings_are_told_in_plain_words(
    kind: str, size: float | None, unit: str | None, lasts_s: float, words: str
) -> None:
    finding = make_finding(kind, size, unit, lasts_s=lasts_s)
    assert describe_event(finding, local_offset_s=7200, units="metric") == words


def test_a_negative_number_in_a_note_has_a_minus_and_no_hyphen() -> None:
    finding = replace(
        make_finding("late_lock", 190.0, "s", lasts_s=190),
        note="mean error before it -24 bpm, as on 2026-05-02",
    )
    told = describe_event(finding, local_offset_s=7200, units="metric")
    assert told.endswith(f"mean error before it {MINUS}24 bpm, as on 2026-05-02")


def test_statute_units_turn_metres_into_feet() -> None:
    # 1 ft = 0.3048 m exactly (NIST Handbook 44, appendix C): 3.6576 m are 12 ft.
    finding = make_finding("cut_corner", 3.6576, "m", lasts_s=5)
    assert "by 12 ft" in describe_event(finding, local_offset_s=0, units="statute")
    assert write_number(1609.344, "m", units="statute") == "5\N{NARROW NO-BREAK SPACE}280"
    assert write_number(0.71, "m", units="statute") == "2.3"


@pytest.mark.parametrize(
    ("value", "unit", "metric", "signed", "text"),
    [
        (-3.76, "bpm", "hr_bias_bpm", True, f"{MINUS}3.8"),
        (3.76, "bpm", "hr_bias_bpm", True, "+3.8"),
        (-0.04, "bpm", "hr_bias_bpm", True, "0.0"),
        (0.04, "bpm", "hr_bias_bpm", True, "0.0"),
        (0.8104, "1", "hr_ccc", False, "0.810"),
        (3.0, "1", "hr_spikes", False, "3"),
        (None, "bpm", "hr_mae_bpm", False, "\N{EN DASH}"),
        (float("nan"), "bpm", "hr_mae_bpm", False, "\N{EN DASH}"),
    ],
)
def test_numbers_are_written_with_their_sign_and_decimals(
    value: float | None,
    unit: str,
    metric: str,
    signed: bool,  # noqa: FBT001 - a case of the table above
    text: str,
) -> None:
    shown = write_number(value, unit, units="metric", metric=metric, signed=signed)
    assert shown == text


def test_only_numbers_that_point_somewhere_have_a_sign() -> None:
    assert is_signed("hr_bias_bpm")
    assert is_signed("distance_error_pct")
    assert not is_signed("hr_own_error_sd_bpm")
    assert not is_signed("hr_longest_gap_s")


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0, "0 s"),
        (59.4, "59 s"),
        (60, "1 min"),
        (165, "2 min 45 s"),
        (3600, "1 h"),
        (3905, "1 h 5 min"),
    ],
)
def test_durations_read_like_speech(seconds: float, words: str) -> None:
    assert write_duration(seconds) == words


def test_bands_are_named_by_their_edges() -> None:
    assert name_segment("band:60-70") == "60 to 70 % of max"
    assert name_segment("band:below-60") == "below 60 % of max"
    assert name_segment("road out") == "road out"


def test_a_note_repeats_nothing_and_speaks_in_the_units_asked_for() -> None:
    note = "8.3 m inside a turn of 94 degrees to the right; 6.5 m of distance lost"
    corner = replace(make_finding("cut_corner", 8.26, "m", lasts_s=5), note=note)
    assert describe_event(corner, local_offset_s=7200, units="metric") == (
        "cut a corner by 8.3 m at 18:20:05; inside a turn of 94 degrees to the right; "
        "6.5 m of distance lost"
    )
    # 6.5 m / 0.3048 = 21.3 ft.
    assert describe_event(corner, local_offset_s=7200, units="statute").endswith(
        "21 ft of distance lost"
    )
    jump = replace(
        make_finding("position_jump", 68.0, "m", lasts_s=1),
        note="68 m in 1 s (limit 35 m/s); comes back",
    )
    # By hand: 68 / 0.3048 = 223.1 ft; 35 m/s * 3600 / 1609.344 = 78.29 mi/h.
    told = describe_event(jump, local_offset_s=0, units="statute")
    assert told.endswith("223 ft in 1 s (limit 78.29 mi/h); comes back")
    gap = replace(make_finding("position_gap", 36.0, "s", lasts_s=36), note="no position")
    assert describe_event(gap, local_offset_s=7200, units="metric").endswith("(36 s)")
