"""Battery: known drain, two settings, and notes that agree or do not."""

import numpy as np

from tests.recovery.expect import Prepared, Worksheet, Worn
from tests.recovery.scenarios_other import START_UTC, live_walk, make_watch, write_notes
from tests.simulate.effects_other import BatteryDrain, SmartSampling
from tests.simulate.places import Place, build_winding_loop
from tests.simulate.script import Effort, perform

# Default of the setting `battery.min_shared_range_pct`.


def prepare_battery(seed: int) -> Prepared:
    """Return a long hike with two settings of one watch."""
    path = build_winding_loop(
        seed, corners=20, radius_m=1200.0, wiggle=0.08, corner_radius_m=8.0,
        profile=((0.0, 300.0), (0.5, 520.0), (1.0, 300.0)),
    )  # fmt: skip
    workout = perform(
        [Effort("hike", 9000.0, 1.4, 0.35, 112.0)],
        name=f"hike {seed}",
        activity="hiking",
        place=Place("ridge", path),
        start_utc=START_UTC,
        seed=seed,
    )
    sheet = Worksheet(workout, seed)
    draw = np.random.default_rng([seed, 7])
    rates = {"thirsty": float(draw.uniform(5.0, 9.0)), "sparing": float(draw.uniform(2.5, 4.5))}
    rooms, ranges = {}, {}
    for serial, (name, rate) in enumerate(rates.items(), start=71):
        drain = BatteryDrain(rate, float(draw.uniform(70.0, 100.0)))
        held = sheet.wear(
            Worn(make_watch(name, serial, drain, SmartSampling(9)), claimed_gnss_hours=20)
        )
        # Between two changes of a whole percent the time is known to a minute at either end.
        changes_h = (np.floor(rate * 2.5) - 1) / rate
        room = rooms[name] = 2.0 / 60.0 / changes_h
        why = "the level is written once a minute"
        sheet.expect(name, "battery_rate_pct_per_h", rate, rate * room, why)
        sheet.expect(name, "battery_projected_h", 100.0 / rate, 100.0 / rate * room * 1.1, why)
        percent = 100.0 * (100.0 / rate / 20.0 - 1.0)
        sheet.expect(name, "battery_vs_claim_pct", percent, (100.0 + percent) * room * 1.1, why)
        levels = [percent for _, percent, _ in held.battery]
        ranges[name] = (levels[-1], levels[0] - 1)
        sheet.expect(name, "battery_from_pct", levels[0] - 1, 0.0, "the level after one change")
        sheet.expect(name, "battery_to_pct", levels[-1], 0.0, "the last level")
    both = rates["thirsty"] - rates["sparing"]
    room = sum(rates[name] * rooms[name] for name in rates)
    sheet.expect("thirsty", "battery_rate_difference_pct_per_h", both, room, why)
    sheet.expect("sparing", "battery_rate_difference_pct_per_h", -both, room, why)
    (low, high), (other_low, other_high) = ranges.values()
    common = max(0, min(high, other_high) - max(low, other_low))
    share = 100.0 * common / min(high - low, other_high - other_low)
    sheet.expect("thirsty", "battery_shared_range_pct", share, 0.01, "whole percent")
    sheet.expect("thirsty", "count:battery_contradiction", 0.0, 0.0, "the notes say nothing")
    return sheet.close(notes=write_notes("hiking", "outdoors"))


def prepare_noted_battery(seed: int) -> Prepared:
    """Return a walk whose notes contradict what the export says of the charge."""
    sheet = Worksheet(live_walk(seed), seed)
    held = sheet.wear(Worn(make_watch("honest", 75, BatteryDrain(30.0, 90.0))))
    sheet.wear(Worn(make_watch("contradicted", 76, BatteryDrain(30.0, 90.0))))
    sheet.expect("honest", "count:battery_contradiction", 0.0, 0.0, "the notes say the same")
    sheet.expect("contradicted", "count:battery_contradiction", 1.0, 0.0, "half as much again")
    first, last = held.battery[0][1], held.battery[-1][1]
    notes = write_notes("walking", "outdoors") + (
        f"[setup.honest]\nbattery_start_pct = {first}\nbattery_end_pct = {last}\n"
        f"[setup.contradicted]\nbattery_start_pct = {first}\nbattery_end_pct = {last - 8}\n"
    )
    return sheet.close(notes=notes)
