"""What pages are made from: rows of the published tables, as frozen records.

Instants are seconds since 1970-01-01T00:00:00Z on the workout's clock; `Series.seconds` count from
the start of the workout.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from config.heart_rate import HeartRateSettings
    from config.report import ReportSettings
    from tasks.report.looks import Look

    Floats = NDArray[np.float64]

ALL = "all"


@dataclass(frozen=True)
class DeviceFacts:
    """One device, its label (its name, with the id where two share a name) and its look."""

    device_id: str
    name: str
    label: str
    role: str
    site: str
    heart_rate: str
    look: Look
    claimed_gnss_hours: float | None = None


@dataclass(frozen=True)
class WorkoutFacts:
    """One workout. `key` changes whenever anything of it in the tables does."""

    workout_id: str
    start_s: float
    end_s: float
    activity: str
    activity_from: str | None
    place: str | None
    course: str | None
    local_offset_s: int | None
    device_ids: tuple[str, ...]
    key: str
    note: str | None = None
    is_excluded: bool = False
    excluded_because: str | None = None
    #: Whether something is left out because of a private place, and times are moved.
    is_shown_in_part: bool = False

    @property
    def zone(self) -> str:
        """The zone of the times on its page, e.g. UTC+01:00."""
        if not self.local_offset_s:
            return "UTC" if self.local_offset_s is None else "UTC+00:00"
        minutes = abs(self.local_offset_s) // 60
        sign = "+" if self.local_offset_s > 0 else "-"
        return f"UTC{sign}{minutes // 60:02d}:{minutes % 60:02d}"


@dataclass(frozen=True)
class RecordingFacts:
    """One recording that was measured, and how its clock was set.

    `remarks` are what was noticed while its export was read and normalised; `parts` are the
    recordings that it is made of: itself and the pieces that continue it, each with what is added
    to its times [s].
    """

    recording_id: str
    device: DeviceFacts
    firmware: str | None
    clock_shift_s: float
    offset_s: float
    method: str
    confidence: float | None
    clock: str | None
    is_timeline: bool
    note: str | None
    position_kind: str | None
    remarks: tuple[str, ...]
    parts: tuple[tuple[str, float], ...]
    is_excluded: bool = False
    excluded_because: str | None = None


@dataclass(frozen=True)
class ExclusionFacts:
    """Something that the notes set aside; None where it holds for all."""

    device_id: str | None
    domain: str | None
    start_s: float | None
    end_s: float | None
    because: str


@dataclass(frozen=True)
class Result:
    """One value of one metric; None with a reason where it could not be computed."""

    workout_id: str
    recording_id: str
    device_id: str
    reference: str | None
    segment: str
    metric: str
    value: float | None
    ci_low: float | None
    ci_high: float | None
    n: int | None
    coverage: float | None
    unit: str
    reason: str | None
    note: str | None = None
    reference_why: str | None = None
    reference_kind: str | None = None
    reference_rank: int | None = None
    is_main: bool | None = None
    ci_reason: str | None = None
    is_excluded: bool | None = None
    excluded_because: str | None = None

    @property
    def is_difference(self) -> bool:
        """Whether it says how two devices differ none of which is a reference: no error of either.

        Battery use is always compared in this way, and its metrics say so.
        """
        return self.reference_kind == "comparison" and not self.metric.startswith("battery_")

    @property
    def place(self) -> tuple[bool, bool, int]:
        """Place among the values of its recording, segment and metric: the smallest one counts."""
        return self.value is None, self.is_main is False, self.reference_rank or 0


@dataclass(frozen=True)
class FindingFacts:
    """One thing that happened."""

    workout_id: str
    recording_id: str
    device_id: str
    reference: str | None
    kind: str
    start_s: float
    end_s: float
    size: float | None
    unit: str | None
    latitude_deg: float | None
    longitude_deg: float | None
    note: str | None


@dataclass(frozen=True)
class PartFacts:
    """A named part of a workout."""

    name: str
    start_s: float
    end_s: float


@dataclass(frozen=True)
class Definition:
    """What a metric is. `domain` names the view that it is a column of."""

    metric: str
    title: str
    unit: str
    definition: str
    formula: str
    better: str
    source: str
    version: int
    domain: str
    level: str


#: What `results` and `pairs` call the consensus of the other devices.
CONSENSUS: Final = "consensus"
#: A channel of a series, 1 where the line of the track must not lead from the fix before.
TRACK_BREAK: Final = "track_break"


@dataclass(frozen=True)
class Series:
    """The samples of one recording on the workout's clock; arrays have the shape (n_samples,)."""

    seconds: Floats
    channels: Mapping[str, Floats]

    def values(self, channel: str) -> Floats:
        """Return one channel; all missing where it was not recorded."""
        found = self.channels.get(channel)
        return np.full(self.seconds.shape, np.nan) if found is None else found

    def has(self, channel: str) -> bool:
        """Say whether the channel holds at least one value."""
        return bool(np.isfinite(self.values(channel)).any())


@dataclass(frozen=True)
class CourseLine:
    """The course that tracks were compared with, or an outline.

    Arrays `(n_points,)`, NaN where it is hidden.
    """

    name: str
    latitude_deg: Floats
    longitude_deg: Floats


@dataclass(frozen=True)
class PairSeries:
    """Both sides of one pair, second by second; shape (n_seconds,).

    `reference` is what `results` calls it, a device or the consensus; `because` says why a second
    is not scored, None where it is.
    """

    reference: str
    seconds: Floats
    test_bpm: Floats
    reference_bpm: Floats
    because: NDArray[np.object_]

    @cached_property
    def is_scored(self) -> NDArray[np.bool_]:
        """Mark the seconds that the metrics count."""
        return np.array([one is None for one in self.because], dtype=np.bool_)

    @cached_property
    def error_bpm(self) -> Floats:
        """Test minus reference in the scored seconds, NaN in all others."""
        return np.where(self.is_scored, self.test_bpm - self.reference_bpm, np.nan)


@dataclass(frozen=True)
class Length:
    """One pool length, or a rest at the wall."""

    number: int
    start_s: float
    elapsed_s: float | None
    kind: str | None
    stroke: str | None
    strokes: int | None


@dataclass(frozen=True)
class WorkoutData:
    """Everything that the page of one workout shows."""

    facts: WorkoutFacts
    recordings: tuple[RecordingFacts, ...]
    results: tuple[Result, ...]
    findings: tuple[FindingFacts, ...]
    parts: tuple[PartFacts, ...]
    setups: Mapping[str, Mapping[str, str]]
    definitions: Mapping[str, Definition]
    settings: ReportSettings
    heart_rate: HeartRateSettings
    series: Mapping[str, Series] = field(default_factory=dict)
    pairs: Mapping[str, PairSeries] = field(default_factory=dict)
    battery: Mapping[str, Series] = field(default_factory=dict)
    lengths: Mapping[str, tuple[Length, ...]] = field(default_factory=dict)
    course: CourseLine | None = None
    exclusions: tuple[ExclusionFacts, ...] = ()
    outlines: tuple[CourseLine, ...] = ()

    @property
    def devices(self) -> tuple[DeviceFacts, ...]:
        """The devices of the measured recordings, each once."""
        return tuple({one.device.device_id: one.device for one in self.recordings}.values())

    def find(
        self, recording_id: str, metric: str, *, segment: str = ALL, reference: str | None = None
    ) -> Result | None:
        """Return one result: against `reference`, or else the one that counts.

        Where there is no such value, a difference from a device that is no reference.
        """
        found = (
            one
            for one in self._by_number.get((recording_id, metric, segment), ())
            if reference is None or one.reference == reference
        )
        return min(found, key=lambda one: one.place, default=None)

    @cached_property
    def _by_number(self) -> dict[tuple[str, str, str], list[Result]]:
        found: dict[tuple[str, str, str], list[Result]] = {}
        for one in self.results:
            found.setdefault((one.recording_id, one.metric, one.segment), []).append(one)
        return found

    def list_whole(self, recording_id: str, metrics: Collection[str]) -> list[Result]:
        """Return a recording's results over the whole workout of some metrics."""
        return [
            one
            for metric in metrics
            for one in self._by_number.get((recording_id, metric, ALL), ())
        ]

    @property
    def deviation(self) -> str:
        """What heart rates deviate by: "error", or "difference" where nothing is a reference."""
        return "error" if self.has_reference else "difference"

    @property
    def has_reference(self) -> bool:
        """Whether any heart rate was compared with a reference, not just with another device."""
        found = (self.find(one.recording_id, "hr_mae_bpm") for one in self.recordings)
        return any(
            one is not None and one.value is not None and not one.is_difference for one in found
        )

    def recording(self, recording_id: str) -> RecordingFacts:
        """Return the recording of that id."""
        return next(one for one in self.recordings if one.recording_id == recording_id)

    def local(self, instant_s: float) -> float:
        """Return an instant on the wall clock of the workout's zone [s since 1970]."""
        return instant_s + (self.facts.local_offset_s or 0)


@dataclass(frozen=True)
class DeviceData:
    """Everything that the page of one device shows."""

    device: DeviceFacts
    workouts: Mapping[str, WorkoutFacts]
    results: tuple[Result, ...]
    findings: tuple[FindingFacts, ...]
    verdicts: tuple[Mapping[str, Any], ...]
    setups: Mapping[str, Mapping[str, str]]
    definitions: Mapping[str, Definition]
    settings: ReportSettings
    levels: tuple[Mapping[str, Any], ...] = ()
    limits: tuple[Mapping[str, Any], ...] = ()
    devices: Mapping[str, DeviceFacts] = field(default_factory=dict)
