"""How often a clock that is wrong by whole hours is found without a track, and how often falsely.

`python -m tests.benchmarks.whole_hours [SEEDS [FIRST]]`: two devices in one run of 45 minutes, one
clock 1 hour or 3 hours off, and two runs of one day: of one plan of intervals, and of none.
"""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Final

import numpy as np

from tests.tiers import map_seeds
from tests.unit.pair.test_clocks import find_shifts, pair
from tests.unit.pair.test_hour_by_signals import HOUR_S, one_run, run_a_plan
from tests.unit.walks import Walk, record

if TYPE_CHECKING:
    from tasks.pair import WorkoutMembers

SEEDS: Final = 40
#: The rules were made with lower ones.
FIRST: Final = 1001
CHANNELS: Final = ("heart_rate_bpm", "speed_mps", "speed_mps heart_rate_bpm")
PLANS: Final = ((240, 90), (200, 130), (250, 140))
HEART: Final = "heart_rate_bpm"


def main() -> int:
    """Print one line for each case."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else SEEDS
    first = int(sys.argv[2]) if len(sys.argv) > 2 else FIRST
    found = map_seeds(try_seed, range(first, first + count))
    sys.stdout.write("| case | tried | made one workout |\n| --- | --- | --- |\n")
    for case in found[0]:
        paired = sum(one[case] for one in found)
        sys.stdout.write(f"| {case} | {count} | {paired} |\n")
    return 0


def try_seed(seed: int) -> dict[str, bool]:
    """Return for each case of a seed whether two recordings became one workout by that shift."""
    hours = (-3, -1, 1, 3)[seed % 4]
    one, other = one_run(seed)
    tried = {
        f"one run, a clock off: {channels}": is_paired(one, other, channels, hours=hours)
        for channels in CHANNELS
    }
    _, another = one_run(seed + 100_000)
    tried["two runs of no plan"] = is_joined(one, another, HEART, hours=hours)
    for work_s, rest_s in PLANS:
        rng = np.random.default_rng([seed, work_s])
        once, again = (run_a_plan(rng, work_s=work_s, rest_s=rest_s) for _ in range(2))
        case = f"two runs of one plan, {work_s} s and {rest_s} s"
        tried[case] = is_joined(once, again, HEART, hours=3 + seed % 6)
    return tried


def is_paired(one: Walk, other: Walk, channels: str, *, hours: int) -> bool:
    """Tell whether recordings of two devices become one workout, a clock set by so many hours."""
    found = pair_two(one, other, channels, hours=hours)
    return len(found) == 1 and abs(hours) * HOUR_S in map(abs, find_shifts(found).values())


def is_joined(one: Walk, other: Walk, channels: str, *, hours: int) -> bool:
    """Tell whether they become one workout, by whatever shift."""
    return len(pair_two(one, other, channels, hours=hours)) == 1


def pair_two(one: Walk, other: Walk, channels: str, *, hours: int) -> tuple[WorkoutMembers, ...]:
    """Return the workouts of two devices' recordings, so many hours apart."""
    recordings = {
        "a": record(one, channels, seed=None),
        "b": record(other, channels, clock_error_s=hours * HOUR_S, seed=None),
    }
    return pair(recordings, devices={"a": "one", "b": "two"})


if __name__ == "__main__":
    sys.exit(main())
