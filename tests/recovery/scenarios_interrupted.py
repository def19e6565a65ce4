"""A pause while the athlete went on, a step in height, and notes that contradict the reference."""

from dataclasses import dataclass, replace

import numpy as np

from tests.recovery.expect import Prepared, Worksheet, Worn
from tests.recovery.scenarios_other import START_UTC, WATCH, make_watch, write_notes
from tests.simulate.effects_other import ScaledDistance
from tests.simulate.manifest import Entry
from tests.simulate.places import Place, build_winding_loop
from tests.simulate.script import Effort, Workout, perform
from tests.simulate.trace import Changed, Trace

DISTANCE, ALTITUDE = "distance_m", "altitude_m"


@dataclass(frozen=True)
class FalsePause:
    """The device writes nothing between two instants and does not count the distance."""

    start_s: float
    end_s: float

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del rng
        begin_m, end_m = np.interp([self.start_s, self.end_s], workout.time_s, workout.distance_m)
        inside = (trace.time_s > self.start_s) & (trace.time_s < self.end_s)
        lost = np.where(trace.time_s >= self.end_s, end_m - begin_m, 0.0)
        changed = trace.with_channel(DISTANCE, trace.channels[DISTANCE] - lost)
        length_s = self.end_s - self.start_s
        entry = Entry("false_pause", DISTANCE, self.start_s, self.end_s, length_s, "s")
        return replace(changed, kept=trace.kept & ~inside), (entry,)


@dataclass(frozen=True)
class HeightStep:
    """From one instant on the heights are off by a constant."""

    at_s: float
    size_m: float

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del workout, rng
        off = np.where(trace.time_s >= self.at_s, self.size_m, 0.0)
        entry = Entry("altitude_jump", ALTITUDE, self.at_s, self.at_s, self.size_m, "m")
        return trace.with_channel(ALTITUDE, trace.channels[ALTITUDE] + off), (entry,)


def prepare_interrupted(seed: int) -> Prepared:
    """Return a ride whose distance the notes give 6 % too long."""
    path = build_winding_loop(
        seed,
        corners=14,
        radius_m=900.0,
        wiggle=0.1,
        corner_radius_m=25.0,
        profile=((0.0, 250.0), (0.5, 320.0), (1.0, 250.0)),
    )
    workout = perform(
        [Effort("ride", 1200.0, 5.0, 0.6, 85.0, 190.0)],
        name=f"interrupted {seed}",
        activity="cycling",
        place=Place("road", path),
        start_utc=START_UTC,
        seed=seed,
    )
    sheet = Worksheet(workout, seed)
    draw = np.random.default_rng([seed, 27])
    start_s, length_s = float(draw.integers(300, 700)), float(draw.integers(60, 240))
    size_m = float(draw.choice([-1.0, 1.0]) * draw.uniform(20.0, 45.0))
    sheet.wear(Worn(make_watch("reference", 91, channels=WATCH), "reference"))
    sheet.wear(Worn(make_watch("honest", 92, ScaledDistance(1.003), channels=WATCH)))
    pause = FalsePause(start_s, start_s + length_s)
    sheet.wear(Worn(make_watch("paused", 93, pause, channels=WATCH)))
    sheet.wear(Worn(make_watch("stepping", 94, HeightStep(600.0, size_m), channels=WATCH)))
    lost_m = float(
        np.diff(np.interp([start_s, pause.end_s], workout.time_s, workout.distance_m))[0]
    )
    edges = "a second or two at each end"
    sheet.expect("paused", "pause_moving_s", length_s, 4.0, edges)
    sheet.expect("paused", "pause_moving_m", lost_m, 20.0, edges)
    sheet.expect("paused", "found:false_pause", 1.0, 0.0, "one was put in")
    sheet.expect("honest", "pause_moving_s", 0.0, 0.0, "it never paused")
    sheet.expect("honest", "pause_moving_m", 0.0, 0.0, "it never paused")
    sheet.expect("honest", "false:false_pause", 0.0, 0.0, "it never paused")
    sheet.expect("stepping", "altitude_jumps", 1.0, 0.0, "one was put in")
    sheet.expect("stepping", "found:altitude_jump", 1.0, 0.0, "one was put in")
    sheet.expect("honest", "altitude_jumps", 0.0, 0.0, "nobody climbs 8 m in a second")
    sheet.expect("honest", "false:altitude_jump", 0.0, 0.0, "nothing was put in")
    sheet.expect("stepping", "ascent_error_m", 0.0, 1.0, "the step is taken out; fifths of a metre")
    share = 100.0 / workout.true_ascent_m()
    sheet.expect("stepping", "ascent_error_pct", 0.0, share, "one metre of all of the ascent")
    sheet.expect("honest", "count:references_disagree", 1.0, 0.0, "more than both may be off")
    wrong_m = 1.06 * float(workout.distance_m[-1])
    return sheet.close(notes=write_notes("cycling", "outdoors", f"distance_m = {wrong_m:.1f}"))
