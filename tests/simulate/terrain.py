"""Invented heights: hills, and ripples of every size on them."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Lengths of the ripples [m] and how many waves of each cross the land.
RIPPLES_M = (1600.0, 800.0, 400.0, 200.0, 100.0)
WAVES_EACH = 6


@dataclass(frozen=True)
class Hill:
    """A round hill: its top, its height, and the distance at which three fifths are left."""

    east_m: float
    north_m: float
    height_m: float
    radius_m: float


@dataclass(frozen=True)
class Terrain:
    """Height of every place [m].

    Ripples are plane waves of random direction whose height is proportional to their length: a
    landscape of random phases with an amplitude spectrum that falls with frequency (spectral
    synthesis; Saupe 1988 in The Science of Fractal Images, from memory).
    """

    base_m: float
    hills: tuple[Hill, ...]
    ripple_m: float
    seed: int

    def find_height(self, east_m: Floats, north_m: Floats) -> Floats:
        """Return the heights of places [m]."""
        rng = np.random.default_rng(self.seed)
        height = np.full(np.shape(east_m), self.base_m)
        for length in RIPPLES_M:
            size = self.ripple_m * length / RIPPLES_M[0] * math.sqrt(2.0 / WAVES_EACH)
            for _ in range(WAVES_EACH):
                toward, phase = rng.uniform(0.0, 2.0 * math.pi, 2)
                ahead = math.cos(toward) * east_m + math.sin(toward) * north_m
                height += size * np.sin(2.0 * math.pi * ahead / length + phase)
        for hill in self.hills:
            away = (east_m - hill.east_m) ** 2 + (north_m - hill.north_m) ** 2
            height += hill.height_m * np.exp(-away / (2.0 * hill.radius_m**2))
        return height
