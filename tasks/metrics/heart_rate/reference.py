"""The reference's heart rate, which is not truth: from beats where it has them, flaws masked.

One series is scored, drawn, stored in `pairs` and exported: beats per time in a window of 7 s
centred on the second (`maths.rr.compute_heart_rate_on_grid`), artefacts corrected, to 0.01 bpm;
where a reference has no beats that can be trusted, what it displays. A display smooths what lies
behind it, so it is late, and hides as much of a watch's lag. Measured with hearts of known rate, at
rest to sprints, with breath and the swing of 0.1 Hz (`tests/benchmarks/bench_reference_rate.py`, 20
seeds; the truth is what the effort asks for, breath apart):

============================  ==============  ==============  ===============  ==============
series                        RMS error, bpm  worst of eight  score of a       lag of a
                              mean of shapes  shapes          faultless watch  watch
                                                              is off by, bpm   is off by, s
============================  ==============  ==============  ===============  ==============
each beat, interpolated       1.78            2.85            +0.61            0.0
beats, 1 s centred            1.42            2.83            +0.44            0.0
beats, 3 s centred            0.87            1.88            +0.19            0.0
beats, 5 s centred            0.66            1.28            +0.09            +0.1
beats, 7 s centred            0.49            0.88            +0.01            0.0
beats, 8 s centred            0.44            0.92            -0.02            0.0
beats, 10 s centred           0.46            1.18            -0.04            +0.1
beats, 15 s centred           0.79            2.04            -0.05            +0.1
display, mean of last 3 s     1.50            2.45            -0.50            -1.6
display, mean of last 5 s     1.94            3.51            -1.04            -2.6
display, mean of last 10 s    3.25            6.53            -1.54            -5.0
display, last 8 beats         1.75            3.95            -0.83            -2.1
============================  ==============  ==============  ===============  ==============

Shorter windows follow the breath, which no display shows; longer ones cut the quick start of an
effort. 7 s is least in the worst shape, also with 0.5 % of beats early and 0.5 % missed (0.96
against 1.12 bpm at 5 s and 1.21 at 10 s; 2.75 uncorrected). What it can't mend: stamps of beats
that are 0.5 s late move it by that.

Masked seconds (frozen, spikes, dry start) are not compared with; doubtful ones, in which a second
reference disagrees, are compared but can be left out (the part `reference_sure`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.maths.arrays import NAN
from tasks.maths.beat_rate import derive_heart_rate
from tasks.maths.runs import Run, find_frozen_runs, find_runs, mark_runs
from tasks.maths.smoothing import compute_running_mean, compute_running_median
from tasks.maths.spikes import HALF_WINDOW_S, find_spikes
from tasks.tables.arrow import read_floats, read_seconds

if TYPE_CHECKING:
    from config.heart_rate import HeartRateSettings
    from tasks.maths.arrays import BoolArray, FloatArray
    from tasks.workout.case import Case, Reference, Subject

HEART_RATE: Final = "heart_rate_bpm"
#: Beats replace the reference's own heart rate where they cover so much of it and agree so well.
_BEATS_COVER: Final = 0.9
_BEATS_APART_BPM: Final = 5.0
_SMOOTH_S: Final = 15
_FROZEN_TIMES, _FROZEN_TIMES_ALONE = 2, 6
#: A shorter recording is not examined for flaws: there is too little to know what is usual.
_SHORTEST_EXAMINED_S: Final = 120
#: A heart does not change by so much from one second to the next (common practice, no source).
_IMPLAUSIBLE_STEP_BPM: Final = 8.0
_DRY_GAP_S: Final = 3
_CLEAR_GAP_S: Final = 10
_DRY_CHAIN_S: Final = 60
_DRY_LONGEST_S: Final = 900
_DRY_FEWEST: Final = 4
_KEPT_S: Final = 30
_KEPT_SHARE: Final = 0.5


@dataclass(frozen=True)
class ReferenceRate:
    """The reference's heart rate as it is compared with, `(n_seconds,)` each.

    `values` [bpm] is NaN where missing or masked; `doubtful` marks seconds in which a second
    reference, `second`, is farther off than allowed (None: there is no second one).
    `share_corrected_pct` is that of corrected beat intervals, NaN where beats were not used.
    """

    values: FloatArray
    recorded: FloatArray
    frozen: BoolArray
    spikes: BoolArray
    dry: BoolArray
    dropout: BoolArray
    doubtful: BoolArray
    second: str | None
    from_beats: bool
    share_corrected_pct: float

    @property
    def masked(self) -> BoolArray:
        """Seconds with a recorded value that is not compared with."""
        masked: BoolArray = (self.frozen | self.spikes | self.dry) & np.isfinite(self.recorded)
        return masked


def get_reference_rate(case: Case) -> ReferenceRate | None:
    """Return the reference's heart rate of a case, once per workout and reference."""
    reference = case.reference
    if reference is None or reference.values(HEART_RATE) is None:
        return None
    whose = case.test.recording_id
    if reference.subject is not None:
        # The others that judge the reference are the same for every test, except itself.
        whose = reference.subject.recording_id
        if case.test.device.is_reference_for("heart_rate"):
            # A second reference is not compared with itself: it has other judges than the rest.
            whose = f"{whose}:{case.test.recording_id}"
    key = f"heart_rate:reference:{reference.name}:{whose}"
    return case.once_per_workout(key, lambda: _examine(case, reference))


def _examine(case: Case, reference: Reference) -> ReferenceRate:
    settings = case.settings.heart_rate
    values = reference.values(HEART_RATE)
    recorded = np.full(case.segment.mask.size, NAN) if values is None else values.copy()
    subject = reference.subject
    share, from_beats = NAN, False
    if subject is not None:
        from_rr, share = _take_from_beats(case, subject)
        from_beats = from_rr is not None
        recorded = recorded if from_rr is None else from_rr
    covered = np.ones(recorded.size, dtype=np.bool_)
    if reference.covered is not None:
        covered = reference.covered.copy()
    if reference.paused is not None:
        covered &= ~reference.paused
    nothing = np.zeros(recorded.size, dtype=np.bool_)
    if subject is None or covered.sum() < _SHORTEST_EXAMINED_S:
        # A median of several devices has no flaws of its own that could be separated from theirs.
        return ReferenceRate(
            recorded, recorded, *(nothing,) * 5, second=None, from_beats=from_beats,
            share_corrected_pct=share,
        )  # fmt: skip
    others = [
        other.values(HEART_RATE)
        for other in case.workout.subjects
        if other.recording_id != subject.recording_id and other.has(HEART_RATE)
    ]
    frozen = mark_runs(_find_frozen(recorded, others, settings), recorded.size)
    silent = mark_silent_samples(case, subject)
    dry = mark_runs(_find_dry_start(recorded, covered, silent), recorded.size)
    spikes = mark_runs(_find_own_spikes(recorded, others, settings), recorded.size)
    clean = np.where(frozen | dry | spikes, NAN, recorded)
    second = _choose_second(case, subject)
    doubtful = nothing
    if second is not None:
        with np.errstate(invalid="ignore"):
            doubtful = np.abs(clean - second.values(HEART_RATE)) > settings.doubtful_bpm
    return ReferenceRate(
        values=clean,
        recorded=recorded,
        frozen=frozen,
        spikes=spikes,
        dry=dry,
        dropout=covered & ~np.isfinite(recorded),
        doubtful=doubtful,
        second=None if second is None else second.device.id,
        from_beats=from_beats,
        share_corrected_pct=share,
    )


def _choose_second(case: Case, first: Subject) -> Subject | None:
    """Return another reference of heart rate that is neither the first one nor the test."""
    for other in case.workout.subjects:
        if (
            other.recording_id not in {first.recording_id, case.test.recording_id}
            and other.device.is_reference_for("heart_rate")
            and other.has(HEART_RATE)
        ):
            return other
    return None


def _find_frozen(
    values: FloatArray, others: list[FloatArray], settings: HeartRateSettings
) -> tuple[Run, ...]:
    """Find stretches of one value during which most of the other devices moved.

    A steady heart shows one whole number for half a minute, and a device that locks on moves
    meanwhile: so twice the time that counts for a device is needed with several others, and six
    times with a single one, which may itself be the one that is wrong.
    """
    if not others:
        return ()
    smooth = [compute_running_mean(other, width=_SMOOTH_S) for other in others]
    times = _FROZEN_TIMES if len(others) > 1 else _FROZEN_TIMES_ALONE
    return tuple(
        run
        for run in find_frozen_runs(values, shortest=round(times * settings.frozen_s))
        if _measure_movement(smooth, run) >= settings.frozen_reference_bpm
    )


def _measure_movement(series: list[FloatArray], run: Run) -> float:
    """Return the median over the devices of how far each moved during a run [bpm]."""
    ranges = []
    for values in series:
        inside = values[run.start : run.end]
        present = inside[np.isfinite(inside)]
        if present.size:
            low, high = np.quantile(present, [0.1, 0.9])
            ranges.append(float(high - low))
    return float(np.median(ranges)) if ranges else 0.0


def _find_own_spikes(
    values: FloatArray, others: list[FloatArray], settings: HeartRateSettings
) -> tuple[Run, ...]:
    """Find spikes of the reference that the other devices do not show."""
    spikes = find_spikes(
        values,
        size=settings.spike_bpm,
        floor=settings.spike_floor_bpm,
        shorter_than=settings.spike_s,
    )
    found = []
    for spike in spikes:
        shown = []
        for other in others:
            low, high = max(spike.run.start - HALF_WINDOW_S, 0), spike.run.end + HALF_WINDOW_S
            inside = other[spike.run.start : spike.run.end]
            around = other[low:high]
            if np.isfinite(inside).any():
                shown.append(float(np.nanmedian(inside) - np.nanmedian(around)))
        if not shown or abs(float(np.median(shown))) < abs(spike.size) / 2:
            found.append(spike.run)
    return tuple(found)


def mark_silent_samples(case: Case, subject: Subject) -> BoolArray:
    """Mark the grid seconds that hold a native sample of a recording without heart rate."""
    samples = subject.recording.samples
    silent = np.isnan(read_floats(samples, HEART_RATE))
    at = read_seconds(samples)[silent] + subject.alignment.offset_s - case.workout.grid.start_s
    seconds = np.floor(at + 0.5).astype(np.int64)
    marked = np.zeros(case.segment.mask.size, dtype=np.bool_)
    marked[seconds[(seconds >= 0) & (seconds < marked.size)]] = True
    return marked


def _find_dry_start(values: FloatArray, covered: BoolArray, silent: BoolArray) -> tuple[Run, ...]:
    """Find the stretch at the start in which a strap that is not yet wet loses and jumps.

    Events are gaps and implausible steps that follow each other within a minute, the first within
    a minute of the start; at least four, within a quarter of an hour. A short gap counts only
    where samples went on without heart rate: a device that records as it sees fit leaves some.
    A step that is kept does not count: a heart may step from load to load.
    """
    at = np.flatnonzero(covered)
    if not at.size:
        return ()
    first = int(at[0])
    part = values[first : first + _DRY_LONGEST_S]
    here = covered[first : first + _DRY_LONGEST_S]
    quiet = silent[first : first + _DRY_LONGEST_S]
    gaps = [
        run
        for run in find_runs(here & ~np.isfinite(part), shortest=_DRY_GAP_S)
        if run.length >= _CLEAR_GAP_S or quiet[run.start : run.end].any()
    ]
    with np.errstate(invalid="ignore"):
        steps = np.flatnonzero(np.abs(np.diff(part)) >= _IMPLAUSIBLE_STEP_BPM) + 1
    jumps = [int(at) for at in steps if not _is_kept(part, int(at))]
    events = sorted([(run.start, run.end) for run in gaps] + [(at, at) for at in jumps])
    end = count = 0
    for start, until in events:
        if start - end > _DRY_CHAIN_S:
            break
        end, count = max(end, until), count + 1
    return (Run(first, first + end),) if count >= _DRY_FEWEST else ()


def _is_kept(values: FloatArray, at: int) -> bool:
    """Tell whether the half minutes before and after a step differ in the middle by half of it."""
    step = values[at] - values[at - 1]
    before, after = values[max(0, at - _KEPT_S) : at], values[at : at + _KEPT_S]
    return bool((np.nanmedian(after) - np.nanmedian(before)) / step >= _KEPT_SHARE)


def _take_from_beats(case: Case, subject: Subject) -> tuple[FloatArray | None, float]:
    """Return the heart rate from corrected beats and the share corrected, if they can be trusted.

    They are where they cover nine tenths of the device's own heart rate and their median distance
    from it is at most 5 bpm: a stream of beats whose place in time is wrong fails that.
    """
    beats = subject.recording.beats
    if beats.num_rows == 0:
        return None, NAN
    found = derive_heart_rate(
        read_seconds(beats) + subject.alignment.offset_s,
        read_floats(beats, "rr_s"),
        case.workout.grid.seconds,
        window_s=case.settings.heart_rate.beats_window_s,
    )
    own = subject.values(HEART_RATE)
    both = np.isfinite(own) & np.isfinite(found.values)
    if both.sum() < _BEATS_COVER * np.isfinite(own).sum() or not both.any():
        return None, NAN
    if float(np.median(np.abs(own - found.values)[both])) > _BEATS_APART_BPM:
        return None, NAN
    return found.values, found.share_corrected_pct


def find_steady(reference: FloatArray, *, limit: float) -> BoolArray:
    """Mark the seconds in which the reference stays within a limit of its running median."""
    medians = compute_running_median(reference, half_window=HALF_WINDOW_S)
    with np.errstate(invalid="ignore"):
        steady: BoolArray = np.abs(reference - medians) < limit
    return steady
