"""Sets clocks right that are wrong by quarter hours, and says which of two is the wrong one."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from tasks.pair.clocks import Shift, find_shift
from tasks.pair.duplicates import have_equal_samples
from tasks.pair.grouping import Group, count_units, group_by_overlap, order_placed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from config.settings import PairSettings
    from tasks.pair.library import Library, Placed

#: Notes may be written with a start this long before the first sample [s].
NOTES_EARLY_S: Final = 1800.0


class ClockCorrector:
    """Finds recordings that overlap nothing and shifts them to where they belong.

    First onto workouts of several units, whose clocks agree. Of two recordings that only have
    each other, the one that is shifted is, in this order: the one whose span holds no start of
    notes; a unit whose clock was wrong elsewhere; the one with a naive time; the smaller one.
    """

    def __init__(
        self, library: Library, *, settings: PairSettings, starts_of_notes_s: Sequence[float]
    ) -> None:
        self._library = library
        self._settings = settings
        self._starts_s = tuple(starts_of_notes_s)
        self._wrong_devices: set[str] = set()
        self._known: dict[tuple[str, float, str, float], Shift | None] = {}

    def correct(self, placed: Sequence[Placed]) -> list[Placed]:
        """Return the recordings with the shifts that are clear."""
        current = order_placed(placed)
        for _ in range(len(current)):
            groups = group_by_overlap(current, self._library, settings=self._settings)
            moves = self._move_strangers(groups)
            if moves:
                current = order_placed([moves.get(one.recording_id, one) for one in current])
                continue
            lonely = [group for group in groups if self._is_lonely(group)]
            if not lonely:
                break
            company = [group for group in groups if group not in lonely]
            moves = self._move_to_company(lonely, company) or self._move_one(lonely)
            if not moves:
                break
            current = order_placed([moves.get(one.recording_id, one) for one in current])
        return current

    def _move_strangers(self, groups: Sequence[Group]) -> dict[str, Placed]:
        """Shift a track that overlaps others but was never where they were.

        A clock that is wrong by less than half the workout leaves its recording among the others;
        on a way that stays within the limit for one workout only the places show it.
        """
        moves: dict[str, Placed] = {}
        for group in groups:
            tracks = [one for one in group if one.has_track]
            strangers = [one for one in tracks if self._is_stranger(one, tracks)]
            # Where all are strangers to each other, the one that is trusted most stays.
            keep = max(strangers, key=lambda one: self._trust((one,)), default=None)
            for stranger in strangers:
                others = [one for one in tracks if one is not stranger]
                if len(strangers) == len(tracks):
                    if stranger is keep:
                        continue
                    others = [one for one in others if one is keep]
                asked = [self._ask(stranger, other) for other in others]
                found = [shift for shift in asked if shift is not None]
                if found:
                    best = max(found, key=lambda shift: (shift.quality, shift.shift_s))
                    moves.update(self._shift((stranger,), best))
        return moves

    def _is_stranger(self, one: Placed, tracks: Sequence[Placed]) -> bool:
        distances = [
            self._library.measure_distance_m(*sorted((one, other), key=_order))
            for other in tracks
            if other is not one
        ]
        known = [distance_m for distance_m in distances if distance_m == distance_m]  # noqa: PLR0124
        return bool(known) and min(known) > self._settings.shift_max_apart_m

    def _is_lonely(self, group: Group) -> bool:
        return count_units(group, self._library, settings=self._settings) == 1

    def _move_to_company(
        self, lonely: Sequence[Group], company: Sequence[Group]
    ) -> dict[str, Placed]:
        targets = _Targets([placed for group in company for placed in group], self._reach_s)
        moves: dict[str, Placed] = {}
        for group in lonely:
            best = self._find_best(group, targets)
            if best is not None:
                moves.update(self._shift(group, best))
        return moves

    def _move_one(self, lonely: Sequence[Group]) -> dict[str, Placed]:
        """Bring together the two lonely groups that fit best."""
        targets = _Targets([placed for group in lonely for placed in group], self._reach_s)
        home = {placed.recording_id: group for group in lonely for placed in group}
        found = []
        for group in lonely:
            anchor = self._choose_anchor(group)
            for target in targets.near(anchor):
                other = home[target.recording_id]
                if other is group or self._trust(other) < self._trust(group):
                    continue
                shift = self._ask(anchor, target)
                if shift is not None:
                    found.append((shift.quality, anchor.recording_id, group, shift))
        if not found:
            return {}
        _, _, group, shift = max(found, key=lambda one: (one[0], one[1]))
        return self._shift(group, shift)

    def _find_best(self, group: Group, targets: _Targets) -> Shift | None:
        anchor = self._choose_anchor(group)
        asked = [self._ask(anchor, target) for target in targets.near(anchor)]
        found = [shift for shift in asked if shift is not None]
        return max(found, key=lambda shift: (shift.quality, shift.shift_s), default=None)

    def _ask(self, wrong: Placed, right: Placed) -> Shift | None:
        key = (wrong.recording_id, wrong.shift_s, right.recording_id, right.shift_s)
        if key not in self._known:
            self._known[key] = self._find_shift(wrong, right)
        return self._known[key]

    def _find_shift(self, wrong: Placed, right: Placed) -> Shift | None:
        shift = find_shift(wrong, right, self._library, settings=self._settings)
        if shift is None or wrong.candidate.device_id != right.candidate.device_id:
            return shift
        # One unit cannot ride beside itself: only two exports of one recording may meet so.
        moved = replace(wrong, shift_s=wrong.shift_s + shift.shift_s)
        return shift if have_equal_samples(moved, right, self._library) else None

    def _shift(self, group: Group, shift: Shift) -> dict[str, Placed]:
        self._wrong_devices.update(placed.candidate.device_id for placed in group)
        return {placed.recording_id: _apply(placed, shift) for placed in group}

    def _choose_anchor(self, group: Group) -> Placed:
        return max(group, key=lambda one: (one.candidate.n_samples, one.recording_id))

    def _trust(self, group: Group) -> tuple[bool, bool, bool, int, str]:
        start_s = min(placed.start_s for placed in group)
        end_s = max(placed.end_s for placed in group)
        anchor = self._choose_anchor(group)
        return (
            any(start_s - NOTES_EARLY_S <= noted <= end_s for noted in self._starts_s),
            all(placed.candidate.device_id not in self._wrong_devices for placed in group),
            all(placed.candidate.time_basis == "utc" for placed in group),
            anchor.candidate.n_samples,
            anchor.recording_id,
        )

    @property
    def _reach_s(self) -> float:
        return self._settings.max_clock_shift_h * 3600.0


class _Targets:
    """Recordings by their start, so that those within reach are found without asking all."""

    def __init__(self, placed: Sequence[Placed], reach_s: float) -> None:
        self._ordered = order_placed(placed)
        self._starts_s = [one.start_s for one in self._ordered]
        self._longest_s = max((one.duration_s for one in self._ordered), default=0.0)
        self._reach_s = reach_s

    def near(self, anchor: Placed) -> list[Placed]:
        """Return the recordings that a shift within reach can bring together with `anchor`."""
        first = bisect_left(self._starts_s, anchor.start_s - self._reach_s - self._longest_s)
        last = bisect_right(self._starts_s, anchor.end_s + self._reach_s)
        return self._ordered[first:last]


def _order(placed: Placed) -> tuple[float, str]:
    return placed.start_s, placed.recording_id


def _apply(placed: Placed, shift: Shift) -> Placed:
    total_s = placed.shift_s + shift.shift_s
    hours, minutes = divmod(round(abs(total_s) / 60), 60)
    direction = "slow" if total_s > 0 else "fast"
    signal = shift.signal.rsplit("_", 1)[0].replace("_", " ")
    note = f"its clock was {hours} h {minutes:02d} min {direction}, found from {signal}"
    return replace(placed, shift_s=total_s, note=note)
