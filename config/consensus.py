"""Settings of the consensus: how near devices must lie to each other to be a reference."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from config.section import Positive, Section


class ConsensusSettings(Section):
    """When several devices that are no references agree well enough to be one together.

    They agree where more than half of them, and at least two, lie within half of these differences
    of their middle.
    """

    agreed_pct: Annotated[float, Field(ge=0, le=100)] = Field(
        description="Share of the seconds in which devices must agree to be a reference [%]"
    )
    heart_rate_bpm: Positive = Field(
        description="Difference of two heart rates up to which they agree [bpm]"
    )
    speed_mps: Positive = Field(description="Difference of two speeds up to which they agree [m/s]")
    position_m: Positive = Field(description="Distance of two positions up to which they agree [m]")
    altitude_m: Positive = Field(
        description="Difference of two heights, on one level, up to which they agree [m]"
    )
    distance_pct: Positive = Field(
        description="Difference of two distances of the whole workout up to which they agree; also "
        "how far a reference of unknown uncertainty may be off another one [%]"
    )
    ascent_pct: Positive = Field(
        description="Difference of two ascents of the whole workout up to which they agree [%]"
    )
    ascent_m: Positive = Field(
        description="Difference of two ascents up to which they agree in any case [m]"
    )
