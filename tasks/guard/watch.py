"""Ends a reading process from outside when a call takes too long or holds too much memory."""

from __future__ import annotations

import threading
import time
from typing import TYPE_CHECKING, Final

from tasks.guard.memory import measure_memory

if TYPE_CHECKING:
    import subprocess

#: Pause between two looks at a call [s]; asking takes some 50 us.
_LOOK_EVERY_S: Final = 0.05


class Watch:
    """Watches one call, from `begin` to `end`; kills the process when the call goes too far.

    The process has limits of its own, but cannot be trusted with them: a library may take lack of
    memory for a fault of the file, and the interpreter can go round in circles for want of a few
    bytes.
    """

    def __init__(
        self, process: subprocess.Popen[bytes], *, longest_s: float, most_bytes: int | None
    ) -> None:
        """Note the memory that the process holds before the call: that is not the call's."""
        self.is_too_long = False
        self.is_out_of_memory = False
        self._process = process
        self._give_up = time.monotonic() + longest_s
        self._most_bytes = most_bytes
        self._rest_bytes = None if most_bytes is None else measure_memory(process.pid)
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._look, daemon=True)

    def begin(self) -> None:
        """Start to watch."""
        self._thread.start()

    def end(self) -> None:
        """Watch no longer: the call is over."""
        self._over.set()

    def _look(self) -> None:
        while True:
            left_s = self._give_up - time.monotonic()
            if left_s <= 0.0:
                self.is_too_long = True
            elif self._holds_too_much():
                self.is_out_of_memory = True
            elif self._over.wait(min(left_s, _LOOK_EVERY_S)):
                return
            else:
                continue
            self._process.kill()
            return

    def _holds_too_much(self) -> bool:
        if self._most_bytes is None or self._rest_bytes is None:
            return False
        held = measure_memory(self._process.pid)
        return held is not None and held - self._rest_bytes > self._most_bytes
