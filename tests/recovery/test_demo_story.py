"""The story that the demo tells is found by the line without being told."""

import json
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import pytest

from config.devices import Device, load_devices
from tests.recovery.line import Outcome, run_exports
from tests.simulate.__main__ import DEMO_FOLDER, DEMO_MANIFEST

COLD = ("track laps", "forest trail", "road ride", "mixed ride", "long hike")
WARM = ("treadmill intervals", "strength", "pool")
ROOM_S = 35.0


@dataclass(frozen=True)
class Told:
    """One workout of the demo: what is true of it, and what the line made of its exports."""

    truth: dict[str, Any]
    outcome: Outcome

    def list_effects(self, device_id: str, kind: str) -> list[dict[str, Any]]:
        for recording in self.truth["recordings"]:
            if recording["device_id"] == device_id:
                return [effect for effect in recording["effects"] if effect["kind"] == kind]
        return []

    def assert_found(self, device_id: str, kind: str) -> None:
        """Every injected thing of a kind is covered by a finding of that kind."""
        effects = self.list_effects(device_id, kind)
        found = self.outcome.find_findings(device_id, kind)
        assert effects
        for effect in effects:
            start, end = (
                datetime.fromisoformat(effect[f"{side}_utc"]) for side in ("start", "end")
            )
            assert any(
                abs((row["start_utc"] - start).total_seconds()) < ROOM_S
                and abs((row["end_utc"] - end).total_seconds()) < ROOM_S
                for row in found
            ), (effect, found)


@pytest.fixture(scope="module")
def told() -> dict[str, Told]:
    devices: tuple[Device, ...] = load_devices(DEMO_FOLDER / "devices.toml")
    manifest = json.loads(DEMO_MANIFEST.read_text(encoding="utf-8"))
    courses = {path.stem: path.read_bytes() for path in (DEMO_FOLDER / "courses").glob("*.gpx")}
    stories = {}
    for truth in manifest["workouts"]:
        names = [recording["file"] for recording in truth["recordings"]]
        stem = f"{truth['start_utc'][:10]}-{truth['workout'].replace(' ', '-')}"
        outcome = run_exports(
            {name: (DEMO_FOLDER / name).read_bytes() for name in names},
            devices=devices,
            notes=(DEMO_FOLDER / f"{stem}.notes.toml").read_text(encoding="utf-8"),
            courses=courses,
        )
        stories[truth["workout"]] = Told(truth, outcome)
    return stories


def value(told: Told, device_id: str, metric: str) -> float:
    found = told.outcome.find_value(device_id, metric)
    assert found is not None, (metric, told.outcome.find_reason(device_id, metric))
    return found


@pytest.mark.parametrize("workout", COLD)
def test_in_the_cold_the_new_watch_locks_minutes_late_and_the_old_one_does_not(
    workout: str, told: dict[str, Told]
) -> None:
    (effect,) = told[workout].list_effects("alder-2", "late_lock")
    assert value(told[workout], "alder-2", "hr_lock_s") == pytest.approx(effect["size"], abs=6.0)
    assert effect["size"] > 180.0
    assert value(told[workout], "alder-1", "hr_lock_s") < 70.0
    told[workout].assert_found("alder-2", "late_lock")


@pytest.mark.parametrize("workout", WARM)
def test_indoors_the_new_watch_locks_within_half_a_minute(
    workout: str, told: dict[str, Told]
) -> None:
    assert value(told[workout], "alder-2", "hr_lock_s") < 35.0


def test_on_descents_the_new_watch_falls_into_the_cadence(told: dict[str, Told]) -> None:
    told["forest trail"].assert_found("alder-2", "cadence_lock")
    assert told["forest trail"].outcome.find_findings("alder-1", "cadence_lock") == []


def test_in_part_of_the_intervals_the_new_watch_reads_low(told: dict[str, Told]) -> None:
    story = told["treadmill intervals"]
    story.assert_found("alder-2", "biased_stretch")
    sizes = [row["size"] for row in story.outcome.find_findings("alder-2", "biased_stretch")]
    assert min(sizes) == pytest.approx(-16.0, abs=1.5)
    story.assert_found("alder-1", "missed_rise")


def test_both_watches_measure_distance_alike(told: dict[str, Told]) -> None:
    new, old = (value(told["track laps"], name, "distance_error_pct") for name in
                ("alder-2", "alder-1"))  # fmt: skip
    assert abs(new) < 0.5
    assert abs(new - old) < 0.3


def test_the_new_watch_keeps_the_corners_that_the_old_one_cuts(told: dict[str, Told]) -> None:
    story = told["forest trail"]
    new, old = (value(story, name, "track_corners_cut_per_km") for name in ("alder-2", "alder-1"))
    assert new < 1.0
    assert old > 3.0


def test_the_better_satellite_mode_costs_battery(told: dict[str, Told]) -> None:
    story = told["long hike"]
    for device in ("alder-2", "alder-2-second", "alder-1"):
        (drain,) = story.list_effects(device, "battery_drain")
        rate = value(story, device, "battery_rate_pct_per_h")
        assert rate == pytest.approx(drain["size"], rel=0.03), device
    assert value(story, "alder-2", "battery_rate_pct_per_h") > 1.5 * value(
        story, "alder-2-second", "battery_rate_pct_per_h"
    )
    # And it is worth it: the track of the thrifty unit is wider off.
    assert value(story, "alder-2", "track_cross_median_m") < value(
        story, "alder-2-second", "track_cross_median_m"
    )


def test_the_clock_in_the_wrong_zone_is_set_right(told: dict[str, Told]) -> None:
    outcome = told["road ride"].outcome
    shifts = {
        outcome.device_ids[member.recording_id]: member.clock_shift_s
        for member in outcome.workout.members
    }
    assert shifts.pop("alder-1") == -3600.0
    assert set(shifts.values()) == {0.0}


def test_the_second_export_of_one_recording_is_a_duplicate(told: dict[str, Told]) -> None:
    members = told["track laps"].outcome.workout.members
    assert sum(member.duplicate_of is not None for member in members) == 1


def test_missed_and_split_pool_lengths_are_counted(told: dict[str, Told]) -> None:
    assert value(told["pool"], "alder-2", "swim_lengths_error") == 0.0
    assert value(told["pool"], "alder-1", "swim_missed_lengths") == 1.0
    assert value(told["pool"], "alder-1", "swim_split_lengths") == 2.0


def test_a_walk_that_was_found_late_is_told_from_the_true_start(told: dict[str, Told]) -> None:
    assert value(told["long hike"], "alder-1", "start_delay_s") == pytest.approx(180.0, abs=9.0)
