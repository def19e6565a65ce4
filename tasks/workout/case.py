"""What a metric sees: one recording, what it is compared with, and the seconds that count.

A `Subject` is one recording placed on its workout's grid; a `Reference` is what its values are
compared with; a `Case` joins both with the seconds of one segment. All arrays of a workout have
the shape `(n_seconds,)` of its `Grid`, float64, NaN where a value is missing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from config.devices import Device
from config.settings import Settings, load_settings
from tasks.core.notes import Notes  # noqa: TC001 - dataclasses are read at run time
from tasks.core.recording import Header, Recording
from tasks.tables.arrow import make_empty, make_table
from tasks.tables.tables import BATTERY, BEATS, EVENTS, LAPS, LENGTHS, SAMPLES
from tasks.workout.alignment import Alignment
from tasks.workout.scored import Scored, score_seconds

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tasks.core.registers import ReferenceKind

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]

Answer = TypeVar("Answer")


#: Channels of the samples that are carried to the grid.
GRID_CHANNELS = (
    "heart_rate_bpm",
    "speed_mps",
    "altitude_m",
    "cadence_rpm",
    "power_w",
    "distance_m",
    "latitude_deg",
    "longitude_deg",
    "temperature_degc",
    "pressure_pa",
)


@dataclass(frozen=True)
class Grid:
    """Whole seconds of a workout, on the clock of its reference timeline.

    `start_s` is the first one, counted from 1970-01-01T00:00:00Z.
    """

    start_s: int
    n_seconds: int

    @property
    def seconds(self) -> Floats:
        """Instants of the grid [s since 1970-01-01T00:00:00Z], shape (n_seconds,)."""
        return self.start_s + np.arange(self.n_seconds, dtype=np.float64)


@dataclass(frozen=True)
class Withheld:
    """A channel that was recorded and is not used, and why; a wrong unit has a factor."""

    channel: str
    why: str
    factor: float | None = None


@dataclass(frozen=True)
class Subject:
    """One recording on its workout's grid.

    `on_grid` maps a channel to its values; `covered` marks the seconds from the recording's first
    to its last sample, `paused` those in which its timer was stopped. `withheld` are channels that
    were recorded and are not used.
    """

    recording_id: str
    device: Device
    recording: Recording
    alignment: Alignment
    on_grid: Mapping[str, Floats]
    covered: Booleans
    paused: Booleans
    withheld: Mapping[str, Withheld] = field(default_factory=dict)

    def values(self, channel: str) -> Floats:
        """Return `channel` on the grid; a channel that was not recorded is all missing."""
        found = self.on_grid.get(channel)
        return np.full(self.covered.shape, np.nan) if found is None else found

    def has(self, channel: str) -> bool:
        """Say whether the recording holds at least one value of `channel`."""
        found = self.on_grid.get(channel)
        return found is not None and bool(np.isfinite(found).any())

    def explain_lack(self, *channels: str, otherwise: str) -> str:
        """Say why a recording has none of some channels: one is withheld, else `otherwise`."""
        unused = [self.withheld[one].why for one in channels if one in self.withheld]
        return f"not used: {'; '.join(unused)}" if unused else otherwise


@dataclass(frozen=True)
class Reference:
    """What values are compared with.

    `name` is a device id, "truth", "course:<name>" or "consensus"; `kind` says what it is worth,
    `why` says in words why this one. `subject` is None unless it is one device. `uncertainty` is
    what the reference itself may be off by, in the unit of the channel compared (bpm, m, m/s);
    None where nobody knows.
    """

    name: str
    kind: ReferenceKind
    why: str
    on_grid: Mapping[str, Floats] = field(default_factory=dict)
    covered: Booleans | None = None
    paused: Booleans | None = None
    subject: Subject | None = None
    uncertainty: float | None = None

    def values(self, channel: str) -> Floats | None:
        """Return `channel` on the grid, None where this reference has none."""
        return self.on_grid.get(channel)


@dataclass(frozen=True)
class Segment:
    """A part of a workout: its name and its seconds (mask on the grid)."""

    name: str
    mask: Booleans


@dataclass(frozen=True)
class Workout:
    """What all cases of one workout share. `memo` keeps what was computed once for all of them."""

    workout_id: str
    grid: Grid
    activity: str
    place: str | None
    subjects: tuple[Subject, ...]
    notes: Notes | None
    settings: Settings
    #: Reference line from `courses/`, shape (n_points, 2): latitude, longitude [deg].
    course: Floats | None = None
    course_name: str | None = None
    memo: dict[str, Any] = field(default_factory=dict, compare=False, repr=False)


@dataclass(frozen=True)
class Paired:
    """Seconds in which both sides have a value. Arrays have the shape (n_compared,).

    `seconds` are indices into the grid; `n_reference` counts the seconds of the segment in which
    the reference had a value.
    """

    test: Floats
    reference: Floats
    seconds: NDArray[np.int64]
    n_reference: int

    @property
    def error(self) -> Floats:
        """Test minus reference."""
        return self.test - self.reference

    @property
    def n(self) -> int:
        """Seconds compared."""
        return len(self.test)

    @property
    def coverage(self) -> float | None:
        """Compared seconds / seconds in which the reference had a value."""
        return self.n / self.n_reference if self.n_reference else None


@dataclass(frozen=True)
class Case:
    """One recording, what it is compared with and the seconds that count."""

    workout: Workout
    test: Subject
    reference: Reference | None
    segment: Segment
    memo: dict[str, Any] = field(default_factory=dict, compare=False, repr=False)

    @property
    def settings(self) -> Settings:
        """Thresholds."""
        return self.workout.settings

    @property
    def others(self) -> tuple[Subject, ...]:
        """Every other recording of the workout."""
        return tuple(
            subject
            for subject in self.workout.subjects
            if subject.recording_id != self.test.recording_id
        )

    @property
    def sides(self) -> tuple[Subject, ...]:
        """The test's recording and, where the reference is one device, that device's."""
        reference = self.reference
        if reference is None or reference.subject is None:
            return (self.test,)
        return (self.test, reference.subject)

    @property
    def counted(self) -> Booleans:
        """Mark the seconds of the segment in which neither side paused."""
        return self.once("counted", self._find_counted)

    def paired(self, channel: str) -> Paired:
        """Return the seconds of the segment in which both sides have a value of `channel`."""
        return self.once(f"paired:{channel}", lambda: self._pair(channel))

    def once(self, key: str, compute: Callable[[], Answer]) -> Answer:
        """Return what `compute` gives, computed once for this case."""
        if key not in self.memo:
            self.memo[key] = compute()
        answer: Answer = self.memo[key]
        return answer

    def once_per_workout(self, key: str, compute: Callable[[], Answer]) -> Answer:
        """Return what `compute` gives, once per workout; `key` names test and reference."""
        if key not in self.workout.memo:
            self.workout.memo[key] = compute()
        answer: Answer = self.workout.memo[key]
        return answer

    def for_segment(self, segment: Segment) -> Case:
        """Return the same comparison over another segment."""
        return replace(self, segment=segment, memo={})

    def score(self, channel: str) -> Scored:
        """Return both sides of the whole comparison as recorded, and which seconds count."""
        test = self.test.values(channel)
        reference = None if self.reference is None else self.reference.values(channel)
        if reference is None:
            reference = np.full(test.shape, np.nan)
        return score_seconds(test, reference, paused=self.paused)

    @property
    def paused(self) -> Booleans:
        """Mark the seconds in which either side paused."""
        if self.reference is None or self.reference.paused is None:
            return self.test.paused
        return self.test.paused | self.reference.paused

    def _find_counted(self) -> Booleans:
        return self.segment.mask & ~self.paused

    def _pair(self, channel: str) -> Paired:
        return pair_scored(self.score(channel), self.segment.mask)


def pair_scored(scored: Scored, mask: Booleans) -> Paired:
    """Return the scored seconds of a part."""
    seconds = np.flatnonzero(scored.is_scored & mask)
    return Paired(
        test=scored.test[seconds],
        reference=scored.reference[seconds],
        seconds=seconds,
        n_reference=int((scored.has_reference & mask).sum()),
    )


# --- small cases for worked examples ----------------------------------------------------------
def make_example(
    *,
    test: Mapping[str, Any],
    reference: Mapping[str, Any] | None = None,
    others: tuple[Mapping[str, Any], ...] = (),
    header: Mapping[str, Any] | None = None,
    samples: Mapping[str, Any] | None = None,
    tables: Mapping[str, Mapping[str, Any]] | None = None,
    notes: Notes | None = None,
    activity: str = "running",
    place: str | None = None,
    method: str = "gnss",
    start_s: int = 1_750_000_000,
    reference_name: str = "reference",
    settings: Settings | None = None,
    course: Any = None,  # noqa: ANN401 - an array or a list of pairs
    paused: Sequence[bool] | None = None,
) -> Case:
    """Build a case from plain lists, one value per second; None or NaN is missing.

    `test`, `reference` and each of `others` map channels to values. `samples` gives native
    samples of the test recording (default: one per second of `test`); `tables` its other tables
    by name; `header` further header facts; `paused` marks seconds in which the test's timer stood.
    """
    n_seconds = max(
        (len(values) for side in (test, reference or {}, *others) for values in side.values()),
        default=1,
    )
    grid = Grid(start_s, n_seconds)
    own = _make_subject(
        "test", grid, test, header=header, samples=samples, tables=tables, method=method
    )
    if paused is not None:
        own = replace(own, paused=np.asarray(paused, dtype=np.bool_))
    subjects = [own]
    held_against = None
    if reference is not None:
        other = _make_subject(reference_name, grid, reference, role="reference", method=method)
        subjects.append(other)
        held_against = refer_to(other, "device", why="worked example")
    subjects += [
        _make_subject(f"other-{number}", grid, channels, method=method)
        for number, channels in enumerate(others)
    ]
    workout = Workout(
        workout_id="example",
        grid=grid,
        activity=activity,
        place=place,
        subjects=tuple(subjects),
        notes=notes,
        settings=settings or load_settings(),
        course=None if course is None else np.asarray(course, dtype=np.float64),
        course_name=None if course is None else "example",
    )
    return Case(workout, own, held_against, Segment("all", np.ones(n_seconds, dtype=np.bool_)))


def refer_to(
    subject: Subject, kind: ReferenceKind, *, why: str, uncertainty: float | None = None
) -> Reference:
    """Make one device's recording the reference."""
    return Reference(
        name=subject.device.id,
        kind=kind,
        why=why,
        on_grid=subject.on_grid,
        covered=subject.covered,
        paused=subject.paused,
        subject=subject,
        uncertainty=uncertainty,
    )


def _make_subject(
    name: str,
    grid: Grid,
    channels: Mapping[str, Any],
    *,
    role: str = "test",
    method: str,
    header: Mapping[str, Any] | None = None,
    samples: Mapping[str, Any] | None = None,
    tables: Mapping[str, Mapping[str, Any]] | None = None,
) -> Subject:
    on_grid = {
        channel: np.array([np.nan if v is None else v for v in values], dtype=np.float64)
        for channel, values in channels.items()
    }
    if samples is None:
        micros = (grid.seconds * 1e6).astype(np.int64)
        samples = {"time_utc": micros, **on_grid}
    given = tables or {}
    recording = Recording(
        header=Header(format="example", reader="example", **(header or {})),
        start_utc=datetime.fromtimestamp(grid.start_s, tz=UTC),
        end_utc=datetime.fromtimestamp(grid.start_s + grid.n_seconds - 1, tz=UTC),
        samples=make_table(SAMPLES, samples),
        **{
            table.name: make_table(table, given[table.name])
            if table.name in given
            else make_empty(table)
            for table in (LAPS, LENGTHS, BEATS, BATTERY, EVENTS)
        },
    )
    return Subject(
        recording_id=name,
        device=Device(id=name, name=name, role=role),  # type: ignore[arg-type] # a known role
        recording=recording,
        alignment=Alignment(name, 0.0, method, 1.0),
        on_grid=on_grid,
        covered=np.ones(grid.n_seconds, dtype=np.bool_),
        paused=np.zeros(grid.n_seconds, dtype=np.bool_),
    )
