"""Each effect on the heart rate puts in what its manifest entry says."""

import numpy as np
import pytest

from tests.simulate.devices import Device, Recorded, record
from tests.simulate.effects_heart_rate import (
    BeatArtefacts,
    BiasedStretch,
    CadenceLock,
    Dropouts,
    DryStart,
    FirstOrderDelay,
    FirstOrderResponse,
    FrozenValue,
    LateLock,
    MissedRise,
    PureDelay,
    PushOffGaps,
    Spikes,
    TrailingMean,
)
from tests.simulate.script import Workout
from tests.simulate.trace import Effect, Trace, draw_starts

RATE = "heart_rate_bpm"


def wear(workout: Workout, *effects: Effect) -> Recorded:
    return record(Device("alder-2", "Alder 2", beats=True, effects=effects), workout, seed=5)


def error_bpm(held: Recorded) -> np.ndarray:
    truth = np.interp(held.true_s, held.workout.time_s, held.workout.heart_rate_bpm)
    return np.asarray(held.channels[RATE] - truth)


def test_a_late_lock_reads_low_until_the_lock(laps: Workout) -> None:
    held = wear(laps, LateLock(90.0, 20.0, 7.0))
    error = error_bpm(held)
    assert np.isnan(error[:7]).all()
    np.testing.assert_allclose(error[7:90], -20.0)
    np.testing.assert_array_equal(error[90:], 0.0)
    assert held.entries[0].kind == "late_lock"
    assert held.entries[0].size == 90.0


@pytest.mark.parametrize(
    "effect", [FirstOrderDelay(6.0), FirstOrderResponse(6.0), PureDelay(6.0), TrailingMean(13)]
)
def test_a_delay_moves_a_ramp_by_what_it_says(laps: Workout, effect: Effect) -> None:
    time = np.arange(0.0, 400.0)
    trace = Trace(
        time_s=time,
        channels={RATE: 60.0 + 0.5 * time},
        beats_s=np.empty(0),
        kept=np.ones(400, dtype=bool),
    )
    changed, (entry,) = effect.apply(trace, laps, np.random.default_rng(1))
    # On a ramp of 0.5 bpm/s a delay of 6 s is 3 bpm; a mean of the last 13 s lags 6 s.
    assert entry.size == 6.0
    assert (trace.channels[RATE] - changed.channels[RATE])[200:] == pytest.approx(3.0, abs=1e-6)


@pytest.mark.parametrize("constant_s", [2.0, 8.0, 20.0])
def test_a_first_order_response_makes_two_thirds_of_a_step_in_its_constant(
    laps: Workout, constant_s: float
) -> None:
    time = np.arange(0.0, 200.0)
    trace = Trace(
        time_s=time,
        channels={RATE: np.where(time < 50, 100.0, 150.0)},
        beats_s=np.empty(0),
        kept=np.ones(200, dtype=bool),
    )
    changed, _ = FirstOrderResponse(constant_s).apply(trace, laps, np.random.default_rng(1))
    answer = changed.channels[RATE]
    # Straight between seconds, the step is a ramp from 49 to 50. By hand: after it what is lacking
    # is 50 tau (1 - exp(-1 / tau)) and falls by exp(-1 / tau) each second.
    lacking = 50 * constant_s * (1 - np.exp(-1 / constant_s))
    after = 150 - lacking * np.exp(-(time[50:] - 50) / constant_s)
    assert answer[:50] == pytest.approx(100.0)
    assert answer[50:] == pytest.approx(after)


def test_a_biased_stretch_is_off_by_its_size_and_only_there(laps: Workout) -> None:
    error = error_bpm(wear(laps, BiasedStretch(200.0, 260.0, -9.0)))
    assert np.flatnonzero(np.abs(error) > 1e-9).tolist() == list(range(200, 260))
    np.testing.assert_allclose(error[200:260], -9.0)


def test_a_missed_rise_follows_only_its_share(laps: Workout) -> None:
    held = wear(laps, MissedRise(0.0, 120.0, 0.25))
    truth = held.workout.heart_rate_bpm
    np.testing.assert_allclose(held.channels[RATE][100] - truth[0], 0.25 * (truth[100] - truth[0]))
    assert held.entries[0].size == pytest.approx(0.75 * (truth[:120].max() - truth[0]))


def test_a_cadence_lock_reads_the_steps(laps: Workout) -> None:
    held = wear(laps, CadenceLock(150.0, 210.0, 0.5))
    off = held.channels[RATE] - laps.cadence_per_min
    assert np.abs(off[150:210]).max() < 3.0
    assert held.entries[0].size == pytest.approx(error_bpm(held)[150:210].mean())


def test_spikes_dropouts_and_frozen_values_stand_where_the_manifest_says(laps: Workout) -> None:
    held = wear(laps, FrozenValue(30.0, 70.0), Spikes(2, 25.0, 5, 120.0), Dropouts(2, 12, 120.0))
    error = error_bpm(held)
    kinds = [entry.kind for entry in held.entries]
    assert kinds == ["frozen", "spike", "spike", "dropout", "dropout"]
    assert len(np.unique(held.channels[RATE][30:70])) == 1
    for entry in held.entries[1:]:
        part = error[int(entry.start_s) : int(entry.end_s)]
        if entry.kind == "dropout":
            assert np.isnan(part).all()
        else:
            assert np.nanmin(part) == pytest.approx(25.0)
    assert np.isnan(error).sum() == 24


def test_push_off_gaps_follow_push_offs(lengths: Workout) -> None:
    held = wear(lengths, PushOffGaps(1.0, 9, 2.0))
    starts = [length.start_s + 2.0 for length in lengths.pool_lengths]
    assert [entry.start_s for entry in held.entries] == starts
    assert np.isnan(held.channels[RATE]).sum() == 9 * 12


def test_a_dry_strap_is_wrong_only_until_it_is_wet(laps: Workout) -> None:
    error = error_bpm(wear(laps, DryStart(60.0, 14.0)))
    assert np.isnan(error[:60]).any()
    np.testing.assert_array_equal(error[60:], 0.0)
    assert set(np.round(error[:60][np.isfinite(error[:60])], 6)) <= {0.0, 14.0}


def test_beat_artefacts_are_one_missed_and_one_extra_beat_in_turn(laps: Workout) -> None:
    held = wear(laps, BeatArtefacts(4))
    assert [entry.kind for entry in held.entries] == [
        "missed_beat", "extra_beat", "missed_beat", "extra_beat",
    ]  # fmt: skip
    assert len(held.beats_unix_s) == len(wear(laps).beats_unix_s)
    intervals = np.diff(held.beats_unix_s)
    assert (intervals > 1.6 * np.median(intervals)).sum() >= 2


def test_stretches_that_do_not_fit_are_left_out() -> None:
    rng = np.random.default_rng(1)
    assert draw_starts(5, 30.0, (0.0, 20.0), rng) == []
    starts = draw_starts(50, 10.0, (0.0, 300.0), rng)
    assert 1 < len(starts) < 50
    assert min(np.diff(starts)) >= 10.0
    assert starts[-1] + 10.0 <= 301.0
