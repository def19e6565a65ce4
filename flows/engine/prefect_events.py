"""What Prefect's client still has to tell its server when a command ends."""

from __future__ import annotations

import contextlib
import queue
import sys
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Sequence

#: Time to send the last events to a server [s].
FLUSH_TIMEOUT_S: Final = 30.0


def flush_prefect_events(timeout_s: float | None = None) -> None:
    """Send what was logged and what happened last; what no server takes in time is given up.

    Left to itself, Prefect's client sends the rest while the interpreter exits, and without a
    server it tries for a minute over each event: a command that is done would go on for as many
    minutes as there are events left.
    """
    module = sys.modules.get("prefect.events.worker")
    if module is None:
        return
    # Events, logs and the rest are queues of one family, which are ended together; no public way
    # leads to those that are at work.
    services = list(getattr(module.EventsWorker, "_instances", {}).values())
    _, left = module.EventsWorker.drain_all(
        timeout=FLUSH_TIMEOUT_S if timeout_s is None else timeout_s
    )
    if left:
        _give_up(services)


def _give_up(services: Sequence[Any]) -> None:
    """Empty the queues of `services`, and tell each that there is nothing more."""
    for service in services:
        waiting = getattr(service, "_queue", None)
        if waiting is None:
            continue
        with contextlib.suppress(queue.Empty):
            while True:
                waiting.get_nowait()
        waiting.put_nowait(None)
