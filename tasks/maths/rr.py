"""Beat intervals: artefact correction and heart rate from them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from tasks.maths.arrays import NAN, FloatArray
from tasks.maths.smoothing import compute_running_median

MILLISECONDS_PER_MINUTE = 60_000.0
_C1, _C2, _ALPHA = 0.13, 0.17, 5.2
_THRESHOLD_BEATS = 91
_MEDIAN_HALF_BEATS = 5
_MEDIAN_FACTOR = 3.0
_LEAST_THRESHOLD_MS = 5.0  # so even intervals are no artefacts at a recording step of 1 ms
_FEWEST_BEATS = 12
_MOST_ROUNDS = 5
#: Beats that must lie on each side of an instant [s]: fewer are one or two single beats.
_LEAST_SIDE_S = 1.0
#: Time between two intervals from which it is a gap, not the drift of a clock [s].
_HOLE_S = 0.5


@dataclass(frozen=True, slots=True)
class BeatArtefacts:
    """Indices of the intervals found wrong, by kind."""

    ectopic: tuple[int, ...]
    missed: tuple[int, ...]
    extra: tuple[int, ...]
    long_or_short: tuple[int, ...]

    @property
    def total(self) -> int:
        """Number of artefacts of all kinds."""
        return len(self.ectopic) + len(self.missed) + len(self.extra) + len(self.long_or_short)


@dataclass(frozen=True, slots=True)
class CorrectedBeats:
    """Corrected beats: time of each beat since the first interval began, interval that ended there.

    ``beat_ms`` and ``rr_ms`` are ``(n_corrected,)``; ``artefacts`` is what the first round found in
    the intervals as recorded, ``n_corrected`` counts the corrections of all rounds.
    """

    beat_ms: FloatArray
    rr_ms: FloatArray
    artefacts: BeatArtefacts
    n_recorded: int
    n_corrected: int

    @property
    def share_corrected_pct(self) -> float:
        """Corrections per recorded interval [%]."""
        return 100.0 * self.n_corrected / self.n_recorded if self.n_recorded else NAN


def compute_mean_heart_rate_bpm(rr_ms: FloatArray) -> float:
    """Return beats per time over intervals ``(n_beats,)`` [ms]: 60000 / mean(RR) [bpm].

    The mean of the single rates, mean(60000 / RR), is higher (83.85 against 83.54 bpm in a thousand
    intervals at rest), because short intervals count as much as long ones.

    Parameters
    ----------
    rr_ms
        Intervals, shape ``(n_beats,)`` [ms].

    Returns
    -------
    float
        Heart rate [bpm].
    """
    return MILLISECONDS_PER_MINUTE / float(np.mean(rr_ms)) if rr_ms.size else NAN


def find_beat_artefacts(rr_ms: FloatArray) -> BeatArtefacts:
    """Find missed, extra, ectopic and too long or short intervals in ``(n_beats,)`` [ms].

    Parameters
    ----------
    rr_ms
        Intervals in the order of recording, shape ``(n_beats,)`` [ms].

    Returns
    -------
    BeatArtefacts
        Marks of each kind; none for fewer than 12 intervals, too few for the running median of 11.

    References
    ----------
    Lipponen and Tarvainen 2019, Journal of Medical Engineering and Technology 43:173: thresholds
    5.2 quartile deviations over 91 beats, c1 0.13, c2 0.17, decision tree of figure 1. Ours is the
    floor of 5 ms under both thresholds.
    """
    n = rr_ms.size
    if n < _FEWEST_BEATS:
        return BeatArtefacts((), (), (), ())
    steps = np.diff(rr_ms, prepend=rr_ms[0])
    steps[0] = steps[1:].mean()
    step = steps / _compute_threshold(steps)
    padded = np.pad(step, 2, mode="reflect")
    before, after, second = padded[1:-3], padded[3:-1], padded[4:]
    beside = np.where(
        step > 0, np.maximum(before, after), np.where(step < 0, np.minimum(before, after), 0.0)
    )
    ahead = np.where(step >= 0, np.minimum(after, second), np.maximum(after, second))
    medians = compute_running_median(rr_ms, half_window=_MEDIAN_HALF_BEATS)
    deviations = rr_ms - medians
    deviations = np.where(deviations < 0, 2 * deviations, deviations)
    median_threshold = _compute_threshold(deviations)
    deviation = deviations / median_threshold
    ectopic = ((step > 1) & (beside < -_C1 * step - _C2)) | (
        (step < -1) & (beside > -_C1 * step + _C2)
    )
    is_long = (step > 1) & (ahead < -1)
    is_short = (step < -1) & (ahead > 1)
    is_off = is_long | is_short | (np.abs(deviation) > _MEDIAN_FACTOR)
    following = np.append(rr_ms[1:], np.inf)
    fits_missed = np.abs(rr_ms / 2 - medians) < median_threshold
    fits_extra = np.abs(rr_ms + following - medians) < median_threshold

    found: dict[str, list[int]] = {"ectopic": [], "missed": [], "extra": [], "off": []}
    next_free = 0
    for i in np.flatnonzero(np.abs(step[: n - 2]) > 1).tolist():
        if i < next_free:
            continue
        if ectopic[i]:
            found["ectopic"].append(i)
            continue
        candidates = [i, i + 1] if abs(step[i + 1]) < abs(step[i + 2]) else [i]
        next_free = i + len(candidates)
        for j in candidates:
            if is_off[j]:
                kind = (
                    "extra"
                    if is_short[j] and fits_extra[j]
                    else "missed"
                    if is_long[j] and fits_missed[j]
                    else "off"
                )
                found[kind].append(j)
                if kind == "extra":
                    break  # the next interval is the other half of the same split beat
    return BeatArtefacts(
        tuple(found["ectopic"]), tuple(found["missed"]), tuple(found["extra"]), tuple(found["off"])
    )


def correct_beats(rr_ms: FloatArray) -> CorrectedBeats:
    """Correct the artefacts in beat intervals ``(n_beats,)`` [ms], in the order of recording.

    Extra beats are taken out, missed ones put in the middle, ectopic and long or short ones moved
    to the middle of their neighbours; repeated until a round finds no fewer artefacts than the one
    before, five rounds at most. The whole time stays the same. Intervals that are missing or not
    positive are dropped first.

    Parameters
    ----------
    rr_ms
        Intervals in the order of recording, shape ``(n_beats,)`` [ms].

    Returns
    -------
    CorrectedBeats
        Intervals whose sum is that of the usable ones [ms], and the numbers of corrections.

    References
    ----------
    As :func:`find_beat_artefacts`.
    """
    recorded = rr_ms[np.isfinite(rr_ms) & (rr_ms > 0)]
    beats = np.concatenate([[0.0], np.cumsum(recorded)])
    first = artefacts = find_beat_artefacts(recorded)
    n_corrected = 0
    for _ in range(_MOST_ROUNDS):
        if not artefacts.total:
            break
        corrected = _move_beats(beats, artefacts)
        remaining = find_beat_artefacts(np.diff(corrected))
        n_corrected += artefacts.total
        beats = corrected
        if remaining.total >= artefacts.total:
            break
        artefacts = remaining
    return CorrectedBeats(beats[1:], np.diff(beats), first, recorded.size, n_corrected)


def compute_heart_rate_on_grid(
    beat_s: FloatArray, rr_ms: FloatArray, grid_s: FloatArray, *, window_s: float, max_rr_ms: float
) -> FloatArray:
    """Return the heart rate at grid seconds: beats per time in a centred window [bpm].

    An interval counts by the share of it that lies in the window: counted whole where it ends
    there, as is done often, it comes half a beat late (0.2 to 0.4 s) and steps in and out. Near a
    gap or an end the window shrinks on both sides alike, so that it stays centred. Formula: 60
    sum(inside / RR) / sum(inside), ``inside`` the time of an interval in the window.

    Parameters
    ----------
    beat_s
        End of each interval, shape ``(n_beats,)``, rising [s].
    rr_ms
        The intervals, shape ``(n_beats,)`` [ms].
    grid_s
        Seconds that are asked for, shape ``(n_grid,)`` [s].
    window_s
        Width of the centred window [s].
    max_rr_ms
        Longer intervals are gaps [ms].

    Returns
    -------
    float array ``(n_grid,)``
        Heart rate [bpm]; NaN where less than a second of beats is left on one side.

    References
    ----------
    Our own choice; 60 / mean(RR) of whole beats is common practice.
    """
    counted = np.isfinite(rr_ms) & (rr_ms > 0) & (rr_ms <= max_rr_ms)
    if not counted.any():
        return np.full(grid_s.shape, NAN)
    before = np.concatenate([[-np.inf], beat_s[:-1]])[counted]
    ends, intervals_s = beat_s[counted], rr_ms[counted] / 1000.0
    # Times that drift against the sum of the intervals must not make them overlap.
    begins = np.maximum(ends - intervals_s, before)
    half_s = _find_half_windows(begins, ends, grid_s, longest_s=window_s / 2)
    knots = np.column_stack([begins, ends]).ravel()

    def sum_between(values: FloatArray) -> FloatArray:
        sums = np.repeat(np.concatenate([[0.0], np.cumsum(values)]), 2)[1:-1]
        between: FloatArray = np.interp(grid_s + half_s, knots, sums)
        between -= np.interp(grid_s - half_s, knots, sums)
        return between

    time_s = sum_between(ends - begins)
    beats = sum_between((ends - begins) / intervals_s)
    is_known = time_s > 0
    rates: FloatArray = np.where(is_known, 60.0 * beats / np.where(is_known, time_s, 1.0), NAN)
    return rates


def _find_half_windows(
    begins: FloatArray, ends: FloatArray, grid_s: FloatArray, *, longest_s: float
) -> FloatArray:
    """Return half the width of each window [s]; 0 where too few beats lie around."""
    is_first = np.concatenate([[True], begins[1:] - ends[:-1] > _HOLE_S])
    run_begins = begins[is_first]
    run_ends = ends[np.append(is_first[1:], True)]
    run = np.clip(np.searchsorted(run_begins, grid_s, side="right") - 1, 0, None)
    room_s = np.minimum(grid_s - run_begins[run], run_ends[run] - grid_s)
    half_s: FloatArray = np.where(
        room_s >= min(_LEAST_SIDE_S, longest_s), np.minimum(room_s, longest_s), 0.0
    )
    return half_s


def _move_beats(beats: FloatArray, artefacts: BeatArtefacts) -> FloatArray:
    """Apply the corrections to beat times; interval i runs from beat i to beat i + 1."""
    last = beats.size - 1
    added = [(beats[i] + beats[i + 1]) / 2 for i in artefacts.missed]
    kept = np.ones(beats.size, dtype=np.bool_)
    kept[[i + 1 for i in artefacts.extra if i + 1 < last]] = False
    moved = np.sort(np.concatenate([beats[kept], added]))
    for i in (*artefacts.ectopic, *artefacts.long_or_short):
        if kept[i + 1]:
            place = int(np.searchsorted(moved, beats[i + 1]))
            if 0 < place < moved.size - 1 and moved[place] == beats[i + 1]:
                moved[place] = (moved[place - 1] + moved[place + 1]) / 2
    return moved


def _compute_threshold(values: FloatArray) -> FloatArray:
    """Return 5.2 quartile deviations of the magnitudes in a centred window of 91 beats, or 5 ms."""
    half = _THRESHOLD_BEATS // 2
    padded = np.pad(np.abs(values), half, constant_values=np.nan)
    windows = np.sort(sliding_window_view(padded, _THRESHOLD_BEATS), axis=1)
    counts = np.isfinite(windows).sum(axis=1)
    low, high = (_read_quantile(windows, counts, quantile) for quantile in (0.25, 0.75))
    return np.maximum(_ALPHA * (high - low) / 2, _LEAST_THRESHOLD_MS)


def _read_quantile(windows: FloatArray, counts: FloatArray, quantile: float) -> FloatArray:
    place = quantile * (counts - 1)
    below = np.floor(place).astype(np.int64)
    above = np.minimum(below + 1, counts.astype(np.int64) - 1)
    rows = np.arange(counts.size)
    lower, upper = windows[rows, below], windows[rows, above]
    read: FloatArray = lower + (place - below) * (upper - lower)
    return read
