"""Reports of two devices with known truth: numbers of workouts, drawn, as verdicts read them.

Nothing goes through files. Each workout gives one value of every metric and device; differences are
in standard deviations (SD) of the paired differences of logs. Metrics of one domain are correlated
by 0.5, of two by 0.15.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from config.plan import DatedPlan, Plan
from config.settings import load_settings
from tasks.core.discovery import load_metrics
from tasks.core.registers import METRICS
from tasks.verdicts.asked import Measure
from tasks.verdicts.numbers import LOCK_FAILED, Numbers, Workout, list_measures

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from config.verdicts import VerdictSettings
    from tasks.maths.arrays import FloatArray

Shape = Literal["normal", "t4", "skewed"]
BEGIN: Final = datetime(2026, 3, 1, 7, tzinfo=UTC)
LOCK: Final = "hr_lock_s"
#: Metrics that exist only outdoors, and their usual level.
_OUTDOORS_ONLY: Final = ("track", "elevation")
#: Margin of every metric: a third of the SD of differences at the usual level of 10.
MARGIN: Final = 1.0
_LEVEL: Final = 10.0
_SD_OF_LOGS: Final = 0.3


@dataclass(frozen=True)
class World:
    """What is true of the two devices.

    `effects` are the true differences [SD] by metric; `outdoors` those outdoors alone. `sparse`
    leaves out what a real test lacks: tracks indoors, lengths outside of the pool, one battery
    reading in three. `outlier` puts one workout 8 SD to one side in all metrics. `mixed` gives
    every third workout three times the spread. `lag_one` correlates neighbouring workouts.
    `failing` are the chances with which new and old never lock.
    """

    n: int
    effects: Mapping[str, float] = field(default_factory=dict)
    outdoors: Mapping[str, float] = field(default_factory=dict)
    shape: Shape = "t4"
    sparse: bool = False
    outlier: bool = False
    mixed: bool = False
    lag_one: float = 0.0
    failing: tuple[float, float] = (0.0, 0.0)
    n_indoors: int = 3


def plan_for(n: int, named: Sequence[str] = ()) -> DatedPlan:
    """Return a plan of n workouts, new against old, from before the first one.

    `named` are the metrics of its headline, none: all primary ones.
    """
    before = BEGIN - timedelta(days=1)
    margins = dict.fromkeys(named, MARGIN)
    plan = Plan(device="new", against=("old",), workouts=n, margins=margins)
    return DatedPlan(plan, "p", before, {("device", ""): before})


@cache
def list_metrics() -> list[str]:
    """Return every metric that verdicts compare by the settings, primary ones first."""
    load_metrics()
    named = [metric for metric, margin in load_settings().verdicts.margins.items() if margin > 0]
    known = [one for one in named if one in METRICS and not one.endswith("_failed_pct")]
    return sorted(known, key=lambda one: (METRICS[one].level != "primary", one))


@cache
def make_settings() -> VerdictSettings:
    """Return the shipped settings with one margin for every metric."""
    settings = load_settings().verdicts
    margins = {one: MARGIN for one, margin in settings.margins.items() if margin > 0}
    return settings.model_copy(update={"margins": margins})


def take_first(report: Numbers, n: int) -> Numbers:
    """Return the report as it was after n workouts."""
    first = set(list(report.workouts)[:n])
    return replace(report, worn={device: worn & first for device, worn in report.worn.items()})


def draw_report(world: World, generator: np.random.Generator) -> Numbers:
    """Draw one report."""
    metrics = list_metrics()
    keys = [f"w{number:03}" for number in range(world.n)]
    places = _deal_places(world, generator)
    errors = _draw_errors(world, metrics, generator)
    values: dict[tuple[str, Measure], dict[str, dict[str | None, float | None]]] = {}
    lost = {
        device: generator.random(world.n) < chance
        for device, chance in zip(("new", "old"), world.failing, strict=True)
    }
    for column, metric in enumerate(metrics):
        shift = np.full(world.n, world.effects.get(metric, 0.0))
        shift += np.where(places == "outdoors", world.outdoors.get(metric, 0.0), 0.0)
        difference = _SD_OF_LOGS * (shift + errors[:, column])
        level = _LEVEL * np.exp(generator.normal(0, 0.3, world.n))
        kept = _choose_kept(world, metric, places, generator)
        series = {"new": level * np.exp(difference), "old": level}
        for measure in list_measures(metric):
            needs_lock = metric == LOCK or measure.segment == "after_lock"
            for device, numbers in series.items():
                values[device, measure] = {
                    key: {
                        "strap": None if needs_lock and lost[device][row] else float(numbers[row])
                    }
                    for row, key in enumerate(keys)
                    if kept[row]
                }
    for device, failed in lost.items():
        values[device, Measure(LOCK_FAILED)] = {
            key: {"strap": 100.0 * bool(failed[row])} for row, key in enumerate(keys)
        }
    workouts = {
        key: Workout(BEGIN + timedelta(days=row), "running", str(places[row]))
        for row, key in enumerate(keys)
    }
    worn = {"new": set(keys), "old": set(keys)}
    return Numbers(values, values, workouts, {"new": "test", "old": "predecessor"}, worn)


def _deal_places(world: World, generator: np.random.Generator) -> np.ndarray:
    n_indoors = round(world.n * world.n_indoors / 8)
    places = np.array(["indoors"] * n_indoors + ["outdoors"] * (world.n - n_indoors))
    return generator.permutation(places)


def _choose_kept(
    world: World, metric: str, places: np.ndarray, generator: np.random.Generator
) -> np.ndarray:
    kept = np.ones(world.n, dtype=np.bool_)
    if not world.sparse:
        return kept
    domain = METRICS[metric].domain
    if domain in _OUTDOORS_ONLY:
        return places == "outdoors"
    if domain == "swimming":
        return generator.random(world.n) < 1 / 8
    return generator.random(world.n) < 2 / 3 if domain == "battery" else kept


def _draw_errors(world: World, metrics: list[str], generator: np.random.Generator) -> FloatArray:
    """Draw errors of SD 1, shape ``(n, metrics)``."""
    domains = [METRICS[metric].domain for metric in metrics]
    named = sorted(set(domains))

    def draw(*size: int) -> FloatArray:
        drawn: FloatArray
        if world.shape == "normal":
            return generator.normal(size=size)
        if world.shape == "t4":
            drawn = generator.standard_t(4, size=size) / np.sqrt(2)
        else:  # both devices vary by skewed amounts of their own, which cancel in the mean
            drawn = (generator.gamma(2, size=size) - generator.gamma(2, size=size)) / 2
        return drawn

    common, shared = draw(world.n, 1), draw(world.n, len(named))
    own = draw(world.n, len(metrics))
    columns = [named.index(domain) for domain in domains]
    errors = np.sqrt(0.15) * common + np.sqrt(0.35) * shared[:, columns] + np.sqrt(0.5) * own
    if world.lag_one:
        errors = _correlate(errors, world.lag_one)
    if world.mixed:
        errors[::3] *= 3.0
    if world.outlier:
        errors[generator.integers(world.n)] += 8.0 * generator.choice([-1.0, 1.0])
    return errors


def _correlate(errors: FloatArray, lag_one: float) -> FloatArray:
    correlated = errors.copy()
    for row in range(1, len(errors)):
        correlated[row] = lag_one * correlated[row - 1] + np.sqrt(1 - lag_one**2) * errors[row]
    return correlated
