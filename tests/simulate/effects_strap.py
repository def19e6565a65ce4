"""What a chest strap does before the skin is wet, and recordings that break off for a while."""

from dataclasses import dataclass, replace

import numpy as np

from tests.simulate.effects_heart_rate import HEART_RATE
from tests.simulate.manifest import Entry
from tests.simulate.script import Workout
from tests.simulate.trace import Changed, Trace

#: Share of a dry strap's bad moments in which it has no value at all.
SILENT_SHARE = 0.45


@dataclass(frozen=True)
class DryStrap:
    """Until the skin is wet a strap loses contact again and again, ever more seldom.

    Then it has no value and no beats, or counts some noise as beats and reads high by up to
    `high_bpm`. Common practice, no source.
    """

    until_s: float
    high_bpm: float = 28.0

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del workout
        rate, beats = trace.channels[HEART_RATE].copy(), trace.beats_s
        at = float(rng.uniform(2.0, 6.0))
        count = 0
        while True:
            lasts = float(rng.integers(3, 9))
            if at + lasts > self.until_s:
                break
            inside = trace.between(at, at + lasts)
            these = (beats >= at) & (beats < at + lasts)
            if rng.random() < SILENT_SHARE or count == 0:
                rate[inside] = np.nan
                beats = beats[~these]
            else:
                high = self.high_bpm * float(rng.uniform(0.55, 1.0))
                rate[inside] += high
                extra = rng.choice(beats[these], max(round(high / 60.0 * lasts), 1), replace=False)
                beats = np.sort(np.concatenate([beats, extra + rng.uniform(0.2, 0.35, len(extra))]))
            count += 1
            at += lasts + float(rng.uniform(3.0, 6.0)) * (1.0 + 1.5 * at / self.until_s)
        entry = Entry(
            "dry_start", HEART_RATE, 0.0, self.until_s, self.until_s, "s",
            {"high_bpm": self.high_bpm, "times": count},
        )  # fmt: skip
        return replace(trace.with_channel(HEART_RATE, rate), beats_s=beats), (entry,)


@dataclass(frozen=True)
class Interruption:
    """Between two instants nothing is recorded: the link or the app was gone."""

    start_s: float
    end_s: float

    def apply(self, trace: Trace, workout: Workout, rng: np.random.Generator) -> Changed:
        del workout, rng
        size = self.end_s - self.start_s
        entry = Entry("interruption", "timer", self.start_s, self.end_s, size, "s")
        return replace(trace, kept=trace.kept & ~trace.between(self.start_s, self.end_s)), (entry,)
