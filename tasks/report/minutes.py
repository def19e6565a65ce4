"""The worst and the typical minutes of heart rate, enlarged: what a number looks like.

The worst are those of the largest finding of heart rate; the typical ones lie in the workout whose
error once locked is the device's usual one, where a minute is as far off as that workout is.
"""

from __future__ import annotations

import statistics
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.answers.facts import AFTER_LOCK
from tasks.core.wording import write_clock, write_day, write_duration
from tasks.report.paired import WIDTH_PX
from tasks.report.words import summarise_kind
from tasks.tables.fetch import fetch_rows

if TYPE_CHECKING:
    import duckdb
    from numpy.typing import NDArray

    from tasks.answers.facts import DeviceFacts, Facts, WorkoutFacts

    Floats = NDArray[np.float64]

_MAE: Final = "hr_mae_bpm"
_LOCK: Final = "hr_lock_s"
_KINDS: Final = ("cadence_lock", "biased_stretch", "missed_rise", "spike", "frozen", "late_lock")
#: What is shown around the beginning of a finding, and of a typical minute [s].
_BEFORE_S: Final = 60
_LASTS_S: Final = 240
_HEIGHT_PX: Final = 168
_TOP_PX: Final = 12
_BOTTOM_PX: Final = 140
_LEFT_PX: Final = 34
_MINUTE_S: Final = 60
_LEAST_SECONDS: Final = 120

#: The finding that weighs most: how far off, times how long, up to the length of the picture.
_WORST: Final = """
SELECT workout_id, recording_id, reference, kind, epoch(start_utc) AS start_s,
  epoch(end_utc) AS end_s, size
FROM latest_findings
WHERE device_id = ? AND list_contains(?, kind) AND size IS NOT NULL
ORDER BY kind = 'late_lock', abs(size) * least(epoch(end_utc) - epoch(start_utc), ?) DESC,
  start_utc
LIMIT 1
"""
_PAIRS: Final = """
SELECT epoch(time_utc) AS s, heart_rate_test_bpm AS own, heart_rate_reference_bpm AS reference
FROM pairs
WHERE workout_id = ? AND device_id = ? AND reference = ? AND heart_rate_is_scored
ORDER BY time_utc
"""


@dataclass(frozen=True)
class Enlargement:
    """Some minutes of one workout: its title, a sentence, and the drawing."""

    title: str
    words: str
    workout_id: str
    svg: str


@dataclass(frozen=True)
class _Minutes:
    seconds: Floats
    own: Floats
    reference: Floats


def enlarge_minutes(
    connection: duckdb.DuckDBPyConnection, facts: Facts, device: DeviceFacts
) -> tuple[Enlargement, ...]:
    """Return the typical and the worst minutes of a device; nothing where neither can be found."""
    found = (
        _enlarge_typical(connection, facts, device),
        _enlarge_worst(connection, facts, device),
    )
    return tuple(one for one in found if one is not None)


def _enlarge_worst(
    connection: duckdb.DuckDBPyConnection, facts: Facts, device: DeviceFacts
) -> Enlargement | None:
    rows = fetch_rows(connection, _WORST, [device.device_id, list(_KINDS), float(_LASTS_S)])
    if not rows or rows[0]["workout_id"] not in facts.workouts:
        return None
    row = rows[0]
    workout = facts.workouts[row["workout_id"]]
    reference = row["reference"] or _find_reference(facts, device, workout)
    pairs = _read(connection, workout, device, reference)
    if pairs is None:
        return None
    lasted_s = row["end_s"] - row["start_s"]
    side = "high" if row["size"] > 0 else "low"
    amount = f"{abs(row['size']):.0f}\N{NO-BREAK SPACE}bpm {side}"
    words = f"{device.name} {summarise_kind(row['kind'], 1, lasted_s)}, {amount}"
    if row["kind"] == "biased_stretch":
        words = f"{device.name} read {amount} for {write_duration(lasted_s)}"
    begin_s = row["start_s"] - _BEFORE_S
    return _enlarge("The worst minutes", words, workout, pairs, begin_s, facts, reference)


def _enlarge_typical(
    connection: duckdb.DuckDBPyConnection, facts: Facts, device: DeviceFacts
) -> Enlargement | None:
    values = facts.find_values(device.device_id, _MAE, AFTER_LOCK)
    if not values:
        return None
    usual = statistics.median(value for value, _ in values.values())
    workout_id = min(values, key=lambda one: abs(values[one][0] - usual))
    workout, reference = facts.workouts[workout_id], values[workout_id][1]
    pairs = _read(connection, workout, device, reference)
    if pairs is None:
        return None
    lock_s = facts.find_values(device.device_id, _LOCK).get(workout_id, (0.0, None))[0]
    begin_s = _find_typical(pairs, workout.start_s + lock_s, values[workout_id][0])
    words = (
        f"{device.name} off by {values[workout_id][0]:.1f}\N{NO-BREAK SPACE}bpm on average in this "
        "workout, once locked"
    )
    title = "Typical minutes"
    return _enlarge(title, words, workout, pairs, begin_s, facts, reference)


def _find_reference(facts: Facts, device: DeviceFacts, workout: WorkoutFacts) -> str | None:
    found = facts.find_values(device.device_id, _MAE).get(workout.workout_id)
    return None if found is None else found[1]


def _read(
    connection: duckdb.DuckDBPyConnection,
    workout: WorkoutFacts,
    device: DeviceFacts,
    reference: str | None,
) -> _Minutes | None:
    if reference is None:
        return None
    cursor = connection.execute(_PAIRS, [workout.workout_id, device.device_id, reference])
    columns = {
        name: np.ma.filled(np.ma.asarray(values, dtype=np.float64), np.nan)
        for name, values in cursor.fetchnumpy().items()
    }
    if columns["s"].size < _LEAST_SECONDS:
        return None
    return _Minutes(columns["s"], columns["own"], columns["reference"])


def _find_typical(pairs: _Minutes, locked_s: float, usual: float) -> float:
    """Return where the minutes begin whose error is nearest to the usual one."""
    late = max(locked_s, float(pairs.seconds[0]))
    starts = np.arange(late, max(late + 1, float(pairs.seconds[-1]) - _LASTS_S), _MINUTE_S / 2)
    error = np.abs(pairs.own - pairs.reference)
    best, found = np.inf, late
    for start in starts:
        inside = (pairs.seconds >= start) & (pairs.seconds < start + _LASTS_S)
        if inside.sum() >= _LEAST_SECONDS:
            away = abs(float(np.nanmean(error[inside])) - usual)
            if away < best:
                best, found = away, float(start)
    return found


def _enlarge(
    title: str,
    words: str,
    workout: WorkoutFacts,
    pairs: _Minutes,
    begin_s: float,
    facts: Facts,
    reference: str | None,
) -> Enlargement | None:
    inside = (pairs.seconds >= begin_s) & (pairs.seconds < begin_s + _LASTS_S)
    if inside.sum() < _MINUTE_S // 2:
        return None
    begin_local_s = begin_s + workout.local_offset_s
    name = facts.name(reference or "")
    when = f"{write_day(workout.local_s)}, {workout.activity.replace('-', ' ')}"
    said = f"{words} ({when}, {write_clock(begin_local_s, seconds=False)}); grey: {name}."
    svg = _draw(
        pairs.seconds[inside] - begin_s,
        pairs.own[inside],
        pairs.reference[inside],
        begin_local_s=begin_local_s,
        alternative=f"{title}: {said}",
    )
    return Enlargement(title, said, workout.workout_id, svg)


def _draw(
    seconds: Floats, own: Floats, reference: Floats, *, begin_local_s: float, alternative: str
) -> str:
    low = 10.0 * np.floor(np.nanmin([own, reference]) / 10.0)
    high = 10.0 * np.ceil(np.nanmax([own, reference]) / 10.0 + 1e-9)

    def place(values: Floats) -> Floats:
        placed: Floats = _BOTTOM_PX - (values - low) / (high - low) * (_BOTTOM_PX - _TOP_PX)
        return placed

    x = _LEFT_PX + seconds / _LASTS_S * (WIDTH_PX - _LEFT_PX)
    parts = []
    step = 20.0 if high - low <= 100.0 else 40.0  # noqa: PLR2004 - four labels or so
    for value in np.arange(low, high + 1.0, step):
        y = float(place(np.array([value]))[0])
        parts.append(
            f'<line class="grid" x1="{_LEFT_PX}" x2="{WIDTH_PX}" y1="{y:.1f}" y2="{y:.1f}"/>'
            f'<text class="axis" x="{_LEFT_PX - 6}" y="{y + 4:.1f}" text-anchor="end">{value:.0f}'
            "</text>"
        )
    first = -begin_local_s % _MINUTE_S
    for at in np.arange(first, _LASTS_S, _MINUTE_S):
        across = _LEFT_PX + at / _LASTS_S * (WIDTH_PX - _LEFT_PX)
        parts.append(
            f'<text class="axis" x="{across:.1f}" y="{_HEIGHT_PX - 8}" text-anchor="middle">'
            f"{write_clock(begin_local_s + at, seconds=False)}</text>"
        )
    parts.append(f'<path class="truth" d="{_trace(x, place(reference), seconds)}"/>')
    parts.append(f'<path class="own" d="{_trace(x, place(own), seconds)}"/>')
    return (
        f'<svg class="paired" viewBox="0 0 {WIDTH_PX} {_HEIGHT_PX}" role="img" '
        f'aria-label="{escape(alternative, quote=True)}">{"".join(parts)}</svg>'
    )


def _trace(x: Floats, y: Floats, seconds: Floats) -> str:
    """Return a path that is broken where a second is missing."""
    words = []
    before = -np.inf
    for across, down, at in zip(x.tolist(), y.tolist(), seconds.tolist(), strict=True):
        if not np.isfinite(down):
            continue
        words.append(f"{'L' if at - before <= 2.0 else 'M'}{across:.1f} {down:.1f}")  # noqa: PLR2004
        before = at
    return "".join(words)
