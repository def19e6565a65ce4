"""Who wore what in which workout of the demo, and what went wrong: the story to be found.

In the cold the new watch locks late; on descents it falls into the cadence; in part of the
intervals it reads low; both watches measure distance alike; the new one keeps the corners that
the old one cuts; its better satellite mode costs battery. Besides, as in life: lights to wait at,
a strap that is dry once, a recording that breaks off once.
"""

from collections.abc import Callable
from dataclasses import replace

from tests.simulate import demo_devices as own
from tests.simulate import demo_workouts as days
from tests.simulate.demo_day import OLD, Day, add_sky, set_gnss, wear
from tests.simulate.devices import Clock
from tests.simulate.effects_heart_rate import FrozenValue, PushOffGaps
from tests.simulate.effects_other import (
    AutomaticDetection,
    AutoPause,
    Barometer,
    BatteryDrain,
    EarlyStop,
    LateStart,
    OwnAscent,
    PoolCounter,
    SmartSampling,
    StrokeMisread,
    TreadmillEstimate,
)
from tests.simulate.effects_position import (
    CornerCutting,
    FilteredPosition,
    LateFirstFix,
    PositionGap,
    PositionJump,
)
from tests.simulate.effects_sky import DriftingFix, SpeedJitter, WanderingDistance
from tests.simulate.effects_strap import DryStrap, Interruption
from tests.simulate.effects_wrist import (
    RaggedDropouts,
    RaggedSpikes,
    SlowLock,
    SluggishRise,
    StrayCadence,
    WanderingStretch,
)
from tests.simulate.script import Span

LONG_DESCENT_S = 190.0
ALL_SYSTEMS_PCT_PER_H = 6.4
GPS_ONLY_PCT_PER_H = 3.9
ALDER_1_PCT_PER_H = 5.1


def on_track() -> Day:
    """Laps: the new watch locks after 190 s of cold; distance is alike."""
    return Day(
        days.run_track(),
        "track",
        (
            wear(
                own.ALDER_2,
                SlowLock(190.0, 38.0, 9.0),
                RaggedSpikes(2, 26.0),
                *add_sky(True),
                Barometer(4.0, 2.0, 0.3),
                BatteryDrain(ALL_SYSTEMS_PCT_PER_H, 97.0),
                setup=set_gnss("all-systems", 97),
            ),
            wear(
                own.ALDER_1,
                SlowLock(29.0, 25.0, 4.0),
                *add_sky(False, 9),
                Barometer(-6.0, 3.0, 0.5),
                BatteryDrain(ALDER_1_PCT_PER_H, 88.0),
                formats=("fit", "gpx"),
                setup=dict(OLD),
            ),
            wear(own.HAZEL_ON_FOOT),
            wear(own.ROWAN, RaggedDropouts(1, 25), formats=("iso.csv",)),
        ),
        truth={"distance_m": 6000, "distance_tolerance_pct": 0.1},
    )


def on_trail() -> Day:
    """Corners: the old watch cuts them; on the descents the new one reads the steps."""
    workout = days.run_trail()
    locks = tuple(
        StrayCadence(span.start_s, span.end_s)
        for descent in days.find_descents(workout)
        for span in _stray_in(descent)
    )
    return Day(
        workout,
        "outdoors",
        (
            wear(
                own.ALDER_2,
                SlowLock(240.0, 30.0, 12.0),
                *locks,
                *add_sky(True),
                LateFirstFix(8.0),
                Barometer(2.0, -4.0, 0.3),
                OwnAscent(1.04),
                BatteryDrain(ALL_SYSTEMS_PCT_PER_H, 91.0),
                setup=set_gnss("all-systems", 91),
            ),
            wear(
                own.ALDER_1,
                SlowLock(27.0, 25.0, 4.0),
                RaggedSpikes(3, 24.0),
                *add_sky(False, 19),
                LateFirstFix(21.0),
                Barometer(-3.0, 6.0, 0.5),
                OwnAscent(1.11),
                BatteryDrain(ALDER_1_PCT_PER_H, 83.0),
                clock=Clock(1.4),
                setup=dict(OLD),
            ),
            wear(own.HAZEL_ON_FOOT, clock=Clock(-2.0)),
            wear(own.ROWAN, formats=("epoch.csv",)),
        ),
        course="forest-trail",
    )


def _stray_in(descent: Span) -> list[Span]:
    """Return when the sensor follows the steps on a descent: once, or twice where it is long."""
    begin = descent.start_s + 18.0
    if descent.end_s - descent.start_s < LONG_DESCENT_S:
        return [Span("steps", begin, descent.end_s)]
    again = begin + 142.0
    return [
        Span("steps", begin, begin + 66.0),
        Span("steps", again, min(descent.end_s, again + 90.0)),
    ]


def on_road() -> Day:
    """The ride, with lights to wait at: the old watch's file says local time and calls it UTC."""
    workout = days.ride_road()
    crossing = next(span for span in workout.efforts if span.name == "tempo, waiting")
    return Day(
        workout,
        "outdoors",
        (
            wear(
                own.ALDER_2,
                SlowLock(215.0, 26.0, 10.0),
                *add_sky(True),
                AutoPause(),
                Barometer(3.0, 2.0, 0.4),
                OwnAscent(1.02),
                BatteryDrain(ALL_SYSTEMS_PCT_PER_H, 94.0),
                setup=set_gnss("all-systems", 94),
            ),
            wear(
                own.ALDER_1,
                SlowLock(30.0, 22.0, 3.0),
                *add_sky(False, 9),
                FilteredPosition(),
                Barometer(-5.0, 5.0, 0.6),
                OwnAscent(1.07),
                BatteryDrain(ALDER_1_PCT_PER_H, 79.0),
                clock=Clock(0.0, zone_s=3600.0),
                setup=dict(OLD),
            ),
            wear(own.HAZEL),
            wear(
                own.ROWAN, FrozenValue(crossing.end_s + 2.0, crossing.end_s + 66.0), LateStart(25.0)
            ),
            wear(
                own.BIRCH,
                DriftingFix(0.8, 1.2, 1.2),
                WanderingDistance(1.0005, 0.003),
                Barometer(0.0, 0.5, 0.2),
                OwnAscent(1.01),
            ),
        ),
    )


def on_treadmill() -> Day:
    """Intervals with a dry strap: in two repetitions the new watch reads 16 bpm low."""
    workout = days.run_treadmill()
    span = {effort.name: effort for effort in workout.efforts}
    return Day(
        workout,
        "treadmill",
        (
            wear(
                own.ALDER_2,
                SlowLock(25.0, 30.0, 5.0),
                WanderingStretch(
                    span["repetition 4"].start_s + 40.0, span["repetition 5"].end_s, -16.0
                ),
                TreadmillEstimate(3.2, -3.0, 0.8),
                setup={"wrist": "left", "band": "silicone"},
            ),
            wear(
                own.ALDER_1,
                SlowLock(20.0, 20.0, 4.0),
                SluggishRise(span["repetition 2"].start_s, span["repetition 2"].end_s + 15.0),
                TreadmillEstimate(3.2, -4.0, 1.5),
                setup={"wrist": "right", "band": "silicone"},
            ),
            wear(own.HAZEL_ON_FOOT, DryStrap(82.0)),
            wear(own.ROWAN, EarlyStop(40.0), formats=("iso.csv",)),
        ),
        truth={"distance_m": 7000, "distance_tolerance_pct": 0.5},
    )


def in_the_gym() -> Day:
    """Strength: bent wrists cost both watches beats; the arm band's file has no date in it."""
    return Day(
        days.lift(),
        "gym",
        (
            wear(
                own.ALDER_2,
                SlowLock(30.0, 24.0, 6.0),
                WanderingStretch(1300.0, 1420.0, -13.0),
                RaggedDropouts(2, 30),
                setup={"wrist": "left", "band": "nylon"},
            ),
            wear(
                own.ALDER_1,
                SlowLock(33.0, 24.0, 6.0),
                WanderingStretch(420.0, 540.0, -18.0),
                RaggedDropouts(4, 30),
                setup={"wrist": "right", "band": "silicone"},
            ),
            wear(own.HAZEL, formats=("beats.csv",)),
            wear(own.ROWAN, formats=("elapsed.csv",)),
        ),
    )


def in_the_pool() -> Day:
    """Swim: the old watch misses one length and splits another."""
    workout = days.swim_pool()
    lengths = workout.pool_lengths
    return Day(
        workout,
        "pool",
        (
            wear(
                own.ALDER_2,
                PushOffGaps(0.25, 9, spread_s=3),
                StrokeMisread((33,), "freestyle"),
                setup={"wrist": "left", "band": "nylon"},
            ),
            wear(
                own.ALDER_1,
                PushOffGaps(0.7, 11, spread_s=4),
                PoolCounter(missed=(14,), split=(29, 37)),
                setup={"wrist": "right", "band": "silicone"},
            ),
            wear(own.HAZEL),
            wear(own.ROWAN, PushOffGaps(0.1, 7, spread_s=2)),
        ),
        truth={
            "lengths": len(lengths),
            "pool_length_m": 25,
            "strokes": [length.stroke for length in lengths],
        },
    )


def on_mixed_ground() -> Day:
    """Road, trail, road: the wood takes the old watch's fixes, the arm band breaks off."""
    workout = days.ride_mixed()
    wood = max(days.find_ground(workout, "trees"), key=lambda span: span.end_s - span.start_s)
    return Day(
        workout,
        "outdoors",
        (
            wear(
                own.ALDER_2,
                SlowLock(205.0, 35.0, 9.0),
                *add_sky(True),
                Barometer(3.0, 3.0, 0.4),
                OwnAscent(1.03),
                BatteryDrain(ALL_SYSTEMS_PCT_PER_H, 92.0),
                setup=set_gnss("all-systems", 92),
            ),
            wear(
                own.ALDER_1,
                SlowLock(31.0, 24.0, 5.0),
                *add_sky(False, 15),
                PositionGap(wood.start_s + 212.0, wood.start_s + 247.0),
                PositionJump(wood.start_s + 561.0, wood.start_s + 573.0),
                Barometer(-4.0, 6.0, 0.6),
                OwnAscent(1.10),
                BatteryDrain(ALDER_1_PCT_PER_H, 77.0),
                setup=dict(OLD),
            ),
            wear(own.HAZEL),
            wear(
                own.ROWAN,
                RaggedSpikes(1, 22.0),
                Interruption(wood.end_s + 96.0, wood.end_s + 214.0),
                formats=("epoch.csv",),
            ),
            wear(
                own.BIRCH,
                DriftingFix(0.8, 1.2, 1.2),
                WanderingDistance(1.0005, 0.003),
                Barometer(0.0, 0.5, 0.2),
                OwnAscent(1.01),
                formats=("tcx",),
            ),
        ),
    )


def over_the_ridge() -> Day:
    """The hike: two units of the new watch, one with all systems, one with GPS alone."""
    start = days.hike()
    return Day(
        start,
        "outdoors",
        (
            wear(
                own.ALDER_2,
                SlowLock(260.0, 30.0, 15.0),
                *add_sky(True),
                Barometer(5.0, 3.0, 0.3),
                OwnAscent(1.03),
                BatteryDrain(ALL_SYSTEMS_PCT_PER_H, 98.0),
                SmartSampling(5),
                setup=set_gnss("all-systems", 98),
            ),
            wear(
                own.ALDER_2_SECOND,
                SlowLock(235.0, 30.0, 15.0),
                CornerCutting(9),
                DriftingFix(2.6, 5.0, 6.0),
                WanderingDistance(0.988, 0.02),
                SpeedJitter(0.14),
                Barometer(5.0, 3.0, 0.3),
                OwnAscent(1.05),
                BatteryDrain(GPS_ONLY_PCT_PER_H, 98.0),
                SmartSampling(5),
                setup=set_gnss("gps-only", 98),
            ),
            wear(
                own.ALDER_1,
                SlowLock(50.0, 24.0, 5.0),
                *add_sky(False, 15),
                Barometer(-5.0, 5.0, 0.5),
                OwnAscent(1.09),
                BatteryDrain(ALDER_1_PCT_PER_H, 90.0),
                SmartSampling(9),
                AutomaticDetection(180.0, 0.5),
                setup=dict(OLD),
            ),
            wear(replace(own.HAZEL_ON_FOOT, beats=False), SmartSampling(5)),
        ),
        truth={"start_utc": start.start_utc.strftime("%Y-%m-%dT%H:%M:%SZ")},
    )


STORY: tuple[Callable[[], Day], ...] = (
    on_track,
    on_trail,
    on_road,
    on_treadmill,
    in_the_gym,
    in_the_pool,
    on_mixed_ground,
    over_the_ridge,
)
