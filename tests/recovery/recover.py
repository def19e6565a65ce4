"""Runs scenarios over many seeds and holds what came back against what was put in."""

import os
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

from tasks.core.discovery import load_metrics
from tasks.core.registers import FINDING_KINDS, METRICS
from tests.recovery.expect import Expectation, Prepared, Scenario
from tests.recovery.line import Outcome, run_line
from tests.recovery.scenarios_battery import prepare_battery, prepare_noted_battery
from tests.recovery.scenarios_conditions import prepare_contradiction, prepare_valley
from tests.recovery.scenarios_heart_rate import prepare_heart_rate
from tests.recovery.scenarios_heart_rate_causes import prepare_causes
from tests.recovery.scenarios_interrupted import prepare_interrupted
from tests.recovery.scenarios_other import (
    prepare_clocks,
    prepare_hills,
    prepare_pool,
    prepare_start,
    prepare_treadmill,
)
from tests.recovery.scenarios_reference import (
    prepare_beats,
    prepare_dry_start,
    prepare_reference,
)
from tests.recovery.scenarios_track import prepare_laps, prepare_trail
from tests.tiers import choose, map_seeds

SEEDS_VARIABLE = "COWORN_RECOVERY_SEEDS"
FIRST_SEED = 1001
# A finding may begin and end this much outside of what was put in [s].
FINDING_ROOM_S = 35.0

SCENARIOS = {
    scenario.name: scenario
    for scenario in (
        Scenario("heart rate", prepare_heart_rate),
        Scenario("causes", prepare_causes),
        Scenario("reference", prepare_reference),
        Scenario("beats", prepare_beats),
        Scenario("dry start", prepare_dry_start),
        Scenario("trail", prepare_trail),
        Scenario("laps", prepare_laps),
        Scenario("hills", prepare_hills),
        Scenario("start", prepare_start),
        Scenario("pool", prepare_pool),
        Scenario("battery", prepare_battery),
        Scenario("noted battery", prepare_noted_battery),
        Scenario("treadmill", prepare_treadmill),
        Scenario("clocks", prepare_clocks),
        Scenario("interrupted", prepare_interrupted),
        Scenario("valley", prepare_valley),
        Scenario("contradiction", prepare_contradiction),
    )
}


@dataclass(frozen=True)
class Recovered:
    """One expectation of one seed and what came back; `reason` says why nothing did."""

    scenario: str
    seed: int
    expectation: Expectation
    value: float | None
    reason: str = ""

    @property
    def is_right(self) -> bool:
        """Say whether the value is within its tolerance."""
        expected = self.expectation
        room = expected.tolerance + 1e-9
        return self.value is not None and abs(self.value - expected.true) <= room


def count_seeds() -> int:
    """Return how many seeds to run, unless the environment says otherwise."""
    return int(os.environ.get(SEEDS_VARIABLE, choose(short=2, full=20)))


def exists(quantity: str) -> bool:
    """Say whether the line computes this quantity at all."""
    load_metrics()
    group, _, kind = quantity.partition(":")
    if kind:
        return kind in FINDING_KINDS
    return group in METRICS or group in {"offset_s", "clock_shift_s"}


def recover(name: str, seed: int) -> list[Recovered]:
    """Run one scenario with one seed."""
    prepared = SCENARIOS[name].prepare(seed)
    outcome = run_line(prepared)
    rows = []
    for expected in prepared.expectations:
        value, reason = measure(prepared, outcome, expected)
        rows.append(Recovered(name, seed, expected, value, reason))
    return rows


def recover_all(names: Sequence[str], seeds: int) -> list[Recovered]:
    """Run scenarios over seeds."""
    parts = map_seeds(partial(recover_seed, names), range(FIRST_SEED, FIRST_SEED + seeds))
    return [row for part in parts for row in part]


def recover_seed(names: Sequence[str], seed: int) -> list[Recovered]:
    """Run every named scenario with one seed."""
    return [row for name in names for row in recover(name, seed)]


def measure(
    prepared: Prepared, outcome: Outcome, expected: Expectation
) -> tuple[float | None, str]:
    """Return what came back for one expectation, or None and the reason."""
    device, quantity = expected.device_id, expected.quantity
    group, _, kind = quantity.partition(":")
    if kind:
        return float(_count_findings(prepared, outcome, device, group, kind)), ""
    if quantity == "offset_s":
        subjects = [one for one in outcome.aligned.subjects if one.device.id == device]
        return subjects[0].alignment.offset_s, ""
    if quantity == "clock_shift_s":
        shifts = [
            member.clock_shift_s
            for member in outcome.workout.members
            if outcome.device_ids[member.recording_id] == device
        ]
        return shifts[0], ""
    value = outcome.find_value(device, quantity, expected.segment)
    reason = "" if value is not None else outcome.find_reason(device, quantity, expected.segment)
    return value, reason


def _count_findings(
    prepared: Prepared, outcome: Outcome, device: str, group: str, kind: str
) -> int:
    """Count the injected things that some finding covers, or the findings that nothing explains."""
    begun = prepared.workout.start_utc.timestamp()
    put = [
        (begun + entry.start_s, begun + entry.end_s)
        for entry in prepared.recorded[device].entries
        if entry.kind == kind
    ]
    # Compared with another device with an effect of its own, a true device looks wrong.
    no_truth = {worn.device.device_id for worn in prepared.worn if worn.role == "test"}
    found = [
        (row["start_utc"].timestamp(), row["end_utc"].timestamp())
        for row in outcome.find_findings(device, kind)
        if row["reference"] not in no_truth
    ]
    if group == "count":
        return len(outcome.find_findings(device, kind))
    if group == "found":
        return sum(any(_touch(here, there) for there in found) for here in put)
    return sum(not any(_touch(here, there) for here in put) for there in found)


def _touch(put: tuple[float, float], found: tuple[float, float]) -> bool:
    """Say whether a finding overlaps what was put in and does not reach far beyond it."""
    overlaps = found[0] <= put[1] and found[1] >= put[0]
    reaches = found[0] < put[0] - FINDING_ROOM_S or found[1] > put[1] + FINDING_ROOM_S
    return overlaps and not reaches
