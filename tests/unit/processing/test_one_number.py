"""What is scored is what `pairs` holds: SQL over `pairs` gives the numbers of `results`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from tasks.store import connect_for_reading, run_query
from tests.unit.second_hand import (
    BEATS_DAY,
    FROZEN,
    FROZEN_DAY,
    N_SECONDS,
    PAUSE,
    SECONDS,
    WATCHES_DAY,
    build_second_hand_home,
    know_heart,
    read_wrist,
)

if TYPE_CHECKING:
    from datetime import datetime

    from config.home import Home

#: Means over the scored seconds of `pairs`, by the metric that they are.
MEANS = {
    "hr_bias_bpm": ("heart_rate", "avg(heart_rate_test_bpm - heart_rate_reference_bpm)"),
    "hr_mae_bpm": ("heart_rate", "avg(abs(heart_rate_test_bpm - heart_rate_reference_bpm))"),
    "speed_bias_mps": ("speed", "avg(speed_test_mps - speed_reference_mps)"),
    "speed_mae_mps": ("speed", "avg(abs(speed_test_mps - speed_reference_mps))"),
    "altitude_bias_m": ("altitude", "avg(altitude_test_m - altitude_reference_m)"),
}


@pytest.fixture(scope="module")
def second_hand(tmp_path_factory: pytest.TempPathFactory) -> Home:
    return build_second_hand_home(tmp_path_factory.mktemp("second-hand"))


def ask(home: Home, query: str) -> list[dict[str, Any]]:
    connection = connect_for_reading(home)
    try:
        return run_query(connection, query).to_pylist()
    finally:
        connection.close()


def ask_pairs(home: Home, start: datetime, device_id: str, reference: str) -> dict[str, np.ndarray]:
    rows = ask(
        home,
        f"""
        SELECT epoch(time_utc) AS s, heart_rate_reference_bpm AS reference,
               heart_rate_is_scored AS scored, heart_rate_unscored_because AS because
        FROM pairs WHERE device_id = '{device_id}' AND reference = '{reference}'
        AND time_utc::DATE = '{start:%Y-%m-%d}' ORDER BY time_utc
        """,  # noqa: S608 - the test's own names
    )
    assert rows
    columns = {name: np.array([row[name] for row in rows]) for name in rows[0]}
    return {**columns, "s": columns["s"] - start.timestamp()}


@pytest.mark.parametrize("metric", MEANS)
def test_a_metric_is_the_mean_over_the_scored_seconds_of_pairs(
    second_hand: Home, metric: str
) -> None:
    channel, mean = MEANS[metric]
    rows = ask(
        second_hand,
        f"""
        SELECT r.device_id, r.reference, r.value, r.n, p.mean, p.n AS n_pairs, r.coverage,
               p.n / p.n_reference AS coverage_pairs
        FROM latest_results AS r LEFT JOIN (
            SELECT workout_id, recording_id, reference,
                   {mean} FILTER ({channel}_is_scored) AS mean,
                   count(*) FILTER ({channel}_is_scored) AS n,
                   count(*) FILTER ({channel}_is_scored OR
                       {channel}_unscored_because = 'the device has no value') AS n_reference
            FROM pairs GROUP BY ALL
        ) AS p USING (workout_id, recording_id, reference)
        WHERE r.metric = '{metric}' AND r.segment = 'all' AND r.value IS NOT NULL
        """,  # noqa: S608 - the test's own names
    )
    assert {row["reference"] for row in rows} >= {"consensus"}
    assert len(rows) >= 5
    for row in rows:
        assert row["mean"] == pytest.approx(row["value"], abs=1e-9), row
        assert row["n_pairs"] == row["n"], row
        assert row["coverage_pairs"] == pytest.approx(row["coverage"]), row


def test_the_reference_in_pairs_is_the_beating_heart_not_the_lagging_display(
    second_hand: Home,
) -> None:
    found = ask_pairs(second_hand, BEATS_DAY, "older", "strap")
    scored = found["scored"].astype(bool)
    off = found["reference"][scored].astype(float) - know_heart(found["s"][scored])
    # The display is 5 s late: 2 / pi * 2 pi * 30 bpm / 300 s * 5 s = 2.0 bpm off on average. The
    # beats of a FIT file have their place to half a second: 0.2 bpm.
    assert np.abs(off).mean() < 0.3
    true_mae = np.abs(read_wrist(SECONDS, seed=3, late_s=7.0) - know_heart(SECONDS)).mean()
    (row,) = ask(
        second_hand,
        f"""
        SELECT value FROM latest_results JOIN workouts USING (workout_id)
        WHERE metric = 'hr_mae_bpm' AND device_id = 'older' AND segment = 'all'
        AND start_utc::DATE = '{BEATS_DAY:%Y-%m-%d}'
        """,  # noqa: S608 - the test's own names
    )
    # Against the display it would be 1.1 bpm.
    assert row["value"] == pytest.approx(true_mae, abs=0.15)


def test_seconds_of_a_pause_are_in_pairs_and_say_so(second_hand: Home) -> None:
    found = ask_pairs(second_hand, BEATS_DAY, "watch", "strap")
    inside = (found["s"] > PAUSE[0]) & (found["s"] < PAUSE[1])
    assert inside.sum() == PAUSE[1] - PAUSE[0] - 1
    assert set(found["because"][inside]) == {"paused"}
    assert not found["scored"][inside].any()
    assert "paused" not in found["because"][~inside]


def test_masked_seconds_keep_their_value_and_say_why_they_do_not_count(second_hand: Home) -> None:
    found = ask_pairs(second_hand, FROZEN_DAY, "watch", "strap")
    inside = (found["s"] >= FROZEN[0] + 5) & (found["s"] < FROZEN[1] - 5)
    assert set(found["because"][inside]) == {"the reference is frozen"}
    assert np.isfinite(found["reference"][inside].astype(float)).all()
    # The heart itself showed that number for some seconds before and after.
    assert found["scored"].sum() == pytest.approx(N_SECONDS - (FROZEN[1] - FROZEN[0]), abs=20)


def test_a_consensus_has_its_pairs_too(second_hand: Home) -> None:
    found = ask_pairs(second_hand, WATCHES_DAY, "watch", "consensus")
    assert found["scored"].all()
    rows = ask(second_hand, "SELECT DISTINCT reference_recording_id AS id FROM pairs WHERE "
                            "reference = 'consensus'")  # fmt: skip
    assert rows == [{"id": None}]
