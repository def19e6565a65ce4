"""Battery rates against a table of errors that was worked out apart from this code.

Source of the expected errors: a separate simulation by another program, no publisher. A battery of
steady rate, drawn evenly from 1 to 10 %/h, is read each minute, rounded down to whole percent. The
true drop is no whole number; with the phase of the first reading left to chance the error of two
endpoints then is that of two roundings, 1 / sqrt(6) = 0.41 percent of charge, which is what the
table's second line says. Relative error of the rate, root mean square in percent:

    total drop [%]          2      4      6     10     20     40
    two endpoints          22   10.4    6.9    4.1    2.0    1.0
    first to last change  3.95  1.49   0.86   0.47   0.22   0.11
"""

from __future__ import annotations

import numpy as np
import pytest

from tasks.maths.battery import Drain, measure_from_changes, measure_from_ends

N_DRAWS = 2000
#: The mean square of 2,000 draws varies by some percent, the more so as few draws err most.
ROOM = 0.08
ENDPOINTS = {2: 22.0, 4: 10.4, 6: 6.9, 10: 4.1, 20: 2.0}
CHANGES = {2: 3.95, 4: 1.49, 6: 0.86, 10: 0.47, 20: 0.22}


def draw(drop_pct: float, seed: int) -> tuple[float, np.ndarray, np.ndarray]:
    """Return the true rate [%/h], instants [s] and whole-percent levels of one discharge."""
    generator = np.random.default_rng([seed, int(drop_pct)])
    rate = generator.uniform(1.0, 10.0)
    start = generator.uniform(drop_pct + 2.0, 100.0)
    true_drop = drop_pct + generator.uniform(-0.5, 0.5)
    seconds = np.arange(0.0, true_drop / rate * 3600.0 + 1e-9, 60.0)
    return float(rate), seconds, np.floor(start - rate * seconds / 3600.0)


def measure_both(drop_pct: float, seed: int) -> tuple[float, Drain, Drain | None]:
    rate, seconds, level = draw(drop_pct, seed)
    ends = measure_from_ends(
        float(level[0]), float(level[-1]), duration_s=float(seconds[-1]), method="ends"
    )
    return rate, ends, measure_from_changes(seconds, level)


def find_rms_pct(rates: list[tuple[float, float]]) -> float:
    """Root mean square of the relative errors [%] of pairs of estimate and truth."""
    errors = [100.0 * (estimate / true - 1.0) for estimate, true in rates]
    return float(np.sqrt(np.mean(np.square(errors))))


@pytest.mark.parametrize("drop_pct", CHANGES)
def test_first_to_last_change_errs_as_little_as_the_table_says(drop_pct: int) -> None:
    measured = [measure_both(drop_pct, seed) for seed in range(N_DRAWS)]
    rates = [(changes.rate, rate) for rate, _, changes in measured if changes is not None]
    assert len(rates) > 0.9 * N_DRAWS or drop_pct == 2
    assert find_rms_pct(rates) == pytest.approx(CHANGES[drop_pct], rel=ROOM)


@pytest.mark.parametrize("drop_pct", ENDPOINTS)
def test_endpoints_err_as_much_as_the_table_says(drop_pct: int) -> None:
    measured = [measure_both(drop_pct, seed) for seed in range(N_DRAWS)]
    rates = [(ends.rate, rate) for rate, ends, _ in measured]
    assert find_rms_pct(rates) == pytest.approx(ENDPOINTS[drop_pct], rel=ROOM)


@pytest.mark.parametrize("drop_pct", CHANGES)
def test_the_true_rate_is_always_inside_the_bounds_of_both(drop_pct: int) -> None:
    for seed in range(N_DRAWS):
        rate, ends, changes = measure_both(drop_pct, seed)
        assert ends.low <= rate <= ends.high
        if changes is not None:
            assert changes.low <= rate <= changes.high
