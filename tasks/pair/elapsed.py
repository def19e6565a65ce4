"""Places recordings that only count from their start: by a signal, their file name or notes."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from tasks.maths.match import find_match
from tasks.pair.clocks import QUARTER_S, SIGNALS
from tasks.pair.correcting import NOTES_EARLY_S
from tasks.pair.library import find_overlap_share

if TYPE_CHECKING:
    from collections.abc import Sequence

    from config.settings import PairSettings
    from tasks.pair.library import Library, Placed

#: Date and time in a file name: 2026-05-02_07-30-00, 20260502T073000 and the like.
_STAMP: Final = re.compile(
    r"(20\d\d)[-_.]?([01]\d)[-_.]?([0-3]\d)[T_ -]+([0-2]\d)[-_.:h]?([0-5]\d)(?:[-_.:m]?([0-5]\d))?"
)
#: A name that holds a date is off by a zone; two days leave room for a wrong clock, too [s].
_NAME_REACH_S: Final = 2 * 86_400.0
#: The start in a file name and the other recordings' start lie this close, but for the zone [s].
_NAME_TOLERANCE_S: Final = 180.0


def place_elapsed(
    elapsed: Sequence[Placed],
    placed: Sequence[Placed],
    library: Library,
    *,
    settings: PairSettings,
    starts_of_notes_s: Sequence[float],
) -> tuple[list[Placed], list[Placed]]:
    """Return the elapsed recordings that found their time, and those that did not.

    A signal that clearly matches a recording with a clock decides first (speed, altitude or heart
    rate, as for wrong clocks, at any shift); else the date and time in the file name, where it
    fits recordings of one time but for the zone; else the start of notes that no recording
    explains, when there is one such and one such recording. Each carries a note that says so.
    """
    done: list[Placed] = []
    left: list[Placed] = []
    for one in elapsed:
        found = None
        for targets in _list_targets(one, placed):
            found = found or _place_by_signal(one, targets, library, settings=settings)
        if found is None:
            found = _place_by_name(one, placed, settings=settings)
        if found is None:
            left.append(one)
        else:
            done.append(found)
    free_s = [start_s for start_s in starts_of_notes_s if not _is_explained(start_s, placed)]
    chosen_s = free_s or list(starts_of_notes_s)
    if len(left) == 1 and len(chosen_s) == 1:
        note = "its file holds no date; placed at the start in the notes"
        done.append(replace(left[0], shift_s=chosen_s[0] - left[0].start_s, note=note))
        left = []
    note = "its file holds no date, and neither a signal nor its name nor notes gave one"
    return done, [replace(one, note=note) for one in left]


def _list_targets(one: Placed, placed: Sequence[Placed]) -> list[Sequence[Placed]]:
    """Return where to look, in turn: among former companions, then around the date in its name.

    Without a date in the name everything is looked at.
    """
    known = one.candidate.known_workout_id
    former = [other for other in placed if known and other.candidate.known_workout_id == known]
    stamp_s = _read_stamp(one.candidate.file_name)
    if stamp_s is None:
        return [former, placed]
    first_s, last_s = stamp_s - _NAME_REACH_S, stamp_s + _NAME_REACH_S
    return [former, [other for other in placed if first_s <= other.start_s <= last_s]]


def _place_by_signal(
    one: Placed, placed: Sequence[Placed], library: Library, *, settings: PairSettings
) -> Placed | None:
    best: tuple[float, str, float, str] | None = None
    for target in placed:
        shorter_s = min(one.duration_s, target.duration_s)
        needed_s = round(max(settings.shift_min_overlap_s, settings.min_overlap_share * shorter_s))
        if shorter_s < needed_s:
            continue
        for channel, trend_s, least_sd in SIGNALS:
            reference = library.open(target.recording_id).signal(channel)
            test = library.open(one.recording_id).signal(channel)
            if reference is None or test is None:
                continue
            clock_s = round(target.shift_s)
            match = find_match(
                reference.values,
                test.values,
                reference_start=reference.start_s + clock_s,
                test_start=test.start_s,
                low=reference.start_s + clock_s - test.end_s + needed_s,
                high=reference.end_s + clock_s - test.start_s - needed_s,
                trend_window=trend_s,
                least_sd=least_sd,
                least_r=settings.shift_min_correlation,
                fewest_pairs=needed_s,
            )
            if match is not None:
                found = (match.r_without_trend, target.recording_id, float(match.shift), channel)
                best = found if best is None else max(best, found)
    if best is None:
        return None
    signal = best[3].rsplit("_", 1)[0].replace("_", " ")
    note = f"its file holds no date; placed where its {signal} matches another recording's"
    return replace(one, shift_s=best[2], note=note)


def _place_by_name(
    one: Placed, placed: Sequence[Placed], *, settings: PairSettings
) -> Placed | None:
    """Take the stamp in the name as local time of a zone that is whole quarter hours off UTC."""
    stamp_s = _read_stamp(one.candidate.file_name)
    if stamp_s is None:
        return None
    fitting = set()
    for target in placed:
        apart_s = target.start_s - stamp_s
        quarters_s = QUARTER_S * round(apart_s / QUARTER_S)
        is_zone = abs(quarters_s) <= settings.max_clock_shift_h * 3600
        moved = replace(one, shift_s=stamp_s + quarters_s - one.start_s)
        is_close = abs(apart_s - quarters_s) <= _NAME_TOLERANCE_S
        if is_zone and is_close and find_overlap_share(moved, target) >= settings.min_overlap_share:
            fitting.add(quarters_s)
    if len(fitting) != 1:
        return None
    note = "its file holds no date; placed by its file name, in the zone that fits the others"
    return replace(one, shift_s=stamp_s + fitting.pop() - one.start_s, note=note)


def _read_stamp(name: str) -> float | None:
    found = _STAMP.search(name)
    if found is None:
        return None
    parts = [int(part or 0) for part in found.groups()]
    try:
        stamp = datetime(*parts[:6], tzinfo=UTC)  # type: ignore[misc,arg-type] # six numbers
    except ValueError:
        return None
    return stamp.timestamp()


def _is_explained(start_s: float, placed: Sequence[Placed]) -> bool:
    return any(one.start_s - NOTES_EARLY_S <= start_s <= one.end_s for one in placed)
