"""Errors that wander still put in what their manifest entries say."""

import numpy as np
import pytest

from tests.simulate.devices import Device, Recorded, record
from tests.simulate.effects_position import PositionNoise
from tests.simulate.effects_sky import DriftingFix, SpeedJitter, WanderingDistance
from tests.simulate.effects_strap import DryStrap, Interruption
from tests.simulate.effects_wrist import (
    RaggedDropouts,
    RaggedSpikes,
    RestlessSensor,
    SlowLock,
    SluggishRise,
    StrayCadence,
    WanderingStretch,
)
from tests.simulate.places import Place
from tests.simulate.routes import PATH, STREET, WOOD, lay_route
from tests.simulate.script import Effort, Workout, perform
from tests.simulate.terrain import Terrain
from tests.simulate.trace import Effect
from tests.unit.simulate.conftest import START_UTC

RATE = "heart_rate_bpm"


def wear(workout: Workout, *effects: Effect, seed: int = 5) -> Recorded:
    return record(Device("alder-2", "Alder 2", beats=True, effects=effects), workout, seed=seed)


def error_bpm(held: Recorded) -> np.ndarray:
    truth = np.interp(held.true_s, held.workout.time_s, held.workout.heart_rate_bpm)
    return np.asarray(held.channels[RATE] - truth)


@pytest.mark.parametrize("seed", range(8))
def test_a_slow_lock_ends_at_its_instant_and_never_looks_locked_before(
    laps: Workout, seed: int
) -> None:
    held = wear(laps, SlowLock(200.0, 32.0, 7.0), seed=seed)
    error = error_bpm(held)
    assert np.isnan(error[:7]).all()
    early = error[20:199]
    assert (early < -5.0).mean() > 0.95
    right = np.abs(error) <= 5.0
    lasting = [at for at in range(7, 400) if right[at : at + 20].all()]
    assert lasting[0] == pytest.approx(200.0, abs=1.0)
    assert np.nanmean(early) == pytest.approx(-28.0, abs=10.0)
    assert np.std(early) > 2.0  # no plateau
    assert np.abs(error[215:]).max() < 0.1
    assert held.entries[0].size == 200.0


def test_a_stray_sensor_follows_the_steps_between_its_slides(laps: Workout) -> None:
    held = wear(laps, StrayCadence(150.0, 210.0))
    steps = np.interp(held.true_s, laps.time_s, laps.cadence_per_min)
    assert np.abs(held.channels[RATE] - steps)[157:203].max() < 6.0
    error = error_bpm(held)
    assert np.abs(error[:150]).max() == np.abs(error[211:]).max() == 0.0
    assert held.entries[0].size == pytest.approx(error[156:204].mean(), abs=0.5)


def test_a_wandering_stretch_has_its_mean_and_no_plateau(laps: Workout) -> None:
    held = wear(laps, WanderingStretch(200.0, 320.0, -9.0))
    error = error_bpm(held)
    assert error[200:320].mean() == pytest.approx(-9.0)
    assert error[210:310].std() > 1.0
    assert error[200] == error[199] == 0.0


def test_a_sluggish_rise_is_hardly_followed_and_caught_up(laps: Workout) -> None:
    held = wear(laps, SluggishRise(5.0, 120.0))
    error = error_bpm(held)
    assert held.entries[0].size == pytest.approx(-error.min())
    assert error.min() < -15.0
    assert np.abs(error[121:]).max() == 0.0


def test_a_restless_sensor_has_its_noise_by_and_large(laps: Workout) -> None:
    held = wear(laps, RestlessSensor(1.5))
    assert error_bpm(held).std() == pytest.approx(held.entries[0].size, rel=1e-6)
    assert 0.8 < held.entries[0].size < 2.4


def test_ragged_dropouts_and_spikes_are_where_they_are_said_to_be(laps: Workout) -> None:
    held = wear(laps, RaggedDropouts(3, 20.0, from_s=60.0))
    gone = np.isnan(held.channels[RATE])
    assert gone.sum() == sum(entry.size for entry in held.entries)
    assert len({entry.size for entry in held.entries}) > 1
    held = wear(laps, RaggedSpikes(2, from_s=60.0))
    error = error_bpm(held)
    for entry in held.entries:
        inside = error[int(entry.start_s) : int(entry.end_s)]
        assert inside.max() == pytest.approx(entry.size)
    assert np.count_nonzero(error) <= sum(entry.end_s - entry.start_s for entry in held.entries)


def test_a_dry_strap_loses_beats_with_its_values_until_it_is_wet(laps: Workout) -> None:
    held = wear(laps, DryStrap(100.0))
    error = error_bpm(held)
    assert np.isnan(error[:100]).sum() >= 3
    assert np.nanmax(error[:100]) > 10.0
    assert (error[100:] == 0.0).all()
    begun = laps.start_utc.timestamp()
    true = laps.beats_s[laps.beats_s > 100.0]
    shown = held.beats_unix_s[held.beats_unix_s > begun + 100.0] - begun
    np.testing.assert_allclose(shown, true[true <= held.true_s[-1]], atol=1e-6)
    early = np.diff(held.beats_unix_s[held.beats_unix_s < begun + 100.0])
    assert early.max() > 2.0  # beats are lost
    assert early.min() < 0.36  # and noise is counted


def test_an_interruption_leaves_nothing_between_its_ends(laps: Workout) -> None:
    held = wear(laps, Interruption(100.0, 160.0))
    assert not ((held.true_s >= 100.0) & (held.true_s < 160.0)).any()
    assert len(held.true_s) == len(wear(laps).true_s) - 60


def test_distance_wanders_on_the_way_and_is_the_share_in_all(laps: Workout) -> None:
    held = wear(laps, WanderingDistance(1.01))
    counted = held.channels["distance_m"]
    true = np.interp(held.true_s, laps.time_s, laps.distance_m)
    assert counted[-1] == pytest.approx(1.01 * true[-1])
    assert np.ptp((counted - 1.01 * true)[10:]) > 1.0
    assert (np.diff(counted) >= 0.0).all()


def test_speed_wanders_but_not_at_rest(laps: Workout) -> None:
    held = wear(laps, SpeedJitter(0.1))
    true = np.interp(held.true_s, laps.time_s, laps.speed_mps)
    off = held.channels["speed_mps"] - true
    assert off[true > 0.3].std() == pytest.approx(0.1, rel=0.25)
    assert (off[true == 0.0] == 0.0).all()


@pytest.fixture(scope="module")
def round_trip() -> Workout:
    legs = [(STREET, (900.0, 0.0)), (WOOD, (900.0, 900.0)), (PATH, (0.0, 900.0)),
            (PATH, (0.0, 0.0))]  # fmt: skip
    path = lay_route((0.0, 0.0), legs, seed=1, terrain=Terrain(300.0, (), 0.0, 1), graded_m=0.0)
    return perform(
        [Effort("run", 1300.0, 3.0, 0.6, 166.0)],
        name="round trip",
        activity="running",
        place=Place("round", path),
        start_utc=START_UTC,
        seed=1,
    )


def measure_m(held: Recorded) -> np.ndarray:
    truth = held.workout.sample(held.true_s)
    return np.array([held.channels[name] - truth[name] for name in ("east_m", "north_m")])


def test_a_drifting_fix_keeps_its_error_for_a_while(round_trip: Workout) -> None:
    held = wear(round_trip, DriftingFix(1.5, 0.0, 0.0))
    error = measure_m(held)
    assert np.sqrt((error**2).sum(axis=0).mean()) == pytest.approx(held.entries[0].size)
    drift = [np.corrcoef(one[:-10], one[10:])[0, 1] for one in error]
    white = measure_m(wear(round_trip, PositionNoise(1.5)))
    assert min(drift) > 0.6
    assert abs(np.corrcoef(white[0][:-10], white[0][10:])[0, 1]) < 0.15


def test_trees_and_houses_make_it_worse_where_they_are(round_trip: Workout) -> None:
    worse = {"street": 0, "trees": 0}
    for seed in range(6):
        held = wear(round_trip, DriftingFix(0.3, 4.0, 5.0), seed=seed)
        off = np.hypot(*measure_m(held))
        gone = np.interp(held.true_s, round_trip.time_s, round_trip.distance_m)
        path = round_trip.place.path
        assert path is not None
        street, trees = path.see_sky(gone)
        in_the_open = np.median(off[(street < 0.1) & (trees < 0.5)])
        worse["street"] += bool(np.median(off[street > 0.9]) > 1.5 * in_the_open)
        worse["trees"] += bool(np.median(off[trees > 0.9]) > 1.5 * in_the_open)
    assert min(worse.values()) >= 5
