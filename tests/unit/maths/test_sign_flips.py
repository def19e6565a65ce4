"""Joint sign flips and permuted labels against enumeration, scipy and published examples."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from scipy import stats

from tasks.maths.label_permutation import assess_by_labels
from tasks.maths.sign_flips import (
    MOST_EXACT,
    assess_by_flips,
    clip_differences,
    deflate,
    make_flips,
)

#: Darwin's maize: differences of heights [eighths of an inch], in pairs.
MAIZE = np.array([49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48], dtype=np.float64)


def one_column(values: object) -> np.ndarray:
    return np.asarray(values, dtype=np.float64)[:, np.newaxis]


# --- sign flips -------------------------------------------------------------------------------
def test_darwins_maize_has_fishers_p() -> None:
    # Fisher 1935, The Design of Experiments, section 21: of the 32,768 sums 863 are as large as
    # the observed 314 or larger, and as many as small or smaller.
    assert assess_by_flips(one_column(MAIZE)).p_value[0] == pytest.approx(2 * 863 / 32_768)


@pytest.mark.parametrize("n", [6, 9, 13])
def test_a_single_question_has_scipys_p(n: int) -> None:
    differences = np.random.default_rng(n).normal(0.5, 1.0, n)
    expected = stats.permutation_test(
        (differences, np.zeros(n)),
        lambda a, b, axis: np.mean(a - b, axis=axis),
        permutation_type="samples",
        vectorized=True,
        n_resamples=np.inf,
    )
    found = assess_by_flips(one_column(differences))
    assert found.p_value[0] == pytest.approx(expected.pvalue, abs=1e-12)
    assert found.p_adjusted[0] == found.p_value[0]


@pytest.mark.parametrize(("only_new", "only_old", "neither"), [(6, 1, 2), (8, 0, 0), (3, 5, 4)])
def test_failures_have_mcnemars_exact_p(only_new: int, only_old: int, neither: int) -> None:
    # McNemar 1947: a sign test of the workouts in which one alone failed.
    failures = [1.0] * only_new + [-1.0] * only_old + [0.0] * neither
    expected = stats.binomtest(only_new, only_new + only_old).pvalue
    assert assess_by_flips(one_column(failures)).p_value[0] == pytest.approx(expected)


def test_the_step_down_maximum_is_that_of_every_flip_written_out() -> None:
    generator = np.random.default_rng(2)
    differences = generator.normal([0.0, 0.8, 1.5, 0.2], 1.0, (7, 4))
    differences[2, 1] = differences[5, 3] = np.nan
    filled = np.nan_to_num(differences)
    scaled = filled / np.sqrt((filled**2).sum(axis=0))
    every = np.array([np.abs(np.array(signs) @ scaled) for signs in product([1, -1], repeat=7)])
    observed = np.abs(scaled.sum(axis=0))
    expected: dict[int, float] = {}
    left, largest = [0, 1, 2, 3], 0.0
    while left:
        top = max(left, key=lambda column: observed[column])
        largest = max(largest, float(np.mean(every[:, left].max(axis=1) >= observed[top] - 1e-9)))
        expected[top] = largest
        left.remove(top)
    found = assess_by_flips(differences)
    assert found.p_adjusted == pytest.approx([expected[column] for column in range(4)])
    assert (found.p_adjusted >= found.p_value - 1e-12).all()


def test_equal_questions_cost_nothing_and_gaps_do_not_silence_the_others() -> None:
    generator = np.random.default_rng(3)
    differences = generator.normal(1.5, 1.0, 10)
    alone = assess_by_flips(one_column(differences)).p_adjusted[0]
    repeated = assess_by_flips(np.repeat(one_column(differences), 5, axis=1))
    assert repeated.p_adjusted == pytest.approx([alone] * 5)
    # Two equal differences have an infinite t; the self-normalised sum stops at sqrt(2).
    gappy = np.full(10, np.nan)
    gappy[:2] = 1.0
    with_gaps = assess_by_flips(np.column_stack([differences, gappy]))
    assert with_gaps.p_adjusted[0] == pytest.approx(alone)
    assert with_gaps.p_value[1] == 1.0 * 2 / 2**1 / 2


def test_the_best_p_is_that_of_equal_differences() -> None:
    found = assess_by_flips(one_column(np.random.default_rng(4).normal(size=7)))
    assert found.best_p[0] == pytest.approx(2 / 2**7)


def test_clipping_keeps_one_workout_from_deciding() -> None:
    # By hand: median |d| is 1, so that 1.5 / 0.6745 of it remain of 100.
    values = one_column([1.0, -1.0, 1.0, -1.0, 1.0, 100.0, np.nan])
    assert clip_differences(values)[5, 0] == pytest.approx(1.5 / 0.6745)
    assert np.isnan(clip_differences(values)[6, 0])
    generator = np.random.default_rng(5)
    many = generator.normal(1.2, 1.0, 20)
    many[3] = -30.0
    assert assess_by_flips(one_column(many)).p_value[0] < 0.01


def test_many_workouts_are_flipped_at_random_and_the_observed_one_is_among_them() -> None:
    assert make_flips(MOST_EXACT).shape == (2 ** (MOST_EXACT - 1), MOST_EXACT)
    flips = make_flips(MOST_EXACT + 1)
    assert flips.shape == (10_000, MOST_EXACT + 1)
    assert (flips[0] == 1).all()
    found = assess_by_flips(one_column(np.ones(40)))
    assert found.p_value[0] == pytest.approx(1 / 10_000)


def test_random_flips_say_what_every_flip_says() -> None:
    # 18 workouts: 2^17 flips against 10,000.
    values = np.random.default_rng(6).normal(0.45, 1.0, 18)
    clipped = clip_differences(one_column(values))[:, 0]
    numbers = np.arange(2**17)
    signs = 1.0 - 2.0 * ((numbers[:, None] >> np.arange(18)) & 1)
    every = np.mean(np.abs(signs @ clipped) >= abs(clipped.sum()) - 1e-9)
    assert assess_by_flips(one_column(values)).p_value[0] == pytest.approx(every, abs=0.005)


def test_deflation_is_that_of_t() -> None:
    values = np.random.default_rng(7).normal(1.0, 1.0, 9)
    t = stats.ttest_1samp(values, 0.0).statistic
    ours = np.array([values.sum() / np.sqrt(np.sum(values**2))])
    found = deflate(ours, np.array([9]), 1.4)[0]
    smaller = t / 1.4
    assert found == pytest.approx(smaller * np.sqrt(9 / (8 + smaller**2)))
    assert deflate(ours, np.array([9]), 1.0)[0] == ours[0]


def test_nothing_asked_and_nothing_different() -> None:
    assert assess_by_flips(np.empty((0, 0))).p_value.size == 0
    assert assess_by_flips(np.zeros((6, 2))).p_adjusted == pytest.approx([1.0, 1.0])


def test_families_without_a_difference_rarely_show_one() -> None:
    # 400 families of six correlated metrics: 5 % of them and three standard errors are 33.
    generator = np.random.default_rng(8)
    for n in (8, 12):
        wrong = 0
        for _ in range(400):
            common = generator.standard_t(4, (n, 1))
            differences = common + generator.standard_t(4, (n, 6))
            wrong += bool((assess_by_flips(differences).p_adjusted < 0.05).any())
        assert 4 <= wrong <= 33


# --- labels -----------------------------------------------------------------------------------
@pytest.mark.parametrize(("first", "second"), [(5, 3), (4, 4), (7, 2)])
def test_a_single_question_about_labels_has_scipys_p(first: int, second: int) -> None:
    generator = np.random.default_rng(first)
    values = generator.normal(size=first + second)
    labels = np.arange(first + second) < first
    expected = stats.permutation_test(
        (values[labels], values[~labels]),
        lambda a, b, axis: np.abs(np.mean(a, axis=axis) - np.mean(b, axis=axis)),
        permutation_type="independent",
        vectorized=True,
        n_resamples=np.inf,
        alternative="greater",
    )
    found = assess_by_labels(one_column(values), labels)
    assert found.p_value[0] == pytest.approx(expected.pvalue, abs=1e-12)
    assert np.sign(found.statistic[0]) == np.sign(values[labels].mean() - values[~labels].mean())


def test_the_best_of_five_and_three_is_one_of_fifty_six() -> None:
    labels = np.arange(8) < 5
    apart = np.where(labels, 3.0, -3.0) + np.random.default_rng(9).normal(0, 0.1, 8)
    found = assess_by_labels(one_column(apart), labels)
    assert found.p_value[0] == pytest.approx(1 / 56)
    assert found.best_p[0] == pytest.approx(1 / 56)


def test_a_question_without_two_workouts_of_each_label_is_not_asked() -> None:
    labels = np.arange(8) < 5
    values = np.random.default_rng(10).normal(size=(8, 2))
    values[6:, 1] = np.nan
    found = assess_by_labels(values, labels)
    assert np.isnan(found.p_value[1])
    assert found.p_adjusted[0] == pytest.approx(found.p_value[0])


def test_labels_that_mean_nothing_rarely_matter() -> None:
    # 300 families of seven: 5 % of them and three standard errors are 26.
    generator = np.random.default_rng(11)
    labels = np.arange(12) < 8
    wrong = sum(
        bool((assess_by_labels(generator.standard_t(4, (12, 7)), labels).p_adjusted < 0.05).any())
        for _ in range(300)
    )
    assert 3 <= wrong <= 26
