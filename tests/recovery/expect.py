"""What a scenario says that the line must find."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tests.simulate.devices import Device, Recorded, record
from tests.simulate.manifest import Entry
from tests.simulate.script import Workout

Floats = NDArray[np.float64]
Role = Literal["test", "predecessor", "reference", "peer"]


@dataclass(frozen=True)
class Expectation:
    """One number that must come back.

    `quantity` is a metric id, or `found:<kind>` (injected things of that kind that were found),
    `false:<kind>` (findings that nobody put in), `count:<kind>` (all findings),
    `offset_s` (clock offset of the alignment) or
    `clock_shift_s`. `why` is the reason of the tolerance.
    """

    effect: str
    device_id: str
    quantity: str
    true: float
    tolerance: float
    why: str
    segment: str = "all"


@dataclass(frozen=True)
class Worn:
    """A device of a scenario, its part in it, and the form in which it is exported."""

    device: Device
    role: Role = "test"
    form: str = "fit"
    reference_for: tuple[str, ...] | None = None
    claimed_gnss_hours: float | None = None


@dataclass(frozen=True)
class Prepared:
    """A workout with its devices; `notes` is the text of a notes file, `course` of a GPX."""

    workout: Workout
    worn: tuple[Worn, ...]
    recorded: dict[str, Recorded]
    expectations: tuple[Expectation, ...]
    notes: str = ""
    course: bytes = b""
    course_name: str = ""


@dataclass(frozen=True)
class Scenario:
    """A named way of making a prepared workout from a seed."""

    name: str
    prepare: Callable[[int], Prepared]


@dataclass
class Worksheet:
    """Collects the devices of a scenario and what is expected of each."""

    workout: Workout
    seed: int
    worn: list[Worn] = field(default_factory=list)
    recorded: dict[str, Recorded] = field(default_factory=dict)
    expectations: list[Expectation] = field(default_factory=list)

    def wear(self, worn: Worn) -> Recorded:
        """Let one more device record the workout."""
        held = record(worn.device, self.workout, self.seed)
        self.worn.append(worn)
        self.recorded[worn.device.device_id] = held
        return held

    def expect(
        self,
        device_id: str,
        quantity: str,
        true: float,
        tolerance: float,
        why: str,
        *,
        effect: str = "",
        segment: str = "all",
    ) -> None:
        """Add one expectation; the effect is the device's first unless it is named."""
        entries = self.recorded[device_id].entries
        name = effect or (entries[0].kind if entries else "none")
        self.expectations.append(
            Expectation(name, device_id, quantity, float(true), tolerance, why, segment)
        )

    def close(self, *, notes: str = "", course: bytes = b"", course_name: str = "") -> Prepared:
        """Return the prepared workout."""
        return Prepared(
            self.workout,
            tuple(self.worn),
            dict(self.recorded),
            tuple(self.expectations),
            notes,
            course,
            course_name,
        )


def find_entries(recorded: Recorded, kind: str) -> tuple[Entry, ...]:
    """Return the manifest entries of one kind."""
    return tuple(entry for entry in recorded.entries if entry.kind == kind)


def error_of(recorded: Recorded, channel: str = "heart_rate_bpm") -> Floats:
    """Return what the effects did to a channel, second by second, before it was written."""
    truth = recorded.workout.sample(recorded.true_s)[channel]
    return np.asarray(recorded.channels[channel] - truth)
