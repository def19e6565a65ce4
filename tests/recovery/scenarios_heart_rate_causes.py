"""Why heart rate was off: a device per cause, in the cold, an arm band as second reference."""

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from tests.recovery.expect import Prepared, Worksheet, Worn
from tests.simulate.devices import Device
from tests.simulate.effects_heart_rate import HEART_RATE, BiasedStretch, LateLock, SensorNoise
from tests.simulate.manifest import Entry
from tests.simulate.places import Place, build_track
from tests.simulate.script import Effort, Workout, perform
from tests.simulate.trace import Changed, Effect, Trace

START_UTC = datetime(2026, 1, 18, 8, 0, tzinfo=UTC)
CHANNELS = ("heart_rate_bpm", "speed_mps", "cadence_per_min", "distance_m", "temperature_c")
STOP = "crossing"
WHY = "edges of a second or two"


@dataclass(frozen=True)
class Gap:
    """Between two instants there is no value."""

    start_s: float
    end_s: float

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del workout, rng
        inside = trace.between(self.start_s, self.end_s)
        changed = np.where(inside, np.nan, trace.channels[HEART_RATE])
        length_s = self.end_s - self.start_s
        entry = Entry("dropout", HEART_RATE, self.start_s, self.end_s, length_s, "s")
        return trace.with_channel(HEART_RATE, changed), (entry,)


def prepare_causes(seed: int) -> Prepared:
    """Return a steady run in the cold, with a stop and one short rise."""
    efforts = [
        Effort("run", 1200.0, 3.0, 0.62, 168.0),
        Effort(STOP, 45.0, 0.0, 0.45),
        Effort("run on", 900.0, 3.0, 0.62, 168.0),
        Effort("push", 120.0, 4.0, 0.92, 178.0),
        Effort("run home", 300.0, 3.0, 0.62, 168.0),
    ]
    workout = perform(
        efforts,
        name=f"causes {seed}",
        activity="running",
        place=Place("track", build_track()),
        start_utc=START_UTC,
        seed=seed,
        temperature_c=-8.0,
    )
    sheet = Worksheet(workout, seed)
    draw = np.random.default_rng([seed, 18])
    off_bpm = float(draw.choice([-1.0, 1.0]) * draw.uniform(10.0, 14.0))
    (stop,) = (effort for effort in workout.efforts if effort.name == STOP)
    (push,) = (effort for effort in workout.efforts if effort.name == "push")
    doubt = (stop.end_s + 300.0, stop.end_s + 380.0)
    gaps = (Gap(700.0, 760.0), Gap(775.0, 840.0))

    def wear(name: str, serial: int, *effects: Effect, cause: str) -> None:
        sheet.wear(Worn(_make(name, serial, *effects)))
        sheet.expect(name, f"hr_why_{cause}_pct", 100.0, 2.0, WHY)

    strap, second = _make("hazel", 1, site="chest"), _make("rowan", 2, site="arm")
    sheet.wear(Worn(strap, "reference", reference_for=("heart_rate",)))
    sheet.wear(
        Worn(
            second.with_effects(BiasedStretch(*doubt, 12.0)),
            "reference",
            reference_for=("heart_rate",),
        )
    )
    wear("late", 3, LateLock(90.0, 30.0, 5.0), cause="before_lock")
    wear("cold", 4, BiasedStretch(300.0, 380.0, off_bpm), cause="cold_start")
    after_stop = BiasedStretch(stop.end_s + 2.0, stop.end_s + 26.0, off_bpm)
    wear("stopped", 5, after_stop, cause="after_pause")
    wear("doubted", 6, BiasedStretch(*doubt, off_bpm), cause="doubtful_reference")
    sheet.expect("doubted", "hr_reference_doubtful_s", doubt[1] - doubt[0], 2.0, WHY)
    wear("gappy", 7, BiasedStretch(760.0, 775.0, off_bpm), *gaps, cause="low_coverage")
    during_push = BiasedStretch(push.start_s + 12.0, push.start_s + 60.0, -abs(off_bpm))
    wear("pushed", 8, during_push, cause="changing_effort")
    sheet.wear(Worn(_make("noisy", 9, SensorNoise(2.0))))
    # Noise with a memory of 6 s: rho = exp(-1/6), 6 (1 + rho) / (1 - rho) = 72 s.
    sheet.expect("noisy", "hr_block_s", 150.0, 0.0, "the memory is short: the least block counts")
    return sheet.close()


def _make(name: str, serial: int, *effects: Effect, site: str = "wrist") -> Device:
    return Device(name, name, serial=serial, site=site, channels=CHANNELS, effects=effects)
