"""Stores with a known story, as the answers read them: invented devices, values written by hand."""

from __future__ import annotations

from typing import Any

from tasks.answers.facts import (
    ALL,
    DeviceFacts,
    Facts,
    Metric,
    Occurrence,
    PlanFacts,
    Value,
    WorkoutFacts,
)
from tasks.answers.phrases import PHRASES

MAPLE = DeviceFacts("maple-2", "Maple 2", "test", "wrist")
MAPLE_1 = DeviceFacts("maple-1", "Maple 1", "predecessor", "wrist")
WILLOW = DeviceFacts("willow", "Willow", "reference", "chest")
SPRUCE = DeviceFacts("spruce", "Spruce", "peer", "arm")
DEVICES = {one.device_id: one for one in (MAPLE, MAPLE_1, WILLOW, SPRUCE)}

METRICS = {
    one.metric: one
    for one in (
        Metric("hr_mae_bpm", "Mean absolute error", "bpm", "lower"),
        Metric("hr_lock_s", "Time to lock", "s", "lower"),
        Metric("hr_lock_failed_pct", "Never locked", "%", "lower"),
        Metric("track_failed_pct", "No usable track", "%", "lower"),
        Metric("hr_within_5_bpm_pct", "Within 5 bpm", "%", "higher"),
        Metric("hr_ccc", "Concordance", "1", "higher"),
        Metric("distance_error_pct", "Distance error in percent", "%", "zero"),
        Metric("track_cross_median_m", "Cross-track error, median", "m", "lower"),
        Metric("track_corners_cut_per_km", "Corners cut per kilometre", "1/km", "lower"),
        Metric("ascent_error_pct", "Ascent error in percent", "%", "zero"),
        Metric("swim_lengths_error", "Lengths error", "lengths", "zero"),
        Metric("battery_rate_pct_per_h", "Battery use", "%/h", "lower"),
        Metric("battery_vs_claim_pct", "Against the claim", "%", "higher"),
        Metric("battery_projected_h", "Projected time", "h", "higher"),
        Metric("hr_why_before_lock_pct", "Errors: before lock", "%", "none"),
        Metric("hr_why_near_cadence_pct", "Errors: near cadence", "%", "none"),
        Metric("hr_why_unexplained_pct", "Errors: unexplained", "%", "none"),
        Metric("hr_start_temperature_degc", "Temperature at the start", "degC", "none"),
        Metric("hr_cadence_descent_pct", "Cadence lock downhill", "%", "none"),
        Metric("hr_cadence_lock_s", "Time in cadence lock", "s", "lower"),
    )
}
MARGINS = {"hr_mae_bpm": 1.0, "hr_lock_s": 15.0, "distance_error_pct": 0.5}
#: 2026-05-01T06:00:00Z, and a day.
_FIRST_S = 1_777_615_200.0
_DAY_S = 86_400.0


def make_workouts(
    n: int,
    surroundings: list[str | None] | None = None,
    activities: list[str] | None = None,
    device_ids: tuple[str, ...] = ("maple-1", "maple-2", "spruce", "willow"),
) -> dict[str, WorkoutFacts]:
    places = surroundings or ["outdoors"] * n
    return {
        f"w{number}": WorkoutFacts(
            f"w{number}",
            _FIRST_S + number * _DAY_S,
            3600.0,
            7200,
            (activities or ["running"] * n)[number],
            {"outdoors": "outdoors", "indoors": "treadmill", None: None}[places[number]],
            places[number],
            device_ids,
        )
        for number in range(n)
    }


def make_values(
    values: list[float | None],
    reference: str | None = "willow",
    kind: str = "device",
    n: int | None = None,
) -> dict[str, tuple[Value, ...]]:
    return {
        f"w{number}": (Value(value, reference, kind, None if value is not None else "none", n),)
        for number, value in enumerate(values)
    }


def make_verdict(metric: str, word: str, **changes: object) -> dict[str, Any]:
    row = {
        "device_id": "maple-2",
        "against": "maple-1",
        "activity": ALL,
        "segment": PHRASES[metric].segment if metric in PHRASES else ALL,
        "place": ALL,
        "family": "headline",
        "domain": "",
        "metric": metric,
        "verdict": word,
        "n_workouts": 8,
        "estimate": 1.0,
        "ci_low": 0.2,
        "ci_high": 1.9,
        "p_value": 0.01,
        "p_adjusted": 0.03,
        "level": 1.0,
        "level_against": 1.0,
        "margin": MARGINS.get(metric, 1.0),
        "workouts_needed": 12,
        "workouts_needed_low": 9,
        "n_failed": 0,
        "n_failed_against": 0,
        "note": "",
    }
    return {**row, **changes}


def make_facts(
    values: dict[tuple[str, str, str], dict[str, tuple[Value, ...]]],
    *,
    verdicts: list[dict[str, Any]] | None = None,
    workouts: dict[str, WorkoutFacts] | None = None,
    setups: dict[tuple[str, str], dict[str, str]] | None = None,
    occurrences: dict[str, tuple[Occurrence, ...]] | None = None,
    plan: PlanFacts | None = None,
    devices: dict[str, DeviceFacts] | None = None,
) -> Facts:
    n = max((len(one) for one in values.values()), default=0)
    return Facts(
        devices=devices or DEVICES,
        workouts=workouts or make_workouts(n),
        metrics=METRICS,
        values=values,
        verdicts=verdicts or [],
        setups=setups or {},
        occurrences=occurrences or {},
        margins=MARGINS,
        plan=plan,
    )
