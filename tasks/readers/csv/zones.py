"""From local times without an offset to UTC, over both changes of the clock."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.recording import Remark
from tasks.core.zones import open_zone

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from tasks.core.zones import Zone

_SECOND: Final = 1_000_000


@dataclass(frozen=True)
class Placed:
    """UTC microseconds, shape (n,), where `known`; elsewhere the hour does not exist."""

    micros: NDArray[np.int64]
    known: NDArray[np.bool_]
    remarks: tuple[Remark, ...] = ()


def place_local_times(local: pd.Series[pd.Timestamp], zone: Zone) -> Placed:
    """Turn naive local times into UTC.

    Parameters
    ----------
    local
        In file order, none missing.
    zone
        Where their clock stood.

    Returns
    -------
    Placed
        UTC, and what was decided. Hours that a clock change leaves out do not exist and stay
        unknown.

    Notes
    -----
    In an hour that comes twice, the order of the rows decides: one step back in local time is the
    change itself; with no step back, the hour is put where it joins the rows beside it; where
    nothing decides, it is taken as summer time and remarked.
    """
    first = _localise(local, zone, summer=True)
    second = _localise(local, zone, summer=False)
    known = first != _NOT_A_TIME
    doubled = known & (first != second)
    micros = first.copy()
    remarks: list[Remark] = []
    rows = np.flatnonzero(doubled)
    if len(rows):
        is_second, reason = _choose(first, second, rows=rows, known=known)
        micros[rows[is_second]] = second[rows[is_second]]
        remarks.append(
            Remark(f"local times in the hour that comes twice in {zone}: {reason}", len(rows))
        )
    if not known.all():
        remarks.append(
            Remark(
                f"local times that do not exist in {zone} (the clock was put forward); rows left "
                "out",
                int((~known).sum()),
            )
        )
    return Placed(micros, known, tuple(remarks))


_NOT_A_TIME: Final = np.iinfo(np.int64).min


def _localise(local: pd.Series[pd.Timestamp], zone: Zone, *, summer: bool) -> NDArray[np.int64]:
    placed = local.dt.tz_localize(
        open_zone(zone), ambiguous=np.full(len(local), summer), nonexistent="NaT"
    )
    naive = placed.dt.tz_convert("UTC").dt.tz_localize(None).to_numpy()
    return naive.astype("datetime64[us]").astype(np.int64)


def _choose(
    first: NDArray[np.int64],
    second: NDArray[np.int64],
    *,
    rows: NDArray[np.int64],
    known: NDArray[np.bool_],
) -> tuple[NDArray[np.bool_], str]:
    """Say which of `rows` lie in the second pass of the doubled hour, and what decided."""
    back = np.flatnonzero(np.diff(first[rows]) < -_SECOND)
    is_second = np.zeros(len(rows), dtype=bool)
    if len(back) == 1:
        is_second[back[0] + 1 :] = True
        return is_second, "the step back in the file shows the change"
    if len(back) > 1:
        return is_second, "the rows are out of order, taken as summer time"
    single = np.flatnonzero(known & (first == second))
    before = single[single < rows[0]]
    after = single[single > rows[-1]]
    gap_before = first[rows[0]] - first[before[-1]] if len(before) else None
    gap_after = first[after[0]] - second[rows[-1]] if len(after) else None
    if gap_before is None and gap_after is None:
        return is_second, "nothing shows which, taken as summer time"
    if gap_after is not None and (gap_before is None or gap_after < gap_before):
        return ~is_second, "taken as winter time, where it joins the rows after it"
    return is_second, "taken as summer time, where it joins the rows before it"
