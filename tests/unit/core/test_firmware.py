"""Spellings of one firmware version."""

from __future__ import annotations

import pytest

from tasks.core.firmware import unify_firmware


@pytest.mark.parametrize(
    ("spellings", "used"),
    [
        (("4.1", "4.10"), "4.10"),
        (("2.0", "2.00", "2"), "2.00"),
        (("410", "4.1"), "4.1"),
        (("410", "4.10"), "4.10"),
        (("v4.10", "4.10"), "4.10"),
    ],
)
def test_spellings_of_one_version_get_one(spellings: tuple[str, ...], used: str) -> None:
    assert {one.lstrip("v") for one in unify_firmware(spellings).values()} == {used}


def test_other_versions_stay_apart() -> None:
    spellings = ("4.1", "4.01", "4.2", "4.11", "5.1.2", "5.1.20", "beta")
    assert unify_firmware(spellings) == {one: one for one in spellings}
