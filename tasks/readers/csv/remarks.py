"""What a reader of the numbers of a CSV should know about how they were read."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.recording import Remark

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tasks.readers.csv.cells import Numbers
    from tasks.readers.csv.fitting import Fit
    from tasks.readers.csv.sheet import Grid
    from tasks.readers.csv.times import Instants

#: Remarks stay readable: more unused columns than this are only counted.
NAMED_AT_MOST: Final = 8


def collect_remarks(
    fit: Fit,
    grid: Grid,
    numbers: dict[str, Numbers],
    *,
    instants: Instants,
    keep: NDArray[np.bool_],
    cut: bool,
) -> list[Remark]:
    """Return the remarks on a reading: layout, times, units, columns and rows left out."""
    remarks = [Remark(f"read by the layout {fit.layout.name}"), *instants.remarks]
    remarks += [
        Remark(f"column {use.title!r} names no unit; read as {use.column.unit}")
        for use in fit.uses
        if use.column.unit_assumed
    ]
    if fit.unused:
        named = ", ".join(fit.unused[:NAMED_AT_MOST])
        more = len(fit.unused) - NAMED_AT_MOST
        named += f" and {more} more" if more > 0 else ""
        remarks.append(Remark(f"columns that nothing reads: {named}", len(fit.unused)))
    remarks += [
        Remark(f"the title {title!r} stands more than once; its first column is read")
        for title in fit.doubled
    ]
    for use in fit.uses:
        unreadable = numbers[use.column.ours].unreadable & keep
        if unreadable.any():
            row = int(np.argmax(unreadable))
            cell = grid.cells[use.position][row]
            remarks.append(
                Remark(
                    f"{use.title}: cells that are no number, set to missing; the first is "
                    f"{cell!r} in line {grid.find_line(row)}",
                    int(unreadable.sum()),
                )
            )
    untimed = ~instants.known & ~grid.ragged
    if untimed.any():
        row = int(np.argmax(untimed))
        later = (
            "; every later beat is too early by what they would have added"
            if fit.layout.time.form == "beats"
            else ""
        )
        remarks.append(
            Remark(
                f"rows without a readable time, left out; the first is line "
                f"{grid.find_line(row)}{later}",
                int(untimed.sum()),
            )
        )
    if grid.ragged.any():
        line = grid.find_line(int(np.argmax(grid.ragged)))
        remarks.append(
            Remark(
                f"rows with more filled cells than the header, left out; the first is line {line}",
                int(grid.ragged.sum()),
            )
        )
    if grid.repeated:
        remarks.append(Remark("headers repeated among the data, left out", grid.repeated))
    if cut:
        remarks.append(Remark("the file stops inside its last row, which is left out"))
    return remarks
