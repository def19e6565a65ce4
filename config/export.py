"""Settings of the open-data package; no reported number depends on them."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from config.section import Section


class ExportSettings(Section):
    """What the package says of itself; only its publisher can know it."""

    name: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9._-]*$")] = Field(
        description="Name of the open-data package, in small letters, digits, '.', '-' and '_'"
    )
    title: str = Field(description="Title of the open-data package; empty: a plain one")
    licence: Annotated[str, Field(pattern=r"^[A-Za-z0-9.+-]*$")] = Field(
        description="Licence of the open-data package by its identifier, e.g. CC-BY-4.0; empty: "
        "none is claimed"
    )
