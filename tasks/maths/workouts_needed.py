"""How many workouts would settle a question: worlds drawn about the workouts that were seen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray, IntArray

_N_WORLDS: Final = 500
_FEWEST: Final = 3
_SEED: Final = 20260304
#: Chance with which the lower number settles it.
_EVEN: Final = 0.5


@dataclass(frozen=True, slots=True)
class Needed:
    """Workouts in all that settle it with chance 0.5 (``low``) and as asked (``high``).

    None where that takes more than the horizon.
    """

    low: int | None
    high: int | None


def find_needed(
    differences: FloatArray,
    *,
    alpha: float,
    n_questions: int,
    margins: tuple[float, float] | None,
    horizon: int,
    power: float = 0.8,
) -> Needed:
    """Return how many workouts in all settle a question, by worlds drawn about those seen.

    Each world has its own spread (from the inverse chi-squared distribution about the one seen) and
    mean (about the mean seen, drawn in by n / (n + 1)); its further workouts scatter normally and
    join those that were seen. Settled: two-sided t below alpha / max(1, 0.3 ``n_questions``), what
    a family of correlated questions asks of one of them, or two one-sided tests within ``margins``.

    Parameters
    ----------
    differences
        Those seen, shape ``(n,)``, on the scale that is compared; fewer than three tell nothing.
    alpha
        Mark that the family is held to.
    n_questions
        Questions in the family.
    margins
        Lower and upper margin on the same scale; None: equivalence is not asked.
    horizon
        Numbers beyond it are not named.
    power
        Chance with which that number of workouts settles it.

    Returns
    -------
    Needed
        Numbers of workouts in all, None beyond the horizon.

    References
    ----------
    Averaging over what the pilot leaves open: O'Hagan, Stevens and Campbell 2005, Pharmaceutical
    Statistics 4:187 (from memory).
    """
    from scipy.special import stdtr  # noqa: PLC0415 - scipy is slow to import

    n = differences.size
    sd = float(np.std(differences, ddof=1)) if n >= _FEWEST else 0.0
    # 2^(1 - N) is the least p of N sign flips.
    least = int(np.floor(1 - np.log2(alpha))) + 1
    if n < _FEWEST or not np.isfinite(sd) or sd == 0 or horizon <= n:
        return Needed(None, None)
    further = _draw_worlds(differences, sd, horizon - n)
    numbers = np.arange(n + 1, horizon + 1, dtype=np.int64)
    sums = differences.sum() + np.cumsum(further, axis=1)
    squares = np.sum(np.square(differences)) + np.cumsum(np.square(further), axis=1)
    means = sums / numbers
    errors = np.sqrt(np.maximum(squares / numbers - np.square(means), 1e-300) / (numbers - 1))
    single = alpha / max(1.0, 0.3 * n_questions)
    settled = 2 * stdtr(numbers - 1, -np.abs(means) / errors) < single
    if margins is not None:
        below = stdtr(numbers - 1, -(means - margins[0]) / errors)
        above = stdtr(numbers - 1, -(margins[1] - means) / errors)
        settled |= np.maximum(below, above) < single
    chances = np.where(numbers >= least, settled.mean(axis=0), 0.0)
    return Needed(_find_first(numbers, chances, _EVEN), _find_first(numbers, chances, power))


def _draw_worlds(differences: FloatArray, sd: float, n_further: int) -> FloatArray:
    n = differences.size
    generator = np.random.default_rng(_SEED)
    sds = sd * np.sqrt((n - 1) / generator.chisquare(n - 1, _N_WORLDS))
    centres = differences.mean() * n / (n + 1) + generator.normal(size=_N_WORLDS) * sds / np.sqrt(
        n + 1
    )
    scatter = generator.normal(size=(_N_WORLDS, n_further))
    worlds: FloatArray = centres[:, np.newaxis] + sds[:, np.newaxis] * scatter
    return worlds


def _find_first(numbers: IntArray, chances: FloatArray, chance: float) -> int | None:
    reached = np.flatnonzero(chances >= chance)
    return int(numbers[reached[0]]) if reached.size else None
