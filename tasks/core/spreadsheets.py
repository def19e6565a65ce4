"""Text that a spreadsheet shows and does not obey."""

from __future__ import annotations

from typing import Final

#: A cell that begins with one of these is a formula to a spreadsheet.
#: Source: OWASP, "CSV Injection"; the last ones are the wide forms of the first.
FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r", "\n", *"\uff1d\uff0b\uff0d\uff20")


def escape_formula(text: str) -> str:
    """Return `text` with an apostrophe in front where a spreadsheet would take it for a formula."""
    return f"'{text}" if text.startswith(FORMULA_STARTS) else text
