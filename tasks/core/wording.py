"""Numbers in words."""

from __future__ import annotations


def count(number: int, thing: str) -> str:
    """Return e.g. "1 file" or "2,000 files"."""
    return f"{number:,} {thing}{'' if number == 1 else 's'}"
