"""One clock and one grid for the recordings of a workout."""

from tasks.align.workout import Aligned, align_workout

__all__ = ["Aligned", "align_workout"]
