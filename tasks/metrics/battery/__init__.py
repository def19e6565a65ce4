"""A device's own battery: how fast it empties, how long it would last, how two devices compare."""

from tasks.metrics.battery import compare, use

__all__ = ["compare", "use"]
