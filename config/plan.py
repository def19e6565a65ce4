"""The plan of a test, `plan.toml`: which device against which, by what, over which workouts.

A plan is made before the workouts, so that nobody chooses a question by how it came out. Without
one everything works, under a stricter mark (see the verdicts).
"""

from __future__ import annotations

import datetime as dt  # noqa: TC003 - pydantic resolves it at run time
import hashlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Final, Self

from pydantic import BeforeValidator, Field, ValidationError, model_validator

from config.lines import TomlSyntaxError, find_line, map_lines, parse_toml
from config.section import Positive, PositiveInt, Section, make_tuple

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

#: No planned number is reckoned beyond this many workouts.
HORIZON: Final = 30
#: Fewer workouts than this show no difference, however large (two-sided sign flips, 2 / 2^6).
FEWEST_PLANNED: Final = 6

_Name = Annotated[str, Field(min_length=1)]


class PlanFileError(ValueError):
    """`plan.toml` cannot be used; the message says why, `line` where (None: unknown)."""

    def __init__(self, message: str, *, line: int | None = None) -> None:
        self.line = line
        super().__init__(message)


class Wanted(Section):
    """Workouts of one kind that the plan asks for."""

    activity: _Name | None = Field(default=None, description="Activity; without one: any")
    place: _Name | None = Field(
        default=None, description="Place, or outdoors or indoors for several; without one: any"
    )
    workouts: PositiveInt = Field(description="How many of them")


class Plan(Section):
    """What a test is to find out, and from how many workouts."""

    device: _Name = Field(description="Id of the device under test")
    against: Annotated[tuple[_Name, ...], BeforeValidator(make_tuple)] = Field(
        min_length=1, description="Ids of its opponents; the headline is against the first one"
    )
    workouts: PositiveInt | None = Field(
        default=None,
        description="Planned number of workouts; without one the sum of [[wanted]]",
    )
    begin: dt.date | None = Field(default=None, description="First day, local")
    end: dt.date | None = Field(default=None, description="Last day, local")
    horizon: Annotated[int, Field(ge=FEWEST_PLANNED, le=200)] = Field(
        default=HORIZON, description="Numbers of workouts beyond it are not printed"
    )
    margins: dict[str, Positive] = Field(
        default_factory=dict,
        description="Metrics of the headline, each with the difference that does not matter, in "
        "its unit; without any: the primary metrics with the margins of the settings",
    )
    wanted: Annotated[tuple[Wanted, ...], BeforeValidator(make_tuple)] = Field(
        default=(), description="Workouts by activity and place"
    )
    balance: dict[str, Annotated[tuple[str, ...], BeforeValidator(make_tuple)]] = Field(
        default_factory=dict,
        description="Setup keys whose values are to be worn equally often, e.g. wrist",
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.device in self.against:
            raise ValueError("a device is not compared with itself")
        if len(set(self.against)) < len(self.against):
            raise ValueError("an opponent stands twice in against")
        if self.workouts is None and not self.wanted:
            raise ValueError("say how many workouts: workouts = 12, or [[wanted]] tables")
        if self.planned_workouts < FEWEST_PLANNED:
            raise ValueError(
                f"{self.planned_workouts} workouts show no difference, however large; plan at "
                f"least {FEWEST_PLANNED}"
            )
        if self.begin is not None and self.end is not None and self.end < self.begin:
            raise ValueError("the end is before the begin")
        return self

    @property
    def planned_workouts(self) -> int:
        """How many workouts are planned in all."""
        return self.workouts or sum(one.workouts for one in self.wanted)

    @property
    def opponent(self) -> str:
        """The opponent that the headline is about."""
        return self.against[0]


@dataclass(frozen=True)
class PlanFile:
    """A plan with its text, as it stands in the home."""

    plan: Plan
    text: str

    @property
    def plan_id(self) -> str:
        """SHA-256 of what it says; comments and spacing change nothing."""
        return hashlib.sha256(self.plan.model_dump_json().encode()).hexdigest()


@dataclass(frozen=True)
class DatedPlan:
    """A plan that was taken up; `since` has the instant from which each item is as it is now.

    Items are `(item, name)` as in the table `plan`, e.g. `("margin", "hr_mae_bpm")`.
    """

    plan: Plan
    plan_id: str
    archived_at: dt.datetime
    since: Mapping[tuple[str, str], dt.datetime]

    @property
    def questions_since(self) -> dt.datetime:
        """From when device, opponents, margins and number of workouts are as they are now."""
        asked = {"device", "against", "margin", "workouts"}
        return max(since for (item, _), since in self.since.items() if item in asked)


def read_plan(path: Path) -> PlanFile | None:
    """Read `plan.toml`; None where there is none.

    Raises: PlanFileError.
    """
    if not path.exists():
        return None
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise PlanFileError("this is no text in UTF-8") from error
    return parse_plan(text)


def parse_plan(text: str) -> PlanFile:
    """Return the plan that a TOML `text` says.

    Raises: PlanFileError.
    """
    try:
        return PlanFile(Plan.model_validate(parse_toml(text)), text)
    except TomlSyntaxError as error:
        raise PlanFileError(str(error), line=error.line) from error
    except ValidationError as error:
        raise _describe(error, text) from error


def _describe(error: ValidationError, text: str) -> PlanFileError:
    first = error.errors()[0]
    key = ".".join(str(part) for part in first["loc"])
    reason = first["msg"].removeprefix("Value error, ")
    reason = f"{reason[:1].lower()}{reason[1:]}"
    if first["type"] == "extra_forbidden":
        message = f"unknown key {key!r}"
    elif first["type"] == "missing":
        message = f"{key} is missing"
    else:
        message = f"{key} = {first['input']!r}: {reason}" if key else reason
    return PlanFileError(message, line=find_line(map_lines(text), first["loc"]))
