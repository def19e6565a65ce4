"""Settings of notifications; no reported number depends on them."""

from __future__ import annotations

from typing import Annotated

from pydantic import BeforeValidator, Field

from config.section import NotNegative, Section, make_tuple


class NotifySettings(Section):
    """Where what went wrong or was settled is reported; nowhere without a target."""

    targets: Annotated[tuple[str, ...], BeforeValidator(make_tuple)] = Field(
        description="Addresses in the form of Apprise (its documentation lists them), e.g. "
        "mailto://..., ntfy://...; without one nothing is sent. Sent are refused files, a strap "
        "that was dry, a settled question and a disk that is nearly full; no position, no heart "
        "rate and no file name"
    )
    disk_free_gb: NotNegative = Field(
        description="Free space below which the disk of the home counts as nearly full [GB]"
    )
