"""The response by our own recursion is that of the filter of scipy.signal, to the bit."""

from __future__ import annotations

import subprocess
import sys
from itertools import count
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy.signal import lfilter

from tasks.maths import first_order_response
from tasks.maths.first_order_response import respond_first_order, respond_with_each

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray

CONSTANTS = np.concatenate([[0.0], np.geomspace(0.1, 90.0, 12)])


def respond_by_scipy(values: FloatArray, constant: float) -> FloatArray:
    """The exact solution for straight input between the seconds, as a filter of first order."""
    if constant <= 0:
        return values
    kept = np.exp(-1 / constant)
    now, before = 1 - constant * (1 - kept), constant * (1 - kept) - kept
    response, _ = lfilter([now, before], [1.0, -kept], values, zi=[(1 - now) * values[0]])
    return np.asarray(response)


@pytest.mark.parametrize("n", [1, 2, 900])
@pytest.mark.parametrize("n_calls_before", [0, 1000])
def test_each_response_is_that_of_scipy(
    n: int, n_calls_before: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(first_order_response, "_CALLS", count(n_calls_before))
    values = 120 + np.cumsum(np.random.default_rng(1).normal(size=n))
    found = respond_with_each(values, CONSTANTS)
    for constant, response in zip(CONSTANTS, found, strict=True):
        expected = respond_by_scipy(values, constant)
        np.testing.assert_array_equal(response, expected)
        np.testing.assert_array_equal(respond_first_order(values, constant), expected)


@pytest.mark.parametrize("n_calls_before", [0, 1000])
def test_no_values_have_no_response(n_calls_before: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(first_order_response, "_CALLS", count(n_calls_before))
    assert [one.size for one in respond_with_each(np.empty(0), CONSTANTS)] == [0] * CONSTANTS.size


def test_a_few_fits_do_not_import_the_filter_of_scipy() -> None:
    program = (
        "import sys, numpy as np\n"
        "from tasks.maths.first_order import fit_first_order\n"
        "values = 120 + np.cumsum(np.random.default_rng(1).normal(size=900))\n"
        "fit_first_order(values, values)\n"
        "print('scipy.signal' in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    assert done.stdout == "False\n"
