"""Settings of pages and figures; no reported number depends on them."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from config.section import Positive, Section, make_tuple

Names = Annotated[tuple[str, ...], BeforeValidator(make_tuple)]
#: From a thumbnail to the largest screens; beyond that a figure costs minutes.
Pixels = Annotated[int, Field(ge=300, le=4000)]


class PrivatePlace(Section):
    """A circle whose inside no published page, figure or file shows, nor much around it."""

    latitude_deg: Annotated[float, Field(ge=-90, le=90)] = Field(
        description="Latitude of the centre [deg]"
    )
    longitude_deg: Annotated[float, Field(ge=-180, le=180)] = Field(
        description="Longitude of the centre [deg]"
    )
    radius_m: Positive = Field(
        description="Radius; what is hidden is a circle of four radii around a hidden point beside "
        "the centre, the same in every export; 50 to 150 m are enough [m]"
    )


class ReportSettings(Section):
    """Pages and figures."""

    units: Literal["metric", "statute"] = Field(
        description="Units of distance, height and pace on pages and figures: metric or statute"
    )
    figures: Names = Field(
        description="Charts of workouts and devices that are also written as SVG and PNG, by name"
    )
    figures_per_run: Annotated[int, Field(ge=0)] = Field(
        description="Workouts whose figures a drop writes at the most, newest first; the night "
        "and coworn report write them as well"
    )
    figures_per_night: Annotated[int, Field(ge=0)] = Field(
        description="Workouts whose figures a nightly run writes at the most, newest first; it "
        "makes up for those that earlier runs left out"
    )
    figure_wide_px: Pixels = Field(description="Width of a 16:9 figure [px]")
    figure_square_px: Pixels = Field(description="Side of a square figure [px]")
    chart_points: Annotated[int, Field(ge=100)] = Field(
        description="Most points of one line of a chart; lowest and highest values are kept"
    )
    private: Annotated[tuple[PrivatePlace, ...], BeforeValidator(make_tuple)] = Field(
        description="Private places, each with latitude_deg, longitude_deg [deg] and radius_m [m]; "
        "what is published leaves out all positions inside"
    )
