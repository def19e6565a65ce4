"""A sentence that may be quoted, with what it rests on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from tasks.core.wording import convert, name_unit, write_number

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tasks.answers.facts import Metric, Pair

#: What may be done with a sentence: write it, write it with its count, or leave the matter open;
#: "beside" is what a reader must know of all of them.
Use = Literal["write", "count", "open", "beside"]
#: What stands behind a sentence, as the evidence square shows it.
Strength = Literal["shown", "leans", "alike", "open", "few", "level", "none"]

NO_BREAK: Final = "\N{NO-BREAK SPACE}"
#: Units as a sentence says them; what the words of a metric say already is left out.
_NAMES: Final = {"%/h": "% an hour", "1/km": "", "1/mi": "", "lengths": ""}


@dataclass(frozen=True)
class Sentence:
    """A sentence about a device, and its evidence.

    `tally` has a number for each workout that counts, in order: 1 where it says so, 0.5 for a tie,
    0 where it does not. `metric` and `segment` name the results it rests on, `workouts` those
    workouts; `weight` orders sentences, the heaviest first. `is_split` marks
    one that tells places apart.
    """

    domain: str
    use: Use
    text: str
    evidence: str = ""
    strength: Strength = "none"
    tally: tuple[float, ...] = ()
    metric: str = ""
    segment: str = "all"
    device_ids: tuple[str, ...] = ()
    workouts: tuple[str, ...] = ()
    weight: float = 0.0
    is_split: bool = False

    @property
    def sql(self) -> str:
        """The statement that shows the values behind it; empty where it rests on no metric."""
        if not self.metric:
            return ""
        devices = ", ".join(f"'{one}'" for one in self.device_ids)
        return (
            "SELECT workout_id, device_id, reference, round(value, 2) AS value, unit, n\n"
            "FROM latest_results\n"
            f"WHERE metric = '{self.metric}' AND segment = '{self.segment}' AND is_main\n"
            f"  AND device_id IN ({devices})\n"
            "ORDER BY workout_id, device_id"
        )


@dataclass(frozen=True)
class Pen:
    """Writes numbers in the units of the settings, metric or statute."""

    units: str

    def number(self, value: float, metric: Metric, *, signed: bool = False) -> str:
        """Return a value without its unit."""
        return write_number(
            value, metric.unit, units=self.units, metric=metric.metric, signed=signed
        )

    def amount(self, value: float, metric: Metric, *, signed: bool = False) -> str:
        """Return a value with its unit, e.g. 1.2 bpm, not to be broken over two lines."""
        return f"{self.number(value, metric, signed=signed)}{self.unit(metric)}"

    def factor(self, metric: Metric) -> float:
        """Return by what a value is multiplied to be shown."""
        return convert(1.0, metric.unit, units=self.units)[0]

    def unit(self, metric: Metric) -> str:
        """Return the unit behind a number, with the space before it."""
        name = name_unit(metric.unit, units=self.units)
        name = _NAMES.get(name, name)
        return f"{NO_BREAK}{name}" if name else ""

    def difference(self, value: float, metric: Metric, *, signed: bool = False) -> str:
        """Return a difference with its unit; that of two shares is in percentage points."""
        if metric.unit != "%":
            return self.amount(value, metric, signed=signed)
        return f"{self.number(value, metric, signed=signed)}{NO_BREAK}percentage points"


def of(k: int, n: int) -> str:
    """Return e.g. "5 of 8", not to be broken."""
    return f"{k}{NO_BREAK}of{NO_BREAK}{n}"


def begin(text: str) -> str:
    """Return a text with its first letter large."""
    return f"{text[:1].upper()}{text[1:]}"


def tally_pairs(pairs: Sequence[Pair], *, better: bool) -> tuple[float, ...]:
    """Return for each pair 1 where the device is better (or worse), 0.5 where both are equal."""
    return tuple(0.5 if one.sign == 0 else float((one.sign > 0) == better) for one in pairs)
