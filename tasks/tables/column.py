"""What is declared of one column."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["float", "integer", "text", "boolean", "instant"]


@dataclass(frozen=True)
class Column:
    """One column.

    `low` and `high` are the plausible range, both ends included; a sample outside is set to
    missing and counted. They are None where every value is possible. `words` are all that a text
    may be, none where anything is; the store refuses others. `is_finding_kind` marks a text that
    is a registered kind of finding.
    """

    name: str
    kind: Kind
    meaning: str
    unit: str | None = None
    low: float | None = None
    high: float | None = None
    words: tuple[str, ...] = ()
    is_finding_kind: bool = False

    @property
    def comment(self) -> str:
        """The sentence that goes into the database: meaning, then unit."""
        return f"{self.meaning} [{self.unit}]" if self.unit else self.meaning


def make_float(
    name: str, unit: str, meaning: str, low: float | None = None, high: float | None = None
) -> Column:
    """Return a column of numbers with its unit and plausible range."""
    return Column(name, "float", meaning, unit, low, high)


def make_integer(name: str, meaning: str, unit: str | None = None) -> Column:
    """Return a column of whole numbers."""
    return Column(name, "integer", meaning, unit)


def make_text(name: str, meaning: str, *, words: tuple[str, ...] = ()) -> Column:
    """Return a column of text, of certain words only where they are given."""
    return Column(name, "text", meaning, words=words)


def make_boolean(name: str, meaning: str) -> Column:
    """Return a column of true and false."""
    return Column(name, "boolean", meaning)


def make_instant(name: str, meaning: str) -> Column:
    """Return a column of instants."""
    return Column(name, "instant", meaning, "UTC")
