"""Words for activities."""

from __future__ import annotations

import pytest

from tasks.core.activities import ACTIVITIES, name_activity, names_virtual_place


@pytest.mark.parametrize(
    ("word", "activity"),
    [
        ("Running", "running"),
        ("trail_running", "running"),
        ("Trail-Running", "running"),
        ("Biking", "cycling"),
        ("mountain-biking", "mountain-biking"),
        (" Walking ", "walking"),
        ("ice fishing", "other"),
        ("", None),
        ("  ", None),
        (None, None),
    ],
)
def test_words_of_formats_become_ours(word: str | None, activity: str | None) -> None:
    assert name_activity(word) == activity


def test_every_word_of_ours_means_itself() -> None:
    unchanged = {word for word in ACTIVITIES if name_activity(word) == word}
    assert unchanged == set(ACTIVITIES)


@pytest.mark.parametrize(
    ("words", "virtual"),
    [
        (("VirtualRide", None), True),
        (("ride", "Zwift"), True),
        (("ride", "Alder 2"), False),
        ((None,), False),
        ((), False),
    ],
)
def test_invented_places_are_told_from_real_ones(
    words: tuple[str | None, ...], *, virtual: bool
) -> None:
    assert names_virtual_place(*words) is virtual
