"""How often verdicts claim what is not there, and how often they find what is.

`python -m tests.benchmarks.bench_claims` draws reports of known truth (`tests.simulate.reports`),
judges them by the rule that the program uses and by the one it used before (exact signed ranks,
Holm over all metrics of a pair), and prints a table: of 100 reports, how many hold a false
headline, or find the one that is true. `--reports` sets how many are drawn for each cell, `--only`
picks scenarios whose name begins so.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cache
from itertools import product
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.stats import binomtest

from tasks.core.registers import METRICS
from tasks.maths.multiplicity import adjust_after_holm
from tasks.verdicts.devices import Examined, examine_devices
from tasks.verdicts.opponents import Opposed
from tasks.verdicts.words import choose_word
from tests.simulate.reports import (
    World,
    draw_report,
    list_metrics,
    make_settings,
    plan_for,
    take_first,
)

if TYPE_CHECKING:
    from tasks.verdicts.numbers import Numbers

SIZES: Final = (6, 8, 12, 20)
MAE: Final = "hr_mae_bpm"
LOCK: Final = "hr_lock_s"
TRACK: Final = "track_cross_median_m"
_CLAIMS: Final = ("better", "worse")
_FIRST_LOOK: Final = 6
_PAIR: Final = ("new", "old")


@dataclass(frozen=True)
class Scenario:
    """A kind of world, and what counts as a find: measure, place and word, or nothing true.

    `looks` are taken after every workout from the sixth on. `named` are the metrics of the plan,
    none: all primary ones.
    """

    name: str
    world: World
    wanted: tuple[str, str, str] | None = None
    looks: bool = False
    details: bool = False
    planned: bool = True
    named: tuple[str, ...] = ()


@dataclass
class Tally:
    """What was said in the reports of one cell."""

    n: int = 0
    headline: int = 0
    found: int = 0
    places: int = 0
    details: int = 0
    leans: int = 0
    false_leans: int = 0
    before: int = 0
    before_found: int = 0
    words: dict[str, int] = field(default_factory=dict)


NONE = World(8)
SCENARIOS: Final = (
    Scenario("no difference, normal", replace(NONE, shape="normal")),
    Scenario("no difference, t4", NONE, details=True),
    Scenario("no difference, skewed", replace(NONE, shape="skewed")),
    Scenario("no difference, gaps of a real test", replace(NONE, sparse=True)),
    Scenario("no difference, one outlier workout", replace(NONE, outlier=True)),
    Scenario("no difference, mixed activities", replace(NONE, mixed=True)),
    Scenario("no difference, both fail in 20 %", replace(NONE, failing=(0.2, 0.2))),
    Scenario("no difference, neighbours alike 0.3", replace(NONE, lag_one=0.3)),
    Scenario("no difference, neighbours alike 0.5", replace(NONE, lag_one=0.5)),
    Scenario("no difference, a look after each workout", NONE, looks=True, planned=False),
    Scenario("no difference, looks, and a plan of n", NONE, looks=True),
    Scenario(
        "MAE 1.5 SD worse everywhere", replace(NONE, effects={MAE: 1.5}), (MAE, "all", "worse")
    ),
    Scenario(
        "MAE 1.5 SD worse everywhere, no plan",
        replace(NONE, effects={MAE: 1.5}),
        (MAE, "all", "worse"),
        planned=False,
    ),
    Scenario(
        "the same, normal",
        replace(NONE, effects={MAE: 1.5}, shape="normal"),
        (MAE, "all", "worse"),
    ),
    Scenario(
        "the same, normal, four metrics named in the plan",
        replace(NONE, effects={MAE: 1.5}, shape="normal"),
        (MAE, "all", "worse"),
        named=(MAE, LOCK, TRACK, "distance_error_pct"),
    ),
    Scenario(
        "the same, gaps of a real test",
        replace(NONE, effects={MAE: 1.5}, sparse=True),
        (MAE, "all", "worse"),
    ),
    Scenario(
        "the same, one outlier workout",
        replace(NONE, effects={MAE: 1.5}, outlier=True),
        (MAE, "all", "worse"),
    ),
    Scenario(
        "the same, mixed activities",
        replace(NONE, effects={MAE: 1.5}, mixed=True),
        (MAE, "all", "worse"),
    ),
    Scenario("MAE 1 SD worse everywhere", replace(NONE, effects={MAE: 1.0}), (MAE, "all", "worse")),
    Scenario(
        "lock 2 SD later outdoors only",
        replace(NONE, outdoors={LOCK: 2.0}),
        (LOCK, "outdoors", "worse"),
    ),
    Scenario(
        "lock 2 SD later outdoors, 2 SD sooner indoors",
        replace(NONE, outdoors={LOCK: 4.0}, effects={LOCK: -2.0}),
        (LOCK, "place", "worse"),
    ),
    Scenario(
        "new fails in 30 %, else locks 3 times as fast",
        replace(NONE, effects={LOCK: -np.log(3) / 0.3}, failing=(0.3, 0.0)),
        (LOCK, "all", "better"),
    ),
    Scenario(
        "new fails in 60 %",
        replace(NONE, failing=(0.6, 0.0)),
        ("hr_lock_failed_pct", "all", "worse"),
    ),
)


def judge(
    report: Numbers, n_planned: int | None, *, with_details: bool, named: tuple[str, ...] = ()
) -> Examined:
    """Judge one report by the rule of the program, with a plan of `named` metrics."""
    plan = plan_for(n_planned, named) if n_planned is not None else None
    opposed = Opposed(*_PAIR, is_named=True, plan=plan)
    return examine_devices(opposed, report, make_settings(), with_details=with_details)


def say(found: Examined) -> dict[tuple[str, str], str]:
    """Return the words of headline and places, by metric and place."""
    words = {
        (one.evidence.question.measure.metric, one.evidence.question.place): choose_word(one)
        for one in found.headline
    }
    return words | {(row["metric"], "place"): row["verdict"] for row in found.places}


def judge_as_before(report: Numbers) -> dict[str, str]:
    """Judge by exact signed ranks and Holm over all metrics of the pair, in all activities."""
    p_values, signs = [], []
    metrics = list_metrics()
    for metric in metrics:
        own, other = (
            next(
                values
                for (name, measure), values in report.values.items()
                if name == device and measure.metric == metric
            )
            for device in _PAIR
        )
        pairs = [(own[key]["strap"], other[key]["strap"]) for key in own]
        differences = np.array([a - b for a, b in pairs if a is not None and b is not None])
        enough = differences.size >= 6
        p_values.append(find_signed_rank_p(differences) if enough else np.nan)
        signs.append(np.sign(np.median(differences)) if differences.size else 0)
    adjusted = adjust_after_holm(np.array(p_values))
    return {
        metric: "worse" if sign > 0 else "better"
        for metric, p_value, sign in zip(metrics, adjusted, signs, strict=True)
        if p_value < 0.05
    }


def find_signed_rank_p(differences: np.ndarray) -> float:
    """Return Wilcoxon's exact two-sided p of differences without ties and zeros."""
    ranks = np.argsort(np.argsort(np.abs(differences))) + 1
    below = _sum_signed_ranks(differences.size)
    positive = int(ranks[differences > 0].sum())
    return min(1.0, 2 * min(below[positive], 1 - below[positive - 1] if positive else 1.0))


@cache
def _sum_signed_ranks(n: int) -> np.ndarray:
    """Return the chance that the sum of the positive ranks is no larger than 0, 1, 2, ..."""
    chances = np.array([1.0])
    for rank in range(1, n + 1):
        shifted = np.concatenate([np.zeros(rank), chances])
        chances = (np.concatenate([chances, np.zeros(rank)]) + shifted) / 2
    return np.cumsum(chances)


def run(scenario: Scenario, n: int, n_reports: int, *, seed: int = 1) -> Tally:
    """Draw and judge the reports of one cell."""
    generator = np.random.default_rng([seed, n, n_reports])
    world = replace(scenario.world, n=n)
    tally = Tally()
    for _ in range(n_reports):
        report = draw_report(world, generator)
        seen = range(_FIRST_LOOK, n + 1) if scenario.looks else (n,)
        planned = n if scenario.planned else None
        found = [
            judge(
                take_first(report, number),
                planned,
                with_details=scenario.details,
                named=scenario.named,
            )
            for number in seen
        ]
        _count(tally, scenario, [say(one) for one in found])
        tally.details += any(choose_word(one) in _CLAIMS for one in found[-1].details)
        before = [judge_as_before(take_first_values(report, number)) for number in seen]
        _count_before(tally, scenario, before)
        tally.n += 1
    return tally


def take_first_values(report: Numbers, n: int) -> Numbers:
    """Return the report with the values of the first n workouts only."""
    first = set(list(report.workouts)[:n])
    values = {
        one: {key: value for key, value in by_workout.items() if key in first}
        for one, by_workout in report.values.items()
    }
    return replace(report, values=values)


def _count(tally: Tally, scenario: Scenario, looks: list[dict[tuple[str, str], str]]) -> None:
    true = _list_true(scenario)
    claims = [
        (metric, place, word)
        for words in looks
        for (metric, place), word in words.items()
        if word in _CLAIMS
    ]
    false = [one for one in claims if one[0] not in true]
    tally.headline += any(place != "place" for _, place, _ in false)
    tally.places += any(place == "place" for _, place, _ in false)
    tally.found += scenario.wanted in claims
    leaning = [one for one, word in looks[-1].items() if word.startswith("leans")]
    tally.leans += len(leaning)
    tally.false_leans += sum(metric not in true for metric, _ in leaning)


def _count_before(tally: Tally, scenario: Scenario, looks: list[dict[str, str]]) -> None:
    true = _list_true(scenario)
    claims = [one for words in looks for one in words.items()]
    tally.before += any(metric not in true for metric, _ in claims)
    if scenario.wanted is not None:
        tally.before_found += (scenario.wanted[0], scenario.wanted[2]) in claims


def _list_true(scenario: Scenario) -> set[str]:
    """Return the metrics in which the two devices truly differ."""
    world = scenario.world
    differing = {*world.effects, *world.outdoors}
    if world.failing[0] != world.failing[1]:
        differing |= {"hr_lock_failed_pct", MAE, LOCK}
    return differing


def measure_leans(n: int, *, share: float, n_reports: int, seed: int = 3) -> tuple[int, int]:
    """Return how often reports lean, and how often where there is nothing or the other way.

    A `share` of the primary metrics has no difference; the others differ by amounts drawn from a
    normal distribution of SD 1. Every report is planned for n workouts.
    """
    generator = np.random.default_rng([seed, n, n_reports])
    primaries = [one for one in list_metrics() if METRICS[one].level == "primary"]
    said = wrong = 0
    for _ in range(n_reports):
        differing = generator.random(len(primaries)) >= share
        effects = {
            metric: float(generator.normal())
            for metric, differs in zip(primaries, differing, strict=True)
            if differs
        }
        report = draw_report(World(n, effects=effects), generator)
        for (metric, place), word in say(judge(report, n, with_details=False)).items():
            if place == "all" and word.startswith("leans"):
                said += 1
                leaning = 1 if word == "leans worse" else -1
                wrong += leaning * effects.get(metric, 0.0) <= 0
    return said, wrong


def describe(hits: int, n: int) -> str:
    """Return a share with its 95 % interval (Clopper and Pearson), in percent."""
    ends = binomtest(hits, n).proportion_ci()
    return f"{100 * hits / n:.1f} ({100 * ends.low:.1f} to {100 * ends.high:.1f})"


def make_line(scenario: Scenario, tallies: list[Tally]) -> str:
    """Return the row of a scenario: what it does now / what it did before, for each size."""
    cells = []
    for one in tallies:
        hits = (
            (one.headline, one.before) if scenario.wanted is None else (one.found, one.before_found)
        )
        cells.append(f"{describe(hits[0], one.n)} / {100 * hits[1] / one.n:.1f}")
    return f"| {scenario.name} | {' | '.join(cells)} |"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--reports", type=int, default=200)
    parser.add_argument("--only", default="")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--sizes", type=int, nargs="+", default=SIZES, help="workouts a report")
    parser.add_argument("--leans", action="store_true", help="how often leans are wrong instead")
    asked = parser.parse_args()
    show: Callable[..., None] = print
    if asked.leans:
        for share, n in product((0.3, 0.5, 0.8), asked.sizes):
            said, wrong = measure_leans(n, share=share, n_reports=asked.reports)
            told = describe(wrong, said) if said else "none"
            show(f"{100 * share:.0f} % without difference, n {n}: {said} leans, wrong {told}")
        return
    show(f"| of 100 reports | {' | '.join(f'n = {n}' for n in asked.sizes)} |")
    show("| --- |" + " --- |" * len(asked.sizes))
    for scenario in SCENARIOS:
        if not scenario.name.startswith(asked.only):
            continue
        tallies = [run(scenario, n, asked.reports, seed=asked.seed) for n in asked.sizes]
        show(make_line(scenario, tallies), flush=True)
        show(
            "    "
            + "; ".join(
                f"n {n}: places {one.places}, details {one.details}, leans {one.leans} "
                f"(false {one.false_leans}), false headline {one.headline}"
                for n, one in zip(asked.sizes, tallies, strict=True)
            ),
            flush=True,
        )


if __name__ == "__main__":
    main()
