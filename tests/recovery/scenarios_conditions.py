"""Downhill in the cold, devices that fail altogether, and references that contradict each other."""

from datetime import UTC, datetime

from tests.recovery.expect import Prepared, Worksheet, Worn
from tests.recovery.scenarios_heart_rate_causes import Gap
from tests.simulate.devices import Device
from tests.simulate.effects_heart_rate import BiasedStretch, CadenceLock
from tests.simulate.effects_other import Barometer, ScaledDistance
from tests.simulate.places import Place, build_winding_loop
from tests.simulate.script import Effort, Workout, perform
from tests.simulate.trace import Effect

START_UTC = datetime(2026, 1, 25, 9, 0, tzinfo=UTC)
CHANNELS = (
    "position", "altitude_m", "speed_mps", "distance_m", "cadence_per_min", "heart_rate_bpm",
    "temperature_c",
)  # fmt: skip
COLD_C = 2.0
FOOT_M = 0.3048
#: Halfway round the loop the way turns from down to up.
TURN = 0.5


def live_valley(seed: int) -> Workout:
    """Return one round of a loop that falls by 90 m and climbs them again, at other cadences."""
    path = build_winding_loop(
        seed,
        corners=12,
        radius_m=400.0,
        wiggle=0.05,
        corner_radius_m=20.0,
        profile=((0.0, 390.0), (TURN, 300.0), (1.0, 390.0)),
    )
    half_s = path.length_m / 2.9 / 2.0
    return perform(
        [Effort("down", half_s, 3.0, 0.55, 178.0), Effort("up", half_s, 2.8, 0.7, 158.0)],
        name=f"valley {seed}",
        activity="running",
        place=Place("valley", path),
        start_utc=START_UTC,
        seed=seed,
        finish_m=path.length_m - 20.0,
        temperature_c=COLD_C,
    )


def prepare_valley(seed: int) -> Prepared:
    """Return the valley with locks on either side of it, and devices that fail altogether."""
    workout = live_valley(seed)
    sheet = Worksheet(workout, seed)
    down, up = workout.efforts
    sheet.wear(Worn(_make("strap", 1, site="chest"), "reference", reference_for=("heart_rate",)))
    downhill = CadenceLock(down.start_s + 150.0, down.start_s + 270.0)
    sheet.wear(Worn(_make("downhill", 2, downhill)))
    sheet.expect("downhill", "hr_cadence_descent_pct", 100.0, 0.0, "far from the turn")
    sheet.expect("downhill", "hr_start_temperature_degc", COLD_C, 1.0, "whole degrees")
    sheet.expect("downhill", "hr_lock_failed_pct", 0.0, 0.0, "right but for two minutes")
    sheet.wear(Worn(_make("uphill", 3, CadenceLock(up.start_s + 150.0, up.start_s + 270.0))))
    sheet.expect("uphill", "hr_cadence_descent_pct", 0.0, 0.0, "far from the turn")
    lost = BiasedStretch(0.0, workout.duration_s, -25.0)
    sheet.wear(Worn(_make("lost", 4, lost)))
    sheet.expect("lost", "hr_lock_failed_pct", 100.0, 0.0, "25 bpm low throughout")
    sheet.expect("lost", "hr_mae_failed_pct", 100.0, 0.0, "25 bpm low throughout")
    sheet.expect("lost", "hr_why_near_cadence_pct", 0.0, 5.0, "it passes near half the steps")
    # A fifth of the workout without heart rate.
    gap_s = 0.2 * workout.duration_s
    sheet.wear(Worn(_make("gappy", 5, Gap(200.0, 200.0 + gap_s))))
    sheet.expect("gappy", "hr_dropout_failed_pct", 100.0, 0.0, "a fifth, the limit is a twentieth")
    sheet.expect("downhill", "hr_dropout_failed_pct", 0.0, 0.0, "every second has a value")
    sheet.wear(Worn(_make("feet", 6, ScaledDistance(1.0 / FOOT_M))))
    sheet.expect("feet", "count:unit_mismatch", 1.0, 0.0, "feet in place of metres")
    sheet.expect("downhill", "count:unit_mismatch", 0.0, 0.0, "metres")
    return sheet.close()


def prepare_contradiction(seed: int) -> Prepared:
    """Return the valley with two straps and two heights that contradict each other."""
    workout = live_valley(seed)
    sheet = Worksheet(workout, seed)
    wrong = BiasedStretch(0.0, workout.duration_s, 14.0)
    sheet.wear(Worn(_make("strap", 1, site="chest"), "reference", reference_for=("heart_rate",)))
    sheet.wear(
        Worn(_make("band", 2, wrong), "reference", reference_for=("heart_rate",)),
    )
    sheet.expect("band", "count:heart_rate_references_disagree", 1.0, 0.0, "14 bpm apart")
    sheet.wear(Worn(_make("computer", 3), "reference", reference_for=("altitude",)))
    sheet.wear(Worn(_make("watch", 4, Barometer(noise_m=0.3))))
    notes = (
        f"start = {START_UTC.isoformat()}\n"
        'activity = "running"\nplace = "outdoors"\n[truth]\n'
        f"ascent_m = {1.4 * workout.true_ascent_m():.1f}\n"
    )
    sheet.expect("watch", "count:ascent_references_disagree", 1.0, 0.0, "40 % apart")
    return sheet.close(notes=notes)


def _make(name: str, serial: int, *effects: Effect, site: str = "wrist") -> Device:
    return Device(
        name, name, serial=serial, site=site, channels=CHANNELS, effects=effects, barometer=True
    )
