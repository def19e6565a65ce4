"""Ids as they are published, drawn by the home's secret: they lead to no file and no serial.

The id of a recording begins with the hash of its original, that of a workout ends with digits of
it, and a device that nobody named is called by its product, its folder, its file or a hash.
"""

from __future__ import annotations

import hashlib
import hmac
import re
from dataclasses import dataclass
from typing import Final

#: A recording, or a workout by the minute of its start, or a device that nobody named.
_IN_TEXT: Final = re.compile(
    r"(?<![0-9A-Za-z])(?:(?P<recording>[0-9a-f]{16}-\d+)|(?P<begin>\d{8}T\d{4}Z)-(?P<end>[0-9a-f]{6})"
    r"|(?P<unknown>unknown-[0-9a-f]{8}))(?![0-9A-Za-z])"
)
_DIGITS: Final = 12
_FEW_DIGITS: Final = 6


@dataclass(frozen=True)
class PublicIds:
    """Writes ids for publication, the same ones for the same `key`.

    `automatic` are the devices that nobody named.
    """

    key: bytes
    automatic: frozenset[str] = frozenset()

    def find_device(self, device_id: str) -> str:
        """Return the id of a device: that of `devices.toml` stays."""
        if device_id not in self.automatic:
            return self.rewrite(device_id)
        return f"device-{self._draw(device_id, _FEW_DIGITS)}"

    def rewrite(self, text: str) -> str:
        """Return a text with public ids of recordings, workouts and unknown devices.

        Public ids stay as they are: a text may pass twice.
        """
        return _IN_TEXT.sub(self._replace, text)

    def _replace(self, found: re.Match[str]) -> str:
        whole = found[0]
        if found["recording"]:
            return f"r{self._draw(whole, _DIGITS)}"
        if found["unknown"]:
            return f"device-{self._draw(whole, _FEW_DIGITS)}"
        # The times of a workout are published as they are.
        return f"{found['begin']}-w{self._draw(whole, _FEW_DIGITS)}"

    def _draw(self, text: str, digits: int) -> str:
        """Return hexadecimal digits that nobody computes without the key (HMAC, RFC 2104)."""
        message = f"id|{text}".encode("utf-8", "backslashreplace")
        return hmac.new(self.key, message, hashlib.sha256).hexdigest()[:digits]
