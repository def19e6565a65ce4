"""Starts: prompts, live samples, credit with its tolerance, odd notes."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from tasks.core.notes import Notes, Truth
from tasks.metrics import detection
from tasks.workout.case import Case, make_example, refer_to

START_S = 1_750_000_000
START_UTC = datetime.fromtimestamp(START_S, tz=UTC)


def make_case(
    late_s: float = 90.0,
    *,
    setup: dict[str, str] | None = None,
    truth: dict[str, Any] | None = None,
    **more: Any,  # noqa: ANN401
) -> Case:
    """A recording whose first sample lies `late_s` after the true start."""
    start_utc = START_UTC - timedelta(seconds=late_s)
    notes = Notes(
        start_utc=start_utc,
        truth=Truth(start_utc=start_utc, **(truth or {})),
        setup={} if setup is None else {"test": setup},
    )
    channels = {"distance_m": [10.0, 12.0, 14.0], "heart_rate_bpm": [90.0, 91.0, 92.0]}
    return make_example(**{"test": channels, "notes": notes, **more})


def test_the_prompt_of_the_notes_counts_before_the_first_sample() -> None:
    prompt = (START_UTC - timedelta(seconds=30)).isoformat()
    found = detection.start_delay_s(make_case(setup={"prompt_utc": prompt}))
    assert found.value == pytest.approx(60.0)


@pytest.mark.parametrize(
    ("prompt", "reason"), [("07:30", "is no date with time"), ("2026-05-02T07:30:00", "no offset")]
)
def test_a_prompt_that_is_no_instant_is_told(prompt: str, reason: str) -> None:
    found = detection.start_delay_s(make_case(setup={"prompt_utc": prompt}))
    assert found.value is None
    assert found.reason is not None
    assert reason in found.reason


def test_a_device_that_ran_before_the_start_has_a_negative_delay_and_no_gap() -> None:
    case = make_case(late_s=-600.0)
    assert detection.start_delay_s(case).value == pytest.approx(-600.0)
    assert detection.start_hr_gap_s(case).value == 0.0


def test_the_clock_offset_of_a_recording_is_applied() -> None:
    case = make_case()
    aligned = replace(case.test, alignment=replace(case.test.alignment, offset_s=-15.0))
    moved = replace(case, test=aligned, memo={})
    assert detection.start_delay_s(moved).value == pytest.approx(75.0)
    assert detection.start_hr_gap_s(moved).value == pytest.approx(75.0)


def test_the_tolerance_of_the_true_distance_is_carried_into_the_credit() -> None:
    truth = {"distance_m": 1000.0, "distance_tolerance_pct": 1.0}
    found = detection.start_credit_pct(make_case(truth=truth, header={"device_distance_m": 900.0}))
    # By hand: 900 of 1,000, of 1,010 and of 990 m.
    assert found.value == pytest.approx(90.0)
    assert found.ci_low == pytest.approx(89.10891)
    assert found.ci_high == pytest.approx(90.90909)


def test_credit_before_is_held_against_what_another_device_counted_by_then() -> None:
    other = make_example(test={"distance_m": [float(n) * 2 for n in range(100)]}).test
    other = replace(
        other, recording_id="other", device=other.device.model_copy(update={"id": "other"})
    )
    # The recording begins 40 s after the true start with 60 m; the other one has 80 m by then.
    samples = {
        "time_utc": [(START_S + 40 + n) * 1_000_000 for n in range(3)],
        "distance_m": [60.0, 62.0, 64.0],
        "heart_rate_bpm": [90.0, 90.0, 90.0],
    }
    case = make_case(late_s=0.0, test={"distance_m": [None] * 40 + [60.0] * 60}, samples=samples)
    compared = replace(case, reference=refer_to(other, "device", why="started by hand"), memo={})
    assert detection.start_credit_before_pct(compared).value == pytest.approx(75.0)


def test_notes_without_a_true_start_say_so() -> None:
    case = make_example(test={"heart_rate_bpm": [90.0]}, notes=Notes(start_utc=START_UTC))
    for metric in (detection.start_delay_s, detection.start_credit_pct, detection.start_hr_gap_s):
        found = metric(case)
        assert found.value is None
        assert found.reason is not None
        assert "truth.start_utc" in found.reason


def test_an_event_of_the_timer_tells_what_was_written_afterwards() -> None:
    n_seconds = 100
    case = make_case(
        late_s=0.0,
        test={"heart_rate_bpm": [90.0] * n_seconds},
        tables={
            "events": {
                "time_utc": [(START_S + 30) * 1_000_000],
                "event": ["timer"],
                "event_kind": ["start"],
                "event_data": [None],
            }
        },
    )
    assert detection.start_backdated_s(case).value == pytest.approx(30.0)
    assert detection.start_delay_s(case).value == pytest.approx(30.0)
