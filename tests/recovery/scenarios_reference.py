"""The reference is no truth either: its own faults are put in, and must be told apart."""

import numpy as np

from tests.recovery.expect import Prepared, Worksheet, Worn, error_of, find_entries
from tests.recovery.scenarios_heart_rate import CHANNELS, STEADY, live_intervals
from tests.recovery.scenarios_heart_rate_causes import Gap
from tests.simulate.devices import Device
from tests.simulate.effects_heart_rate import (
    BeatArtefacts,
    BiasedStretch,
    DryStart,
    FrozenValue,
    Spikes,
)
from tests.simulate.trace import Effect

# In a shorter dry start there may be too few faults to tell it from chance [s].
LONG_ENOUGH_S = 60.0


def _make(name: str, serial: int, *effects: Effect, site: str = "wrist") -> Device:
    return Device(name, name, serial=serial, site=site, channels=CHANNELS, effects=effects)


def prepare_reference(seed: int) -> Prepared:
    """Return a strap with gaps, a frozen value and spikes, and a second reference beside it."""
    sheet = Worksheet(live_intervals(seed), seed)
    draw = np.random.default_rng([seed, 10])
    span = {effort.name: effort for effort in sheet.workout.efforts}
    steady_s = span[STEADY].start_s
    rise = span["repetition 3"]
    frozen = FrozenValue(rise.start_s + 5.0, rise.start_s + 65.0)
    spikes = Spikes(int(draw.integers(1, 4)), 30.0, 5, steady_s + 100.0)
    # In the warm-up, where they meet none of the other faults.
    length_s = float(draw.integers(15, 40))
    gaps = (Gap(150.0, 150.0 + length_s), Gap(280.0, 280.0 + length_s))
    held = sheet.wear(
        Worn(_make("strap", 101, *gaps, frozen, spikes, site="chest"), "reference",
             reference_for=("heart_rate",))
    )  # fmt: skip
    doubt_s = float(draw.integers(60, 120))
    doubt = BiasedStretch(steady_s - 240.0, steady_s - 240.0 + doubt_s, 12.0)
    sheet.wear(Worn(_make("band", 102, doubt), "reference", reference_for=("heart_rate",)))
    sheet.wear(Worn(_make("watch", 103)))
    sheet.wear(Worn(_make("other-watch", 104)))
    missing = int(np.isnan(held.channels["heart_rate_bpm"]).sum())
    sheet.expect("watch", "hr_reference_missing_s", missing, 0.0, "longer than what is bridged",
                 effect="dropout")  # fmt: skip
    spiked = sum(entry.end_s - entry.start_s for entry in find_entries(held, "spike"))
    sheet.expect("watch", "hr_reference_masked_s", 60.0 + spiked, 8.0,
                 "a second or two at either end of what is masked", effect="frozen")  # fmt: skip
    sheet.expect("watch", "hr_bias_bpm", 0.0, 0.12, "what is left of masked seconds",
                 effect="frozen")  # fmt: skip
    sheet.expect("watch", "hr_reference_frozen_s", 60.0, 8.0,
                 "rounded truth may stand still at either end", effect="frozen")  # fmt: skip
    sheet.expect("watch", "hr_reference_spikes", len(find_entries(held, "spike")), 0.0,
                 "30 bpm that no other device shows", effect="spike")  # fmt: skip
    # Where the strap itself is frozen or spiked, the band disagrees with it as well.
    sheet.expect("watch", "hr_reference_doubtful_s", doubt_s, 8.0,
                 "a second or two at either end of what is masked",
                 effect="biased_stretch")  # fmt: skip
    return sheet.close()


def prepare_beats(seed: int) -> Prepared:
    """Return a strap whose beats have single faults and whose start is dry."""
    sheet = Worksheet(live_intervals(seed), seed)
    draw = np.random.default_rng([seed, 11])
    faults = BeatArtefacts(2 * int(draw.integers(2, 8)))
    strap = Device("strap", "strap", serial=111, site="chest", channels=CHANNELS, beats=True,
                   effects=(faults,))  # fmt: skip
    held = sheet.wear(Worn(strap, "reference", reference_for=("heart_rate",)))
    sheet.wear(Worn(_make("watch", 112)))
    whole = len(held.beats_unix_s) - 1
    missed = len(find_entries(held, "missed_beat"))
    extra = len(find_entries(held, "extra_beat"))
    # A missed beat leaves one interval that is too long, an extra one two that are too short;
    # correcting runs over several rounds and may come back to one: 1 to 2.5 corrections a fault.
    faults_put = missed + extra
    share = 100.0 * 1.75 * faults_put / whole
    room = 100.0 * 0.75 * faults_put / whole + 0.005
    why = "1 to 2.5 corrections a fault: an extra beat spoils two intervals"
    sheet.expect("watch", "hr_reference_beats_corrected_pct", share, room, why,
                 effect="missed_beat")  # fmt: skip
    sheet.expect("watch", "hr_bias_bpm", 0.0, 0.3, "beats vary about the rate",
                 effect="missed_beat")  # fmt: skip
    sheet.expect("watch", "hr_p95_abs_bpm", 0.0, 3.0, "beats vary about the rate",
                 effect="missed_beat")  # fmt: skip
    return sheet.close()


def prepare_dry_start(seed: int) -> Prepared:
    """Return a strap that is dry in the beginning, beside two other devices."""
    sheet = Worksheet(live_intervals(seed), seed)
    draw = np.random.default_rng([seed, 12])
    # Long enough for the four events that a dry start is told by.
    until_s = float(draw.integers(120, 240))
    dry = DryStart(until_s)
    held = sheet.wear(Worn(_make("strap", 121, dry, site="chest"), "reference",
                    reference_for=("heart_rate",)))  # fmt: skip
    sheet.wear(Worn(_make("watch", 122)))
    sheet.wear(Worn(_make("band", 123)))
    sheet.expect("watch", "hr_bias_bpm", 0.0, 0.3, "some seconds at the end of the dry start",
                 effect="dry_start")  # fmt: skip
    strap = held.channels["heart_rate_bpm"]
    wrong = np.isnan(strap) | (np.abs(error_of(held)) > 1.0)
    last_s = float(held.true_s[np.flatnonzero(wrong)[-1]]) + 1.0
    why = "gaps of 5 s are bridged: the last event to be seen may be an earlier one"
    sheet.expect("watch", "hr_reference_dry_s", last_s, 25.0, why, effect="dry_start")
    return sheet.close()
