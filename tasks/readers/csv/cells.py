"""From cells of text to numbers; what is missing and what cannot be read are kept apart."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable

    import pandas as pd
    from numpy.typing import NDArray

_NUMBER: Final = {
    ".": r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?",
    ",": r"[+-]?(?:[0-9]+,?[0-9]*|,[0-9]+)(?:[eE][+-]?[0-9]{1,3})?",
}


@dataclass(frozen=True)
class Numbers:
    """Numbers of one column, shape (n_rows,): NaN where missing or unreadable."""

    floats: NDArray[np.float64]
    unreadable: NDArray[np.bool_]

    @property
    def present(self) -> NDArray[np.bool_]:
        """Where a number stands."""
        return np.isfinite(self.floats)


def find_missing(cells: pd.Series[str], markers: Iterable[str]) -> NDArray[np.bool_]:
    """Say which cells are empty or one of `markers`, case ignored."""
    folded = {marker.strip().casefold() for marker in markers}
    return cells.str.lower().isin({"", *folded}).to_numpy(dtype=bool)


def parse_numbers(cells: pd.Series[str], decimal: str, *, missing: Iterable[str] = ()) -> Numbers:
    """Read stripped `cells` as numbers with the sign `decimal`.

    Thousands separators, units, formulas, "inf" and numbers beyond a float are unreadable: a
    guess could be wrong by a factor of a thousand.
    """
    is_missing = find_missing(cells, missing)
    is_number = cells.str.fullmatch(_NUMBER[decimal]).to_numpy(dtype=bool) & ~is_missing
    values = np.full(len(cells), np.nan)
    texts = cells[is_number]
    if decimal == ",":
        texts = texts.str.replace(",", ".", regex=False)
    with np.errstate(over="ignore"):
        values[is_number] = texts.to_numpy(dtype=object).astype(np.float64)
    values[~np.isfinite(values)] = np.nan
    return Numbers(values, ~is_missing & np.isnan(values))


def is_number(cell: str, decimal: str = ".") -> bool:
    """Say whether one stripped cell is a number."""
    return re.fullmatch(_NUMBER[decimal], cell) is not None
