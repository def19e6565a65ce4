"""Lists of pool lengths laid side by side: miscounts placed by hand."""

from collections.abc import Sequence

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from tasks.maths.lengths import Group, align_by_time, align_to_count


def lay(starts: Sequence[float], ends: Sequence[float]) -> tuple[np.ndarray, np.ndarray]:
    return np.array(starts, dtype=float), np.array(ends, dtype=float)


def count(groups: Sequence[Group]) -> tuple[int, int]:
    return sum(group.missed for group in groups), sum(group.extra for group in groups)


TRUE = lay([0, 30, 60, 90, 160], [30, 60, 90, 120, 190])


def test_equal_lists_match_one_to_one() -> None:
    groups = align_by_time(*TRUE, *TRUE)
    assert [(list(group.test), list(group.reference)) for group in groups] == [
        ([number], [number]) for number in range(5)
    ]
    assert count(groups) == (0, 0)


def test_a_turn_that_was_not_noticed_is_one_missed_length() -> None:
    test = lay([0, 60, 90, 160], [60, 90, 120, 190])
    groups = align_by_time(*test, *TRUE)
    assert (list(groups[0].test), list(groups[0].reference)) == ([0], [0, 1])
    assert count(groups) == (1, 0)


def test_a_stop_in_the_middle_is_one_split_length() -> None:
    test = lay([0, 30, 45, 60, 90, 160], [30, 45, 60, 90, 120, 190])
    groups = align_by_time(*test, *TRUE)
    assert (list(groups[1].test), list(groups[1].reference)) == ([1, 2], [1])
    assert count(groups) == (0, 1)


def test_a_missed_and_a_split_length_do_not_hide_each_other() -> None:
    test = lay([0, 60, 75, 90, 160], [60, 75, 90, 120, 190])
    assert count(align_by_time(*test, *TRUE)) == (1, 1)


def test_a_length_that_was_not_recorded_at_all_is_missed() -> None:
    test = lay([0, 30, 60, 90], [30, 60, 90, 120])
    groups = align_by_time(*test, *TRUE)
    assert (list(groups[-1].test), list(groups[-1].reference)) == ([], [4])
    assert count(groups) == (1, 0)


def test_a_length_out_of_nothing_is_extra() -> None:
    test = lay([0, 30, 60, 90, 130, 160], [30, 60, 90, 120, 150, 190])
    groups = align_by_time(*test, *TRUE)
    assert (list(groups[4].test), list(groups[4].reference)) == ([4], [])
    assert count(groups) == (0, 1)


def test_an_empty_list_has_missed_everything() -> None:
    nothing = lay([], [])
    assert count(align_by_time(*nothing, *TRUE)) == (5, 0)
    assert count(align_by_time(*TRUE, *nothing)) == (0, 5)
    assert align_by_time(*nothing, *nothing) == ()


def test_devices_that_turn_a_few_seconds_apart_still_match() -> None:
    later = lay([3, 32, 64, 91, 163], [32, 64, 91, 124, 192])
    assert count(align_by_time(*later, *TRUE)) == (0, 0)


@given(
    durations=st.lists(st.integers(20, 60), min_size=1, max_size=12),
    rests=st.lists(st.integers(0, 40), min_size=12, max_size=12),
    data=st.data(),
)
def test_swapping_the_lists_swaps_missed_and_extra(
    durations: list[int], rests: list[int], data: st.DataObject
) -> None:
    starts = np.concatenate([[0.0], np.cumsum(np.add(durations, rests[: len(durations)]))])[:-1]
    ends = starts + durations
    kept = [data.draw(st.booleans()) for _ in durations]
    one, other = lay(starts, ends), lay(starts[kept], ends[kept])
    missed, extra = count(align_by_time(*other, *one))
    swapped = count(align_by_time(*one, *other))
    # A length that is only on one side is one missed or one extra, whichever way it is looked at.
    assert missed - extra == len(durations) - sum(kept)
    assert swapped[1] - swapped[0] == len(durations) - sum(kept)


def align(
    durations: Sequence[float],
    true_count: int,
    stretch: Sequence[int] | None = None,
    stroke: Sequence[str] | None = None,
) -> tuple[Group, ...]:
    return align_to_count(
        np.array(durations, dtype=float),
        count=true_count,
        stretch=np.array(stretch or [0] * len(durations)),
        stroke=stroke or ["freestyle"] * len(durations),
    )


def test_a_length_of_double_time_stands_for_two() -> None:
    groups = align([30, 31, 60, 29, 30, 30], 7)
    assert (list(groups[2].test), list(groups[2].reference)) == ([2], [2, 3])
    assert count(groups) == (1, 0)


def test_two_lengths_of_half_the_time_stand_for_one() -> None:
    groups = align([30, 31, 15, 15, 30, 30], 5)
    assert (list(groups[2].test), list(groups[2].reference)) == ([2, 3], [2])
    assert count(groups) == (0, 1)


def test_a_right_count_may_hide_a_missed_and_a_split_length() -> None:
    assert count(align([30, 60, 30, 31, 14, 16, 30, 29], 8)) == (1, 1)


def test_a_slower_stroke_is_not_taken_for_a_missed_turn() -> None:
    durations = [30] * 6 + [45] * 6
    strokes = ["freestyle"] * 6 + ["breaststroke"] * 6
    assert count(align(durations, 12, stroke=strokes)) == (0, 0)
    assert count(align(durations, 12)) == (0, 0)


def test_halves_on_both_sides_of_a_rest_are_no_split() -> None:
    groups = align([30, 30, 15, 15, 30, 30], 5, stretch=[0, 0, 0, 1, 1, 1])
    assert (2, 3) not in [tuple(group.test) for group in groups]


def test_no_counted_length_means_that_all_were_missed() -> None:
    assert count(align([], 3)) == (3, 0)


def test_a_swim_of_two_thousand_lengths_is_laid_out_too() -> None:
    # 50 km in a pool of 25 m, one turn missed in the middle.
    durations = [30.0] * 999 + [60.0] + [30.0] * 999
    groups = align(durations, 2000)
    assert count(groups) == (1, 0)
    assert list(groups[999].reference) == [999, 1000]


def test_a_whole_set_that_was_not_recorded_is_found_missing() -> None:
    starts = np.arange(100) * 30.0
    kept = (starts < 900) | (starts >= 2100)
    groups = align_by_time(starts[kept], starts[kept] + 30.0, starts, starts + 30.0)
    missing = [group for group in groups if not group.test]
    assert [list(group.reference) for group in missing] == [[number] for number in range(30, 70)]
