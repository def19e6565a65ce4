"""A home that is opened: its folder with what its files say, read once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from config.devices import Device
    from config.home import Home
    from config.settings import Settings


@dataclass(frozen=True)
class Session:
    """A home with its settings and its devices, as they were when it was opened."""

    home: Home
    settings: Settings
    devices: tuple[Device, ...]
