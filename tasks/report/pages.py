"""Renders the pages: templates filled with facts, every text escaped."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any, Final

import jinja2
import numpy as np
from markupsafe import Markup

from tasks.core import wording
from tasks.maths.runs import find_run_edges
from tasks.report import words
from tasks.report.drawing import LEFT_PX, RIGHT_PX
from tasks.report.facts import ALL, CONSENSUS, Definition, Result
from tasks.report.glance import make_glance
from tasks.report.headline import write_dek, write_headline
from tasks.report.looks import THEMES, make_config
from tasks.report.map_svg import PAGE_PX, SMALL_PX, draw_map
from tasks.report.sections import build_sections, list_every
from tasks.report.summary import (
    list_set_aside,
    name_reference,
    summarise_devices,
    title_workout,
    write_intro,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from tasks.report.drawing import Drawing
    from tasks.report.facts import DeviceFacts, PairSeries, WorkoutData

#: How far from the drawn line a left-out fix may lie [m].
TRACK_TOLERANCE_M: Final = 0.5


@cache
def load_environment(units: str) -> jinja2.Environment:
    """Return the templates for these units; everything is escaped, an unknown name is an error."""
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("tasks.report", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    # Half a page is numbers: no blanks between them.
    environment.policies["json.dumps_kwargs"] = {"sort_keys": True, "separators": (",", ":")}
    environment.filters["kind"] = wording.name_kind
    environment.filters["role"] = lambda role: words.ROLES.get(role, role)
    environment.filters["shown"] = lambda result: show_result(result, units=units)
    environment.filters["unit_of"] = lambda result: show_unit(result, units=units)
    environment.filters["interval_of"] = lambda result: show_interval(result, units=units)
    environment.filters["remark_of"] = show_remark
    environment.filters["sql_of"] = write_definition_sql
    environment.filters["map_of"] = draw_plan
    environment.filters["minus"] = words.use_minus
    environment.filters["tight"] = words.keep_units
    environment.globals["map_px"] = PAGE_PX
    environment.globals["small_px"] = SMALL_PX
    return environment


def render(template: str, *, units: str, root: str, key: str = "", **context: Any) -> str:  # noqa: ANN401
    """Fill one template; `root` is the way from the page to the report's folder."""
    environment = load_environment(units)
    tolerance = wording.write_number(TRACK_TOLERANCE_M, "m", units="metric")
    return environment.get_template(template).render(
        units=units, root=root, key=key, track_tolerance=f"{tolerance} m", **context
    )


def show_result(result: Result, *, units: str) -> str:
    """Return a result's value as it stands on a page."""
    return wording.write_number(
        result.value,
        result.unit,
        units=units,
        metric=result.metric,
        signed=wording.is_signed(result.metric),
    )


def show_unit(result: Result, *, units: str) -> str:
    """Return a result's unit with the space in front, nothing for a bare number."""
    name = wording.name_unit(result.unit, units=units)
    return f"\N{NO-BREAK SPACE}{name}" if name else ""


def show_interval(result: Result, *, units: str) -> str:
    """Return a result's interval, e.g. 2.1 to 4.7."""
    low, high = (
        wording.write_number(
            end,
            result.unit,
            units=units,
            metric=result.metric,
            signed=wording.is_signed(result.metric),
        )
        for end in (result.ci_low, result.ci_high)
    )
    return f"{low} to {high}"


def show_remark(result: Result) -> str:
    """Return what a reader must know beside a value, and why it has this reference; or nothing."""
    held = ""
    if result.reference_why:
        verb = "differs from" if result.is_difference else "compared with"
        held = f"{verb} {result.reference}: {result.reference_why}"
    aside = f"set aside: {result.excluded_because}" if result.is_excluded else ""
    return "; ".join(part for part in (aside, result.note, held) if part)


def write_definition_sql(definition: Definition) -> str:
    """Return the SQL that lists all newest values of a metric."""
    metric = definition.metric.replace("'", "''")
    return (
        "SELECT workout_id, device_id, reference, segment, value, ci_low, ci_high, n, coverage\n"
        f"FROM latest_results WHERE metric = '{metric}'"
    )


def render_workout(
    data: WorkoutData,
    drawings: dict[str, tuple[Drawing, ...]],
    *,
    figures: Mapping[str, Mapping[str, str]] | None,
    key: str,
    with_commands: bool = True,
) -> str:
    """Return the page of one workout.

    `figures` are the paths of published figures by drawing and form, e.g. wide-light.svg; None
    where they were not written. `with_commands` says beside each chart how to draw its figure.
    """
    shown = {one.metric for one in data.results}
    facts = data.facts
    seconds = round(facts.end_s - facts.start_s)
    summaries = summarise_devices(data)
    every = list_every(data)
    return render(
        "workout.html.j2",
        units=data.settings.units,
        root="../",
        key=key,
        data=data,
        title=title_workout(data),
        headline=write_headline(data),
        dek=write_dek(data),
        lead=write_intro(data),
        summaries=summaries,
        glance=make_glance(data, summaries),
        set_aside=list_set_aside(data),
        sections=build_sections(data, drawings),
        every=every,
        n_every=sum(len(table.rows) for table in every),
        figures=figures or {},
        with_commands=with_commands,
        seconds=seconds,
        definitions=[one for one in data.definitions.values() if one.metric in shown],
        page_data={
            **make_page_data([*data.devices, *_list_drawn(drawings)]),
            "workout_id": facts.workout_id,
            "begin_s": facts.start_s,
            "begin_local_s": data.local(facts.start_s),
            "zone": facts.zone,
            "n_seconds": seconds,
            "seconds": list_seconds(data),
        },
    )


def draw_plan(drawing: Drawing) -> Markup:
    """Return the inner SVG of a drawing's map; all that comes from people is escaped in it."""
    if drawing.plan is None:
        return Markup()
    width, height = PAGE_PX if drawing.name == "track" else SMALL_PX
    return Markup(draw_map(drawing.plan, width=width, height=height))  # noqa: S704 - escaped there


def _list_drawn(drawings: Mapping[str, Sequence[Drawing]]) -> list[DeviceFacts]:
    """Return what the drawings show: devices, and a course that looks like one."""
    every = (one for several in drawings.values() for one in several)
    return [device for one in every for device in one.devices]


def make_page_data(devices: Iterable[DeviceFacts]) -> dict[str, Any]:
    """Return what the script needs on every page with charts: themes and colours."""
    return {
        "left_px": LEFT_PX,
        "right_px": RIGHT_PX,
        "themes": {theme: make_config(theme) for theme in THEMES},
        "colours": {
            device.label: {theme: device.look.colour(theme) for theme in THEMES}
            for device in devices
        },
    }


def list_seconds(data: WorkoutData) -> dict[str, Any]:
    """Return every compared second of heart rate, for the numbers of a stretch; nothing is thinned.

    Values are as in `pairs`, to a thousandth of a beat; a device that is the reference of several
    is given once, a consensus for each device that it leaves out. `unscored` are stretches (first
    second, second after the last) that do not count.
    """
    if not data.pairs:
        return {"first": 0, "devices": [], "references": {}, "deviation": data.deviation}
    first = round(min(float(pair.seconds[0]) for pair in data.pairs.values()))
    last = round(max(float(pair.seconds[-1]) for pair in data.pairs.values()))
    references: dict[str, list[float | int | None]] = {}
    devices = []
    for recording_id, pair in data.pairs.items():
        name = name_reference(data, pair.reference)
        reference = pair.reference
        if pair.reference == CONSENSUS:
            reference = f"{CONSENSUS}:{recording_id}"
        at = np.round(pair.seconds).astype(int) - first
        spread = np.full(last - first + 1, np.nan)
        spread[at] = pair.test_bpm
        devices.append(
            {
                "label": data.recording(recording_id).device.label,
                "recording_id": recording_id,
                "reference": pair.reference,
                "series": reference,
                "reference_label": name,
                "compared": name_compared(data.find(recording_id, "hr_mae_bpm"), name),
                "test": _shorten(spread),
                "unscored": _list_unscored(pair, at),
            }
        )
        held = np.full(last - first + 1, np.nan)
        if reference in references:
            held = np.array([np.nan if v is None else v for v in references[reference]])
        held[at] = pair.reference_bpm
        references[reference] = _shorten(held)
    return {
        "first": first,
        "devices": devices,
        "references": references,
        "deviation": data.deviation,
    }


def name_compared(result: Result | None, reference: str) -> str:
    """Return "against Hazel", or "differs from Alder 1 by" where that is no reference."""
    is_difference = result is not None and result.is_difference
    return f"differs from {reference} by" if is_difference else f"against {reference}"


def _list_unscored(pair: PairSeries, at: NDArray[np.int64]) -> list[list[int]]:
    """Return stretches of seconds that do not count although both sides have a value."""
    both = np.isfinite(pair.test_bpm) & np.isfinite(pair.reference_bpm)
    left_out = np.zeros(int(at[-1]) + 1, dtype=np.bool_)
    left_out[at] = both & ~pair.is_scored
    starts, ends = find_run_edges(left_out)
    stretches: list[list[int]] = np.column_stack([starts, ends]).tolist()
    return stretches


def _shorten(values: Any) -> list[float | int | None]:  # noqa: ANN401 - an array of floats
    short: list[float | int | None] = []
    for value in np.round(values, 3).tolist():
        if value != value:  # noqa: PLR0124 - NaN alone differs from itself
            short.append(None)
        else:
            short.append(int(value) if value == int(value) else value)
    return short


def pick_whole(results: Iterable[Result], metric: str) -> dict[tuple[str, str], Result]:
    """Return the whole-workout result that counts of one metric, by workout and device.

    How two devices differ none of which is a reference is no number of either.
    """
    found: dict[tuple[str, str], Result] = {}
    for one in results:
        if one.metric != metric or one.segment != ALL or one.is_difference:
            continue
        key = (one.workout_id, one.device_id)
        if key not in found or one.place < found[key].place:
            found[key] = one
    return found
