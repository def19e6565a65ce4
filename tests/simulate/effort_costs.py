"""What a slope costs: energy of walking and running, forces on a bicycle."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Cost of transport [J/kg/m] on a slope i, highest power first. Minetti et al. 2002, J Appl
#: Physiol 93:1039.
RUNNING = (155.4, -30.4, -43.3, 46.3, 19.5, 3.6)
WALKING = (280.5, -58.7, -76.8, 51.9, 19.6, 2.5)
#: They were measured on slopes up to this one.
STEEPEST = 0.45

AIR_KG_PER_M3 = 1.25
GRAVITY_MPS2 = 9.81


def compare_cost(slope: Floats, costs: tuple[float, ...]) -> Floats:
    """Return the cost of a metre on a slope over that on the flat."""
    kept = np.clip(slope, -STEEPEST, STEEPEST)
    return np.asarray(np.polyval(costs, kept) / costs[-1])


def find_force(
    speed_mps: float, slope: float, mass_kg: float, drag_m2: float, rolling: float
) -> float:
    """Return what a rider works against [N].

    Air, tyres and hill (Martin et al. 1998, J Appl Biomech 14:276, from memory; without wind,
    bearings and losses of the chain).
    """
    air = 0.5 * AIR_KG_PER_M3 * drag_m2 * speed_mps**2
    return air + mass_kg * GRAVITY_MPS2 * (rolling + slope)
