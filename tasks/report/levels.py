"""What a device usually does, in words: its levels and its limits of agreement across workouts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from tasks.core.wording import is_signed, name_kind, name_unit, write_number

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from tasks.report.facts import Definition

_ALL: Final = "all"
_SIZE: Final = "size"


@dataclass(frozen=True)
class LevelRow:
    """One level, as a page shows it; an interval that is not known is empty."""

    title: str
    activity: str
    condition: str
    n_workouts: int
    median: str
    median_interval: str
    mean: str
    mean_interval: str
    sd: str
    unit: str
    note: str


@dataclass(frozen=True)
class LimitRow:
    """Limits of agreement in one activity, as a page shows them."""

    title: str
    activity: str
    n_workouts: int
    bias: str
    low: str
    low_interval: str
    high: str
    high_interval: str
    unit: str
    note: str


@dataclass(frozen=True)
class Levels:
    """Levels over all activities, by activity and by condition, and the limits."""

    whole: tuple[LevelRow, ...]
    by_activity: tuple[LevelRow, ...]
    by_condition: tuple[LevelRow, ...]
    limits: tuple[LimitRow, ...]

    @property
    def is_empty(self) -> bool:
        """Whether there is nothing to show."""
        return not (self.whole or self.by_activity or self.by_condition or self.limits)


def format_levels(
    levels: Sequence[Mapping[str, Any]],
    limits: Sequence[Mapping[str, Any]],
    *,
    definitions: Mapping[str, Definition],
    units: str,
) -> Levels:
    """Return rows of `latest_levels` and `latest_limits` of one device in words.

    What has one activity only stands among the levels over all.
    """
    several = {row["metric"] for row in levels if row["activity"] == _ALL}
    whole, by_activity, by_condition = [], [], []
    for row in levels:
        worded = _word_level(row, definition=definitions.get(row["metric"]), units=units)
        if row["condition"] != _ALL:
            by_condition.append(worded)
        elif row["activity"] == _ALL or row["metric"] not in several:
            whole.append(worded)
        else:
            by_activity.append(worded)
    return Levels(
        tuple(whole),
        tuple(by_activity),
        tuple(by_condition),
        tuple(
            _word_limits(row, definition=definitions.get(row["metric"]), units=units)
            for row in limits
        ),
    )


def _word_level(row: Mapping[str, Any], *, definition: Definition | None, units: str) -> LevelRow:
    metric, is_size = row["metric"], row["counted"] == _SIZE
    unit = definition.unit if definition else row["unit"]
    signed = is_signed(metric) and not is_size

    def show(value: float | None, *, signed: bool = signed) -> str:
        return write_number(value, unit, units=units, metric=metric, signed=signed)

    title = definition.title if definition else name_kind(metric)
    return LevelRow(
        title=f"{title}, size" if is_size else title,
        activity=name_kind(row["activity"]),
        condition=row["condition"],
        n_workouts=row["n_workouts"],
        median=show(row["median"]),
        median_interval=_join(show, row["median_ci_low"], row["median_ci_high"]),
        mean=show(row["mean"]),
        mean_interval=_join(show, row["mean_ci_low"], row["mean_ci_high"]),
        sd=show(row["sd"], signed=False),
        unit=name_unit(unit, units=units),
        note=row["no_interval"] or "",
    )


def _word_limits(row: Mapping[str, Any], *, definition: Definition | None, units: str) -> LimitRow:
    metric = row["metric"]
    unit = definition.unit if definition else row["unit"]

    def show(value: float | None) -> str:
        return write_number(value, unit, units=units, metric=metric, signed=True)

    return LimitRow(
        title=definition.title if definition else name_kind(metric),
        activity=name_kind(row["activity"]),
        n_workouts=row["n_workouts"],
        bias=show(row["bias"]),
        low=show(row["limit_low"]),
        low_interval=_join(show, row["limit_low_ci_low"], row["limit_low_ci_high"]),
        high=show(row["limit_high"]),
        high_interval=_join(show, row["limit_high_ci_low"], row["limit_high_ci_high"]),
        unit=name_unit(unit, units=units),
        note=row["no_interval"] or "",
    )


def _join(show: Any, low: float | None, high: float | None) -> str:  # noqa: ANN401 - closures above
    return "" if low is None or high is None else f"{show(low)} to {show(high)}"
