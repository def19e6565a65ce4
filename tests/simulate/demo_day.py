"""Who wore what on one day of the demo: the parts of which its story is told."""

from dataclasses import dataclass, field, replace

from tests.simulate.devices import Clock, Device
from tests.simulate.effects_position import CornerCutting
from tests.simulate.effects_sky import DriftingFix, SpeedJitter, WanderingDistance
from tests.simulate.script import Workout
from tests.simulate.trace import Effect


@dataclass(frozen=True)
class Worn:
    """A device on one day: its effects, and the formats in which its export was dropped."""

    device: Device
    formats: tuple[str, ...] = ("fit",)
    setup: dict[str, str | int] = field(default_factory=dict)


@dataclass(frozen=True)
class Day:
    """One workout of the demo: the truth, who was worn, and the notes beside it."""

    workout: Workout
    place: str
    worn: tuple[Worn, ...]
    course: str = ""
    truth: dict[str, float | int | str | list[str]] = field(default_factory=dict)


def wear(
    device: Device,
    *effects: Effect,
    formats: tuple[str, ...] = ("fit",),
    clock: Clock | None = None,
    setup: dict[str, str | int] | None = None,
) -> Worn:
    changed = device.with_effects(*effects)
    if clock is not None:
        changed = replace(changed, clock=clock)
    return Worn(changed, formats, setup or {})


def add_sky(new: bool, window_s: int = 0) -> tuple[Effect, ...]:  # noqa: FBT001  # reads as a word below
    """Return the errors outdoors: the new watch's, or the old one's that cuts corners."""
    if new:
        return (DriftingFix(0.9, 1.5, 1.6), WanderingDistance(1.003), SpeedJitter(0.07))
    cut = (CornerCutting(window_s),) if window_s else ()
    return (*cut, DriftingFix(1.4, 2.1, 3.8), WanderingDistance(1.002), SpeedJitter(0.12))


def set_gnss(mode: str, start_pct: int) -> dict[str, str | int]:
    return {
        "wrist": "left",
        "band": "silicone",
        "gnss": mode,
        "firmware": "4.1",
        "battery_start_pct": start_pct,
    }


OLD = {"wrist": "right", "band": "silicone", "gnss": "all-systems", "firmware": "9.2"}
