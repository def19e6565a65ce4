"""When the timer of a recording stood still, from its events."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tasks.tables.arrow import read_micros

if TYPE_CHECKING:
    import pyarrow as pa


def read_pauses(events: pa.Table) -> list[tuple[int, int | None]]:
    """Return each stop of the timer and the start after it [microseconds]; None: it never ran on.

    Repeated stops count from the first, repeated starts from the first after a stop. A stop and a
    start at the same instant are no pause.
    """
    times = read_micros(events)
    timer = [
        (int(at), kind != "start")
        for at, event, kind in zip(
            times,
            events.column("event").to_pylist(),
            events.column("event_kind").to_pylist(),
            strict=True,
        )
        if event == "timer" and _is_switch(kind) and np.isfinite(at)
    ]
    # The sort is stable: of two events at one instant the later in the file is the later one.
    timer.sort(key=lambda switch: switch[0])
    pauses: list[tuple[int, int | None]] = []
    stopped: int | None = None
    for at, is_stop in timer:
        if is_stop:
            stopped = at if stopped is None else stopped
        elif stopped is not None:
            if at > stopped:
                pauses.append((stopped, at))
            stopped = None
    if stopped is not None:
        pauses.append((stopped, None))
    return pauses


def _is_switch(kind: str | None) -> bool:
    return kind is not None and (kind == "start" or kind.startswith("stop"))
