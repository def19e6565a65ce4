"""What a device missed of the start: delay, distance credited, time without heart rate."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.notes import Notes, Truth
from tasks.core.registers import Example, Value, metric, unknown
from tasks.maths.backdated import count_backdated
from tasks.tables.arrow import read_floats, read_seconds

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tasks.workout.case import Case, Subject

    Floats = NDArray[np.float64]

_PERCENT: Final = 100.0
_COMMON: Final = "common practice, no source"
_NO_TOLERANCE: Final = "nobody said how exact the true distance is"
_START_S: Final = 1_750_000_000
#: Setup key: when the device asked whether exercise had begun, or said that it had.
_PROMPT_KEY: Final = "prompt_utc"
_MEASURED: Final = ("heart_rate_bpm", "cadence_rpm", "power_w", "latitude_deg")
_NO_TRUTH: Final = "the notes do not say when exercise really began (truth.start_utc)"


def _note_start(late_s: float, *, distance_m: float | None = None) -> Notes:
    """Return notes whose true start lies `late_s` before the first second of a worked example."""
    start_utc = datetime.fromtimestamp(_START_S - late_s, tz=UTC)
    return Notes(start_utc=start_utc, truth=Truth(start_utc=start_utc, distance_m=distance_m))


@metric(
    "detection",
    title="Start delay",
    unit="s",
    definition="Time from the true start until the device noticed it: the prompt in the notes, "
    "else its first sample that was not written afterwards; negative where it ran earlier",
    formula="time of prompt, else of first live sample - true start",
    better="zero",
    source=_COMMON,
    examples=(
        Example(
            {"test": {"heart_rate_bpm": [100.0, 101.0]}, "notes": _note_start(90.0)},
            90.0,
            "by hand: first sample 90 s after the true start",
        ),
        Example(
            {
                "test": {
                    "heart_rate_bpm": [None] * 20 + [100.0] * 5,
                    "distance_m": [1.5 * second for second in range(25)],
                },
                "notes": _note_start(0.0),
            },
            20.0,
            "by hand: 20 s at one even speed with nothing measured were written afterwards",
        ),
        Example({"test": {"heart_rate_bpm": [100.0]}}, None, "no notes"),
    ),
    against="truth",
    whole_only=True,
    level="compared",
)
def start_delay_s(case: Case) -> Value:
    """Return the delay of the start [s]."""
    true_s = _find_true_start(case)
    if true_s is None:
        return unknown(_NO_TRUTH)
    noticed_s = _find_noticed(case)
    if isinstance(noticed_s, str):
        return unknown(noticed_s)
    n_backdated = _count_backdated(case)
    note = f"{n_backdated} first samples were written afterwards" if n_backdated else None
    return Value(noticed_s - true_s, n=1, reason=note)


@metric(
    "detection",
    title="Distance credited",
    unit="%",
    version=2,
    definition="The device's own distance in percent of the true one, from the true start: below "
    "100, the distance covered before it noticed the start was not fully credited; above 100, it "
    "was credited too much; later distance errors are included",
    formula="100 * own distance / true distance",
    better="higher",
    source=_COMMON,
    examples=(
        Example(
            {
                "test": {"distance_m": [0.0, 300.0, 900.0]},
                "notes": _note_start(60.0, distance_m=1000.0),
            },
            90.0,
            "by hand: 900 of 1,000 m",
        ),
        Example(
            {"test": {"distance_m": [0.0, 900.0]}, "notes": _note_start(60.0)},
            None,
            "the notes give no true distance",
        ),
    ),
    against="truth",
    whole_only=True,
    has_interval=True,
    level="compared",
)
def start_credit_pct(case: Case) -> Value:
    """Return the share of the true distance that was credited [%]."""
    if _find_true_start(case) is None:
        return unknown(_NO_TRUTH)
    true_m = _find_true_distance(case)
    if not true_m:
        return unknown("the notes give no true distance (truth.distance_m)")
    own_m = _find_own_distance(case.test)
    if own_m is None:
        return unknown(
            case.test.explain_lack("distance_m", otherwise="the export gives no distance")
        )
    tolerance = _find_tolerance(case)
    if tolerance is None:
        return Value(_PERCENT * own_m / true_m, n=1, ci_reason=_NO_TOLERANCE)
    return Value(
        _PERCENT * own_m / true_m,
        ci_low=_PERCENT * own_m / (true_m * (1.0 + tolerance)),
        ci_high=_PERCENT * own_m / (true_m * (1.0 - tolerance)) if tolerance < 1.0 else None,
        n=1,
        ci_reason=None if tolerance < 1.0 else "the true distance may be anything",
    )


@metric(
    "detection",
    title="Start without heart rate",
    unit="s",
    definition="Time from the true start to the first heart rate, right or wrong; 0 where there "
    "was one already",
    formula="max(time of first heart rate - true start, 0)",
    better="lower",
    source=_COMMON,
    examples=(
        Example(
            {"test": {"heart_rate_bpm": [None, None, 100.0]}, "notes": _note_start(60.0)},
            62.0,
            "by hand: 60 s before the first sample and two seconds after it",
        ),
        Example(
            {"test": {"distance_m": [0.0, 1.0]}, "notes": _note_start(60.0)},
            None,
            "no heart rate at all",
        ),
    ),
    against="truth",
    whole_only=True,
)
def start_hr_gap_s(case: Case) -> Value:
    """Return the time without heart rate after the true start [s]."""
    true_s = _find_true_start(case)
    if true_s is None:
        return unknown(_NO_TRUTH)
    on_grid = np.flatnonzero(np.isfinite(case.test.values("heart_rate_bpm")))
    if not on_grid.size:
        return unknown("this recording holds no heart rate")
    first_s = float(case.workout.grid.start_s + on_grid[0])
    samples = case.test.recording.samples
    native = read_seconds(samples)[np.isfinite(read_floats(samples, "heart_rate_bpm"))]
    if native.size:
        first_s = float(native[0]) + case.test.alignment.offset_s
    return Value(max(first_s - true_s, 0.0), n=1)


@metric(
    "detection",
    title="Start written afterwards",
    unit="s",
    definition="Time spanned by first samples that the device wrote afterwards, once it had "
    "noticed the start: samples before its timer began, or samples at one constant speed with "
    "nothing measured; 0 also where they look like measured ones",
    formula="first live sample - first sample",
    better="none",
    source=_COMMON,
    examples=(
        Example(
            {
                "test": {
                    "heart_rate_bpm": [None] * 20 + [100.0] * 5,
                    "distance_m": [1.5 * second for second in range(25)],
                }
            },
            20.0,
            "by hand: 20 s at 1.5 m/s without a heart rate",
        ),
        Example(
            {"test": {"heart_rate_bpm": [100.0] * 25}},
            0.0,
            "a heart rate from the first sample on",
        ),
    ),
    whole_only=True,
)
def start_backdated_s(case: Case) -> Value:
    """Return the time that samples written afterwards span [s]."""
    seconds = read_seconds(case.test.recording.samples)
    if not seconds.size:
        return unknown("this recording holds no samples")
    n_backdated = _count_backdated(case)
    return Value(float(seconds[n_backdated] - seconds[0]), n=n_backdated)


@metric(
    "detection",
    title="Distance credited for the time before",
    unit="%",
    version=2,
    definition="Distance that the device shows when it notices the start, in percent of what "
    "another device has counted since the true start",
    formula="100 * own counter at first live sample / other counter since the true start",
    better="higher",
    source=_COMMON,
    examples=(
        Example(
            {"test": {"distance_m": [0.0, 900.0]}, "notes": _note_start(60.0)},
            None,
            "no other device",
        ),
    ),
    against="distance",
    whole_only=True,
)
def start_credit_before_pct(case: Case) -> Value:
    """Return the distance credited for the time before the start was noticed [%]."""
    true_s = _find_true_start(case)
    if true_s is None:
        return unknown(_NO_TRUTH)
    other = None if case.reference is None else case.reference.subject
    if other is None:
        return unknown("only another device knows the distance at that moment")
    samples = case.test.recording.samples
    own_m = read_floats(samples, "distance_m")
    first = _count_backdated(case)
    known = np.flatnonzero(np.isfinite(own_m[first:]))
    if not known.size:
        return unknown(
            case.test.explain_lack("distance_m", otherwise="the export gives no distance")
        )
    first += int(known[0])
    at_s = float(read_seconds(samples)[first]) + case.test.alignment.offset_s
    covered_m = _read_counter(case, other, at_s) - _read_counter(case, other, true_s)
    if not np.isfinite(covered_m):
        return unknown("the other device did not count at the true start or at that moment")
    if covered_m <= 0.0:
        return unknown("nothing was covered before the device noticed the start")
    return Value(_PERCENT * float(own_m[first]) / covered_m, n=1)


# --- facts ------------------------------------------------------------------------------------
def _find_true_start(case: Case) -> float | None:
    notes = case.workout.notes
    if notes is None or notes.truth.start_utc is None:
        return None
    return notes.truth.start_utc.timestamp()


def _find_true_distance(case: Case) -> float | None:
    notes = case.workout.notes
    return None if notes is None else notes.truth.known_distance_m


def _find_tolerance(case: Case) -> float | None:
    """Return the stated tolerance of the true distance as a share."""
    notes = case.workout.notes
    if notes is None or notes.truth.distance_tolerance_pct is None:
        return None
    return notes.truth.distance_tolerance_pct / _PERCENT


def _find_noticed(case: Case) -> float | str:
    """Return the instant in which the device noticed the start, or why it is not known."""
    notes = case.workout.notes
    setup = {} if notes is None else notes.setup.get(case.test.device.id, {})
    if _PROMPT_KEY in setup:
        prompt = setup[_PROMPT_KEY]
        try:
            instant = datetime.fromisoformat(str(prompt))
        except ValueError:
            return f"the setup key {_PROMPT_KEY} = {prompt!r} is no date with time"
        if instant.tzinfo is None:
            return f"the setup key {_PROMPT_KEY} = {prompt!r} has no offset from UTC"
        return instant.timestamp()
    seconds = read_seconds(case.test.recording.samples)
    if not seconds.size:
        return "this recording holds no samples"
    return float(seconds[_count_backdated(case)]) + case.test.alignment.offset_s


def _count_backdated(case: Case) -> int:
    key = f"detection:backdated:{case.test.recording_id}"
    return case.once_per_workout(key, lambda: _look_for_backdated(case))


def _look_for_backdated(case: Case) -> int:
    recording = case.test.recording
    is_measured = np.zeros(recording.samples.num_rows, dtype=np.bool_)
    for channel in _MEASURED:
        is_measured |= np.isfinite(read_floats(recording.samples, channel))
    events = recording.events
    starts = [
        second
        for second, event, kind in zip(
            read_seconds(events).tolist(),
            events.column("event").to_pylist(),
            events.column("event_kind").to_pylist(),
            strict=True,
        )
        if event == "timer" and kind == "start" and np.isfinite(second)
    ]
    return count_backdated(
        read_seconds(recording.samples),
        read_floats(recording.samples, "distance_m"),
        is_measured,
        timer_start_s=min(starts, default=None),
        lasting_s=case.settings.detection.backdated_s,
    )


def _find_own_distance(subject: Subject) -> float | None:
    """Return the device's own distance: its total, else what its counter shows at the end."""
    if subject.recording.header.device_distance_m is not None:
        return subject.recording.header.device_distance_m
    counter = read_floats(subject.recording.samples, "distance_m")
    counter = counter[np.isfinite(counter)]
    return float(counter[-1]) if counter.size else None


def _read_counter(case: Case, subject: Subject, at_s: float) -> float:
    """Return what a device's counter shows at an instant [m], NaN where it does not count."""
    second = round(at_s - case.workout.grid.start_s)
    if not 0 <= second < case.workout.grid.n_seconds:
        return np.nan
    return float(subject.values("distance_m")[second])
