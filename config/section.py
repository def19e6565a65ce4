"""What every group of settings is made of."""

from __future__ import annotations

from typing import Annotated, ClassVar

from pydantic import BaseModel, ConfigDict, Field, model_validator

Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Share = Annotated[float, Field(ge=0, le=1)]
PositiveInt = Annotated[int, Field(gt=0)]


class Section(BaseModel):
    """A group of settings."""

    # Strict: a true or a text is no number, and nan is no threshold.
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)
    #: Settings of older versions: whoever still names one is not refused, and it has no effect.
    retired: ClassVar[frozenset[str]] = frozenset()

    @model_validator(mode="before")
    @classmethod
    def _leave_out_retired(cls, values: object) -> object:
        if not isinstance(values, dict):
            return values
        return {name: value for name, value in values.items() if name not in cls.retired}


def make_tuple(value: object) -> object:
    """Let a TOML array stand for a tuple, also where types are strict."""
    return tuple(value) if isinstance(value, list) else value
