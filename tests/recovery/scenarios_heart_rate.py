"""Heart rate: one workout, one reference, one wrong device per effect."""

from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from tests.recovery.expect import Prepared, Worksheet, Worn, error_of, find_entries
from tests.simulate.devices import Device
from tests.simulate.effects_heart_rate import (
    BiasedStretch,
    CadenceLock,
    ConstantBias,
    Dropouts,
    FirstOrderResponse,
    FrozenValue,
    LateLock,
    MissedRise,
    PureDelay,
    SensorNoise,
    Spikes,
)
from tests.simulate.effects_other import SmartSampling
from tests.simulate.places import Place, build_track
from tests.simulate.script import Effort, Span, Workout, perform
from tests.simulate.trace import Effect

Floats = NDArray[np.float64]

START_UTC = datetime(2026, 1, 10, 8, 0, tzinfo=UTC)
# Speed is there so that clocks are set by it: alignment by heart rate would hide the lag.
CHANNELS = ("heart_rate_bpm", "speed_mps", "cadence_per_min", "distance_m")
# Both sides are rounded to whole beats per minute. A constant b = k + f becomes k or k + 1, the
# latter in a share f of the seconds: its mean stays b, its SD is sqrt(f (1 - f)).
ROUNDED = "whole numbers on both sides"
REPETITIONS = 3
STEADY = "steady"


def live_intervals(seed: int, *, steady_s: float = 560.0) -> Workout:
    """Return a run of warm-up, three hard repetitions and a long steady part."""
    efforts = [Effort("warm-up", 420.0, 2.8, 0.5, 164.0)]
    for number in range(1, REPETITIONS + 1):
        efforts.append(Effort(f"repetition {number}", 150.0, 4.0, 0.92, 180.0))
        efforts.append(Effort(f"recovery {number}", 150.0, 2.2, 0.40, 156.0))
    efforts.append(Effort(STEADY, steady_s, 3.1, 0.66, 174.0))
    return perform(
        efforts,
        name=f"intervals {seed}",
        activity="running",
        place=Place("track", build_track()),
        start_utc=START_UTC,
        seed=seed,
    )


def prepare_heart_rate(seed: int) -> Prepared:
    """Return the workout with its reference and twelve devices, each with one effect."""
    workout = live_intervals(seed)
    sheet = Worksheet(workout, seed)
    draw = np.random.default_rng([seed, 1])
    span = {effort.name: effort for effort in workout.efforts}
    sheet.wear(Worn(_make("hazel", 1, site="chest"), "reference", reference_for=("heart_rate",)))
    _expect_perfection(sheet)
    _expect_bias(sheet, float(draw.choice([-1.0, 1.0]) * draw.uniform(3.0, 9.0)))
    _expect_noise(sheet, float(draw.uniform(1.5, 4.0)))
    _expect_late_lock(sheet, float(draw.integers(60, 240)), float(draw.integers(3, 15)))
    _expect_late_lock_of_sparse_samples(sheet, float(draw.integers(60, 240)))
    steady_from = span[STEADY].start_s + 100.0
    _expect_spikes(sheet, int(draw.integers(2, 5)), steady_from)
    _expect_dropouts(sheet, int(draw.integers(2, 4)), int(draw.integers(20, 50)))
    _expect_frozen(sheet, span["repetition 2"])
    length_s = float(draw.integers(90, 200))
    _expect_stretch(
        sheet, steady_from + 60.0, length_s, float(draw.choice([-1, 1]) * draw.uniform(11, 18))
    )
    _expect_step_lock(sheet, steady_from, float(draw.integers(60, 150)))
    _expect_delay(sheet, float(draw.integers(2, 8)))
    _expect_damping(sheet, float(draw.uniform(8.0, 20.0)))
    _expect_shallow_rises(sheet, float(draw.uniform(0.6, 0.8)))
    _expect_missed_rise(sheet, span["repetition 2"])
    return sheet.close()


def _make(name: str, serial: int, *effects: Effect, site: str = "wrist") -> Device:
    return Device(name, name, serial=serial, site=site, channels=CHANNELS, effects=effects)


def _expect_perfection(sheet: Worksheet) -> None:
    name = "no-effect"
    sheet.wear(Worn(_make(name, 2)))
    why = "same truth, same rounding, same clock"
    for quantity in (
        "hr_bias_bpm", "hr_sd_bpm", "hr_mae_bpm", "hr_mape_pct", "hr_rmse_bpm",
        "hr_p95_abs_bpm", "hr_loa_low_bpm", "hr_loa_high_bpm", "hr_first_value_s", "hr_lock_s",
        "hr_longest_gap_s", "hr_dropouts", "hr_dropout_s", "hr_spikes", "hr_biased_s",
        "hr_cadence_lock_s",
        "hr_lag_s", "hr_rise_delay_s", "hr_missed_rises_pct",
    ):  # fmt: skip
        sheet.expect(name, quantity, 0.0, 1e-6, why)
    for quantity in ("hr_within_5_bpm_pct", "hr_within_10_pct_pct", "hr_coverage_pct"):
        sheet.expect(name, quantity, 100.0, 1e-6, why)
    for quantity in ("hr_ccc", "hr_pearson_r"):
        sheet.expect(name, quantity, 1.0, 1e-9, why)
    workout = sheet.workout
    sheet.expect(name, "hr_mean_bpm", float(workout.heart_rate_bpm.mean()), 0.1, ROUNDED)
    sheet.expect(name, "hr_rises", count_rises(workout), 0.0, "efforts of the script")
    sheet.expect(name, "hr_equal_pct", 100.0, 1e-6, why)
    sheet.expect(name, "hr_same_signal", 1.0, 0.0, why)
    for quantity in ("hr_reference_missing_s", "hr_reference_masked_s"):
        sheet.expect(name, quantity, 0.0, 0.0, "the reference is whole")
    for kind in ("late_lock", "dropout", "spike", "biased_stretch", "missed_rise",
                 "cadence_lock", "frozen"):  # fmt: skip
        sheet.expect(name, f"false:{kind}", 0.0, 0.0, why)


def _expect_bias(sheet: Worksheet, bias_bpm: float) -> None:
    name = "biased"
    held = sheet.wear(Worn(_make(name, 3, ConstantBias(bias_bpm))))
    truth = held.workout.heart_rate_bpm
    share = bias_bpm % 1.0
    sd_bpm = float(np.sqrt(share * (1.0 - share)))
    sheet.expect(name, "hr_bias_bpm", bias_bpm, 0.1, ROUNDED)
    sheet.expect(name, "hr_mae_bpm", abs(bias_bpm), 0.1, ROUNDED)
    sheet.expect(name, "hr_sd_bpm", sd_bpm, 0.1, ROUNDED)
    sheet.expect(name, "hr_rmse_bpm", float(np.hypot(bias_bpm, sd_bpm)), 0.1, ROUNDED)
    sheet.expect(name, "hr_mape_pct", float(np.mean(100 * abs(bias_bpm) / truth)), 0.1, ROUNDED)
    sheet.expect(name, "hr_loa_low_bpm", bias_bpm - 1.96 * sd_bpm, 0.3, ROUNDED)
    sheet.expect(name, "hr_loa_high_bpm", bias_bpm + 1.96 * sd_bpm, 0.3, ROUNDED)
    # Lin 1989, for two series that differ by a constant: 2 s^2 / (2 s^2 + b^2).
    lin = 2 * truth.var() / (2 * truth.var() + bias_bpm**2)
    sheet.expect(name, "hr_ccc", float(lin), 0.003, ROUNDED)
    sheet.expect(name, "hr_pearson_r", 1.0, 0.002, ROUNDED)
    sheet.expect(name, "false:spike", 0.0, 0.0, "a constant is no excursion")


def _expect_noise(sheet: Worksheet, sd_bpm: float) -> None:
    name = "noisy"
    held = sheet.wear(Worn(_make(name, 4, SensorNoise(sd_bpm))))
    error = error_of(held)
    rounding = "the noise as drawn, then whole numbers on both sides"
    sheet.expect(name, "hr_bias_bpm", float(error.mean()), 0.06, rounding)
    sheet.expect(name, "hr_sd_bpm", float(np.sqrt(error.var() + 1 / 6)), 0.08, rounding)
    sheet.expect(name, "hr_rmse_bpm", float(np.sqrt(np.mean(error**2) + 1 / 6)), 0.08, rounding)
    sheet.expect(name, "hr_p95_abs_bpm", float(np.quantile(np.abs(error), 0.95)), 1.0, rounding)
    within = 100.0 * float(np.mean(np.abs(error) <= 5.5))
    sheet.expect(name, "hr_within_5_bpm_pct", within, 3.0, rounding)
    truth = held.workout.heart_rate_bpm
    either = 100.0 * float(np.mean(np.abs(error) <= np.maximum(5.5, 0.1 * truth)))
    sheet.expect(name, "hr_within_5_bpm_or_10_pct_pct", either, 3.0, rounding)
    # Rounding is white: it adds to the variance of a second, hardly to that of a mean, and thins
    # the correlation of one second with the next without shortening the memory.
    memory = float(np.corrcoef(error[:-1], error[1:])[0, 1])
    worth = len(error) * (1.0 - memory) / (1.0 + memory) * float(1 + 1 / 6 / error.var())
    sheet.expect(name, "hr_effective_n", worth, 0.15 * worth, rounding)
    # Three-cornered hat: the other devices' errors are not quite independent of each other.
    sheet.expect(name, "hr_own_error_sd_bpm", float(error.std()), 0.2 * sd_bpm + 0.3,
                 "hat with few other devices, whose own errors are of the same size")  # fmt: skip


def _expect_late_lock(sheet: Worksheet, lock_s: float, first_s: float) -> None:
    name = "late"
    sheet.wear(Worn(_make(name, 5, LateLock(lock_s, 35.0, first_s))))
    sheet.expect(name, "hr_lock_s", lock_s, 0.0, "the low reading ends within one second")
    sheet.expect(name, "hr_first_value_s", first_s, 0.0, "whole seconds")
    sheet.expect(name, "found:late_lock", 1.0, 0.0, "one was put in")
    sheet.expect(
        name, "hr_bias_bpm", 0.0, 0.0, "nothing wrong after the lock", segment="after_lock"
    )


def _expect_late_lock_of_sparse_samples(sheet: Worksheet, lock_s: float) -> None:
    name = "sparse"
    effects = (LateLock(lock_s, 35.0), SmartSampling(9))
    sheet.wear(Worn(_make(name, 15, *effects)))
    sheet.expect(name, "hr_lock_s", lock_s, 9.0, "the next sample may be 9 s later")
    sheet.expect(name, "found:late_lock", 1.0, 0.0, "one was put in")


def _expect_spikes(sheet: Worksheet, count: int, from_s: float) -> None:
    name = "spiky"
    held = sheet.wear(Worn(_make(name, 6, Spikes(count, 28.0, 5, from_s))))
    put = len(find_entries(held, "spike"))
    sheet.expect(name, "hr_spikes", put, 0.0, "28 bpm in a steady part cannot be missed")
    sheet.expect(name, "found:spike", put, 0.0, "28 bpm in a steady part cannot be missed")
    sheet.expect(name, "false:spike", 0.0, 0.0, "nothing else was put in")


def _expect_dropouts(sheet: Worksheet, count: int, length_s: int) -> None:
    name = "gappy"
    held = sheet.wear(Worn(_make(name, 7, Dropouts(count, length_s))))
    put = len(find_entries(held, "dropout"))
    seconds = float(put * length_s)
    sheet.expect(name, "hr_dropout_s", seconds, 0.0, "whole seconds, longer than what is bridged")
    sheet.expect(name, "hr_dropouts", put, 0.0, "longer than what is bridged")
    sheet.expect(name, "hr_longest_gap_s", length_s, 0.0, "whole seconds")
    whole = len(held.true_s)
    sheet.expect(name, "hr_coverage_pct", 100.0 * (1 - seconds / whole), 0.01, "whole seconds")
    sheet.expect(name, "found:dropout", put, 0.0, "longer than what is bridged")
    sheet.expect(name, "false:dropout", 0.0, 0.0, "nothing else was put in")


def _expect_frozen(sheet: Worksheet, rise: Span) -> None:
    name = "frozen"
    effect = FrozenValue(rise.start_s + 5.0, rise.start_s + 65.0)
    sheet.wear(Worn(_make(name, 8, effect)))
    sheet.expect(name, "found:frozen", 1.0, 0.0, "60 s in which the truth rises by over 10 bpm")
    sheet.expect(name, "hr_dropout_s", 60.0, 6.0,
                 "rounded truth may stand still for some seconds at either end")  # fmt: skip


def _expect_stretch(sheet: Worksheet, start_s: float, length_s: float, bias_bpm: float) -> None:
    name = "stretched"
    sheet.wear(Worn(_make(name, 9, BiasedStretch(start_s, start_s + length_s, bias_bpm))))
    # A mean over 60 s passes 5 bpm 30 - 60 * 5 / |b| seconds outside of either end.
    blur_s = 2.0 * abs(30.0 - 300.0 / abs(bias_bpm))
    sheet.expect(name, "hr_biased_s", length_s, blur_s + 4.0, "smoothing over 60 s")
    sheet.expect(name, "hr_why_unexplained_pct", 100.0, 1.0, "in a steady part, far from cadence")
    sheet.expect(name, "found:biased_stretch", 1.0, 0.0, "over 11 bpm for over 90 s")
    sheet.expect(name, "false:biased_stretch", 0.0, 0.0, "nothing else was put in")


def _expect_step_lock(sheet: Worksheet, start_s: float, length_s: float) -> None:
    name = "stepping"
    sheet.wear(Worn(_make(name, 10, CadenceLock(start_s, start_s + length_s))))
    sheet.expect(name, "hr_cadence_lock_s", length_s, 4.0,
                 "jitter of 0.7 bpm and rounded cadence at the ends")  # fmt: skip
    sheet.expect(name, "hr_why_cadence_lock_pct", 100.0, 5.0, "jitter and rounded cadence")
    sheet.expect(name, "found:cadence_lock", 1.0, 0.0, "steps are over 10 bpm off the pulse")
    sheet.expect(name, "false:cadence_lock", 0.0, 0.0, "nothing else was put in")


def _expect_delay(sheet: Worksheet, delay_s: float) -> None:
    name = "delayed"
    sheet.wear(Worn(_make(name, 11, PureDelay(delay_s))))
    sheet.expect(name, "hr_lag_s", delay_s, 0.6, "whole seconds and whole beats")
    sheet.expect(name, "hr_rise_delay_s", delay_s, 1.0, "whole seconds and whole beats")
    sheet.expect(name, "hr_rise_delay_90_s", delay_s, 1.5, "whole seconds and whole beats")
    sheet.expect(name, "hr_recovery_delay_s", delay_s, 1.0, "whole seconds and whole beats")
    sheet.expect(name, "hr_lag_spread_s", 0.0, 0.6, "the delay never changes")
    sheet.expect(name, "hr_mae_without_lag_bpm", 0.0, 0.1, "the lag in whole seconds")
    sheet.expect(name, "hr_dead_time_s", delay_s, 0.6, "a pure delay; whole beats")
    sheet.expect(name, "hr_time_constant_s", 0.0, 0.6, "a pure delay; whole beats")
    sheet.expect(name, "hr_mean_delay_s", delay_s, 0.3, "whole beats")
    sheet.expect(name, "hr_missed_rises_pct", 0.0, 0.0, "every rise is followed, only later")


def _expect_damping(sheet: Worksheet, constant_s: float) -> None:
    name = "damped"
    sheet.wear(Worn(_make(name, 13, FirstOrderResponse(constant_s))))
    why = "rounding of both sides is not quite independent: delay and constant trade a little"
    sheet.expect(name, "hr_time_constant_s", constant_s, 0.5, why)
    sheet.expect(name, "hr_dead_time_s", 0.0, 0.5, why)
    sheet.expect(name, "hr_mean_delay_s", constant_s, 0.5, "whole beats")


def _expect_shallow_rises(sheet: Worksheet, followed: float) -> None:
    name = "shallow"
    rises = [effort for effort in sheet.workout.efforts if effort.name.startswith("rep")]
    effects = [MissedRise(rise.start_s, rise.end_s + 40.0, followed) for rise in rises]
    held = sheet.wear(Worn(_make(name, 14, *effects)))
    short = [entry.size for entry in held.entries]
    missing = [0.0] * (count_rises(held.workout) - len(short)) + short
    sheet.expect(name, "hr_rise_shortfall_bpm", float(np.median(missing)), 3.0,
                 "a rise ends a little below the peak")  # fmt: skip
    sheet.expect(name, "hr_missed_rises_pct", 0.0, 0.0, "more than half is followed")


def _expect_missed_rise(sheet: Worksheet, rise: Span) -> None:
    name = "missing"
    held = sheet.wear(Worn(_make(name, 12, MissedRise(rise.start_s, rise.end_s + 20.0, 0.1))))
    rises = count_rises(held.workout)
    sheet.expect(name, "hr_missed_rises_pct", 100.0 / rises, 0.1, "one rise of all was missed")
    sheet.expect(name, "found:missed_rise", 1.0, 0.0, "nine tenths of it are missing")
    sheet.expect(name, "false:missed_rise", 0.0, 0.0, "nothing else was put in")


def count_rises(workout: Workout) -> int:
    """Count the efforts of the script that lift the truth by over 15 bpm within 90 s."""
    lifted = 0
    for effort in workout.efforts:
        begin = int(effort.start_s)
        part = workout.heart_rate_bpm[begin : begin + 91]
        lifted += bool(part.max() - part[0] > 15.0)
    return lifted
