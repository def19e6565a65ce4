"""Compares what the decoder by columns gathers with what the general decoders give."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING, Any

import numpy as np

from tasks.readers.fit.columns import gather_columns
from tasks.readers.fit.gather import Gathered, MessageCollector

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from tasks.readers.fit.fields import Message


def collect(messages: Iterable[Message], *errors: type[Exception]) -> Gathered:
    """Collect `messages`; what came before one of `errors` counts."""
    collector = MessageCollector()
    with suppress(*errors):
        collector.take_all(messages)
    return collector.finish()


def flatten(gathered: Gathered) -> dict[str, Any]:
    """Return everything that was gathered in a form in which two can be compared by value.

    Arrays become their bytes: equal means equal to the bit. Values keep their types.
    """
    return {
        "seconds": _to_bytes(gathered.records.seconds),
        **{name: _to_bytes(column) for name, column in gathered.records.columns.items()},
        "rr": _to_bytes(gathered.intervals.rr_s),
        "ends": _to_bytes(gathered.intervals.ends),
        "record_seconds": _to_bytes(gathered.intervals.record_seconds),
        "n_dropped": gathered.intervals.n_dropped,
        "messages": {
            number: [_sort(message) for message in messages]
            for number, messages in sorted(gathered.messages.items())
            if messages
        },
        "developer_battery": repr(gathered.developer_battery),
        "used_developer_fields": gathered.used_developer_fields,
        "n_without_time": gathered.n_without_time,
    }


def _to_bytes(values: NDArray[Any]) -> tuple[str, bytes]:
    # All missing values are alike, whatever their bits.
    filled = np.where(np.isnan(values), np.nan, values) if values.dtype.kind == "f" else values
    return str(values.dtype), filled.tobytes()


def _sort(message: dict[str, Any]) -> str:
    return repr(sorted(message.items()))


def gather_both(data: bytes, messages: Iterable[Message]) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return what columns gather of `data`, and what is collected of `messages`."""
    return flatten(gather_columns(data)), flatten(collect(messages))
