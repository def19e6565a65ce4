"""Settings of the verdicts across workouts: what is asked, set before anybody looks."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import BeforeValidator, Field, model_validator

from config.section import NotNegative, Section, make_tuple


class Criterion(Section):
    """A limit that a device meets or does not, and who set it."""

    metric: str = Field(description="Metric that is compared with the limit")
    at_most: float | None = Field(default=None, description="Limit from above, in its unit")
    at_least: float | None = Field(default=None, description="Limit from below, in its unit")
    source: str = Field(description="Who set the limit")

    @model_validator(mode="after")
    def _check_one_limit(self) -> Self:
        if (self.at_most is None) == (self.at_least is None):
            raise ValueError("a criterion has either at_most or at_least")
        return self

    @property
    def limit(self) -> float:
        """The one limit that is set."""
        limit = self.at_least if self.at_most is None else self.at_most
        if limit is None:
            raise ValueError("a criterion without a limit")
        return limit


class VerdictSettings(Section):
    """Questions across workouts."""

    power: Annotated[float, Field(ge=0.5, lt=1)] = Field(
        description="Chance of settling a question for which the workouts needed are reckoned"
    )
    margins: dict[str, NotNegative] = Field(
        description="Metrics that devices are compared by, each with the difference that does not "
        "matter, in its unit, set before looking; 0: not compared"
    )
    criteria: Annotated[tuple[Criterion, ...], BeforeValidator(make_tuple)] = Field(
        description="Limits, each with metric, at_most or at_least, and source"
    )
