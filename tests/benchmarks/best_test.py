"""How often any test could find a difference among few workouts: a bound for the verdicts.

`python -m tests.benchmarks.best_test` draws reports of 8 workouts and 7 independent, normal metrics
of unknown scale; one of them differs by 1.5 SD. By Neyman and Pearson no test finds it more often
than the likelihood ratio against the worst mixture of worlds without a difference: its power bounds
that of every test which may be wrong in 5 of 100 reports in each of these worlds. Two sets of
worlds are asked about: independent workouts alone, and neighbours alike up to a lag-one correlation
of 0.5. The test knows more than the program: that values are normal, and that metrics are
independent, so that resemblance shows best.
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.special import gammaln

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from tasks.maths.arrays import FloatArray

N_METRICS: Final = 7
CORRELATIONS: Final = (0.0, 0.15, 0.3, 0.4, 0.5)
ALPHA: Final = 0.05


def make_covariance(lag_one: float, n: int) -> FloatArray:
    """Return the correlation of n workouts whose neighbours are alike."""
    covariance: FloatArray = lag_one ** np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    return covariance


def draw(
    lag_one: float, effect: float, n: int, runs: int, generator: np.random.Generator
) -> FloatArray:
    """Draw reports ``(runs, n, metrics)``, the first metric with the effect, each of length 1."""
    root = np.linalg.cholesky(make_covariance(lag_one, n))
    values = np.einsum("ij,kjm->kim", root, generator.normal(size=(runs, n, N_METRICS)))
    values[:, :, 0] += effect
    scaled: FloatArray = values / np.sqrt(np.square(values).sum(axis=1, keepdims=True))
    return scaled


def make_evidence(effect: float, n: int) -> Callable[[FloatArray], FloatArray]:
    """Return log density of a self-normalised sum under the effect, against none.

    The density of x / |x| is that of normal values integrated over the unknown scale.
    """
    scale = np.linspace(0, 14, 700)
    weight = scale ** (n - 1) * np.exp(-(scale**2 + n * effect**2) / 2) * (scale[1] - scale[0])
    sums = np.linspace(0, np.sqrt(n), 400)
    density = np.array([(weight * np.cosh(effect * scale * one)).sum() for one in sums])
    logs = np.log(density) - (n / 2 - 1) * np.log(2) - gammaln(n / 2)
    return lambda values: np.interp(np.abs(values), sums, logs)


def weigh(reports: FloatArray, lag_one: float) -> FloatArray:
    """Return the log density of reports without a difference whose neighbours are that alike."""
    n = reports.shape[1]
    inverse = np.linalg.inv(make_covariance(lag_one, n))
    form = np.einsum("kim,ij,kjm->km", reports, inverse, reports)
    logs: FloatArray = (0.5 * np.linalg.slogdet(inverse)[1] - n / 2 * np.log(form)).sum(axis=1)
    return logs


class Bound:
    """Drawn reports, and what the best test says of them."""

    def __init__(self, effect: float, n: int, runs: int) -> None:
        generator = np.random.default_rng([20260301, n])
        score = make_evidence(effect, n)
        drawn = {one: draw(one, 0.0, n, runs, generator) for one in CORRELATIONS}
        self._null = {one: self._describe(reports, score) for one, reports in drawn.items()}
        self._true = self._describe(draw(0.0, effect, n, runs, generator), score)

    @staticmethod
    def _describe(
        reports: FloatArray, score: Callable[[FloatArray], FloatArray]
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        evidence = score(reports.sum(axis=1))
        worlds = np.stack([weigh(reports, one) for one in CORRELATIONS], axis=1)
        return evidence.max(axis=1), evidence.argmax(axis=1), worlds

    def find_power(
        self, mixture: FloatArray, kept: Sequence[float]
    ) -> tuple[float, dict[float, float]]:
        """Return the power of the test against a mixture, and how often it is wrong by world.

        The limit is chosen so that the test holds ALPHA in every world of `kept`.
        """

        def compare(described: tuple[FloatArray, FloatArray, FloatArray]) -> FloatArray:
            ratio: FloatArray = described[0] - np.log(np.exp(described[2]) @ mixture)
            return ratio

        limit = max(float(np.quantile(compare(self._null[one]), 1 - ALPHA)) for one in kept)
        found = (compare(self._true) > limit) & (self._true[1] == 0)
        wrong = {one: float(np.mean(compare(self._null[one]) > limit)) for one in CORRELATIONS}
        return float(np.mean(found)), wrong

    def search(self, kept: Sequence[float], tries: int) -> tuple[float, dict[float, float]]:
        """Return the most powerful of the tests against mixtures of the worlds of `kept`."""
        generator = np.random.default_rng(20260302)
        inside = np.array([one in kept for one in CORRELATIONS])
        best = (0.0, dict[float, float]())
        for _ in range(tries):
            weights = np.where(inside, generator.gamma(0.4, size=inside.size), 0.0) + 1e-12 * inside
            found = self.find_power(weights / weights.sum(), kept)
            best = max(best, found, key=lambda one: one[0])
        return best


def main() -> None:
    """Print the power of the best test, and how often it is wrong where neighbours are alike."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=20_000)
    parser.add_argument("--workouts", type=int, default=8)
    parser.add_argument("--effect", type=float, default=1.5, help="difference [SD]")
    asked = parser.parse_args()
    show: Callable[..., None] = print
    bound = Bound(asked.effect, asked.workouts, asked.runs)
    for title, kept in (
        ("independent workouts alone", (0.0,)),
        ("neighbours alike up to 0.5", CORRELATIONS),
    ):
        power, wrong = bound.search(kept, 400)
        listed = ", ".join(f"{one:g}: {100 * share:.1f}" for one, share in wrong.items())
        show(f"{title}: found {100 * power:.1f} of 100; wrong by correlation {listed}")


if __name__ == "__main__":
    main()
