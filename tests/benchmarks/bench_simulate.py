"""Times the simulator: an hour of five devices, simulated and written in every form.

Run as `python -m tests.benchmarks.bench_simulate`; it prints seconds and bytes.
"""

import sys
import time
from datetime import UTC, datetime

from tests.simulate.demo_day import Worn, add_sky, wear
from tests.simulate.demo_devices import ALDER_1, ALDER_2, BIRCH, HAZEL, ROWAN
from tests.simulate.demo_workouts import ROAD
from tests.simulate.devices import record
from tests.simulate.effects_heart_rate import Dropouts, LateLock, Spikes
from tests.simulate.effects_other import Barometer, BatteryDrain
from tests.simulate.formats import WRITERS
from tests.simulate.places import Place
from tests.simulate.script import Effort, perform

BULK_FORMS = ("fit", "gpx", "tcx", "iso.csv")
HOUR_S = 3600.0


def dress() -> tuple[Worn, ...]:
    """Return the five devices with the effects of an ordinary day."""
    battery = BatteryDrain(6.0)
    return (
        wear(ALDER_2, LateLock(200.0), *add_sky(True), Barometer(3.0, 2.0, 0.3), battery),
        wear(ALDER_1, LateLock(30.0), Spikes(3), *add_sky(False, 9), Barometer(1.0), battery),
        wear(HAZEL),
        wear(ROWAN, Dropouts(2, 20)),
        wear(BIRCH, *add_sky(True), battery),
    )


def main() -> None:
    """Print how long each part takes."""
    out = sys.stdout
    begun = time.perf_counter()
    workout = perform(
        [Effort("ride", HOUR_S, 8.0, 0.65, 88.0, 210.0)],
        name="hour",
        activity="cycling",
        place=Place("road", ROAD),
        start_utc=datetime(2026, 1, 10, 8, 0, tzinfo=UTC),
        seed=1,
    )
    lived = time.perf_counter()
    recordings = [record(worn.device, workout, 1) for worn in dress()]
    held = time.perf_counter()
    out.write(f"workout {lived - begun:6.2f} s\ndevices {held - lived:6.2f} s\n")
    total = held - begun
    for form, write in WRITERS.items():
        start = time.perf_counter()
        size = sum(len(write(recorded)) for recorded in recordings)
        took = time.perf_counter() - start
        out.write(f"{form:18} {took:6.2f} s {size / 1e6:7.2f} MB\n")
        total += took if form in BULK_FORMS else 0.0
    out.write(f"an hour of five devices, {', '.join(BULK_FORMS)}: {total:.2f} s\n")


if __name__ == "__main__":
    main()
