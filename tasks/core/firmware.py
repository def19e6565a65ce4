"""Spellings of one firmware version: what a file writes as 410 a tester writes as 4.1 or 4.10."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterable

#: Major and minor, as people and files write them; FIT files keep the minor in two digits.
_DOTTED: Final = re.compile(r"v?\s*([0-9]+)(?:\.([0-9]{1,2}))?", re.IGNORECASE)
_HUNDREDS: Final = 100


def unify_firmware(spellings: Iterable[str]) -> dict[str, str]:
    """Return the spelling to use for each of those of one device.

    `4.1` and `4.10`, `2`, `2.0` and `2.00` are one version, and so is `410` where `4.10` is among
    them: a minor of one digit is one of two digits whose zero was left out. Of several spellings
    the one with a dot and most digits is used.
    """
    groups: dict[str, list[str]] = {}
    for spelling in sorted(set(spellings)):
        groups.setdefault(_make_key(spelling), []).append(spelling)
    return {
        spelling: max(group, key=lambda one: ("." in one, len(one.strip("vV ")), one))
        for group in groups.values()
        for spelling in group
    }


def _make_key(spelling: str) -> str:
    match = _DOTTED.fullmatch(spelling.strip())
    if match is None:
        return spelling.strip().casefold()
    major, minor = int(match[1]), match[2]
    if minor is None and major >= _HUNDREDS:
        major, minor = major // _HUNDREDS, f"{major % _HUNDREDS:02d}"
    return f"{major}.{(minor or '').ljust(2, '0')}"
