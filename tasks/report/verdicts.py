"""Answers across workouts, in words, for the index and the pages of devices."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from tasks.core.wording import is_signed, name_kind, name_unit, write_number

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from tasks.report.facts import Definition, DeviceFacts

_SETTLED: Final = ("better", "worse", "alike")
_TOO_FEW: Final = "too few"
_CRITERION: Final = "criterion"
_OF_CRITERION: Final = {"better": "meets it", "worse": "fails it"}
_WORDS: Final = {
    "alike": "alike: shown to be equivalent within the margin",
    "unclear": "unclear: neither a difference nor equivalence is shown",
    _TOO_FEW: "too few workouts",
}


@dataclass(frozen=True)
class VerdictRow:
    """One question and its answer, as a page shows it; empty where there is nothing to say."""

    device: DeviceFacts
    title: str
    activity: str
    against: str
    n_workouts: int | None
    estimate: str
    interval: str
    chance: str
    note: str
    verdict: str
    needed: int | None
    model: str


@dataclass(frozen=True)
class Verdicts:
    """Answers across workouts: those that stand in the table, those behind a fold."""

    shown: tuple[VerdictRow, ...]
    folded: tuple[VerdictRow, ...]


def format_verdicts(
    rows: Sequence[Mapping[str, Any]],
    *,
    devices: Mapping[str, DeviceFacts],
    definitions: Mapping[str, Definition],
    units: str,
) -> Verdicts:
    """Return rows of `latest_verdicts` in words; those of devices that nobody knows are left out.

    Questions with too few workouts are folded away.
    """
    known = [row for row in rows if row["device_id"] in devices]
    worded = [
        (
            str(row["verdict"]),
            _word(row, devices=devices, definition=definitions.get(row["metric"]), units=units),
        )
        for row in known
    ]
    settled = tuple(one for verdict, one in worded if verdict in _SETTLED)
    few = tuple(one for verdict, one in worded if verdict == _TOO_FEW)
    unclear = tuple(one for verdict, one in worded if verdict not in {*_SETTLED, _TOO_FEW})
    return Verdicts((*settled, *unclear), few)


def _word(
    row: Mapping[str, Any],
    *,
    devices: Mapping[str, DeviceFacts],
    definition: Definition | None,
    units: str,
) -> VerdictRow:
    metric, against = row["metric"], row["against"] or ""
    unit = definition.unit if definition else None

    is_criterion = against == _CRITERION
    is_difference = not is_criterion or is_signed(metric)

    def show(value: float | None) -> str:
        return write_number(value, unit, units=units, metric=metric, signed=is_difference)

    words = {**_WORDS, **_OF_CRITERION} if is_criterion else _WORDS
    has_interval = row["ci_low"] is not None and row["ci_high"] is not None
    chance = row["p_adjusted"]
    return VerdictRow(
        device=devices[row["device_id"]],
        title=definition.title if definition else name_kind(metric),
        activity=_name_part(row),
        against=devices[against].label if against in devices else against,
        n_workouts=row["n_workouts"],
        estimate=f"{show(row['estimate'])} {name_unit(unit, units=units)}".strip(),
        interval=f"{show(row['ci_low'])} to {show(row['ci_high'])}" if has_interval else "",
        chance="" if chance is None else f"p {max(chance, 0.001):.3f}, adjusted",
        note=row["note"] or "",
        verdict=words.get(row["verdict"], row["verdict"] or ""),
        needed=row["workouts_needed"],
        model=_word_model(row, show),
    )


def _name_part(row: Mapping[str, Any]) -> str:
    """Name the part of the workouts that is asked about: the place, else the activity."""
    if row["family"] == "place":
        return "outdoors / indoors"
    place = row["place"] or "all"
    return name_kind(place if place != "all" else row["activity"] or "all")


def _word_model(row: Mapping[str, Any], show: Callable[[float | None], str]) -> str:
    """Say what the model of all workouts found; empty where there is none."""
    if row["model_estimate"] is None:
        return ""
    found = f"by a model of {row['model_workouts']} workouts {show(row['model_estimate'])}"
    if row["model_ci_low"] is None or row["model_ci_high"] is None:
        return found
    return f"{found}, {show(row['model_ci_low'])} to {show(row['model_ci_high'])}"
