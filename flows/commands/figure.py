"""`coworn figure`: one chart to publish, of a workout, of a stretch of it, or of a device."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from flows.commands.declare import Options, command
from flows.console import terminal
from tasks.core.errors import UsageError

if TYPE_CHECKING:
    import duckdb

    from config.session import Session
    from tasks.report.facts import WorkoutData

_SIZES: Final = {"wide": (1600, 900), "square": (1200, 1200), "tall": (1080, 1350)}
_THEMES: Final = ("light", "dark")
_CLOCK: Final = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2}))?")
_DAY_S: Final = 86_400


@command()
def figure(
    options: Options,
    name: Annotated[
        str, typer.Argument(metavar="WORKOUT-or-DEVICE", help="Id of a workout or of a device.")
    ],
    chart: Annotated[
        str, typer.Argument(metavar="CHART", help="E.g. heart_rate, track; of a device a metric.")
    ],
    begin: Annotated[
        str | None,
        typer.Option("--from", metavar="TIME", help="Time of day, e.g. 12:10.", show_default=False),
    ] = None,
    end: Annotated[
        str | None,
        typer.Option("--to", metavar="TIME", help="Time of day, e.g. 12:30.", show_default=False),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", help="File to write, .svg or .png.", show_default=False),
    ] = None,
    size: Annotated[str, typer.Option("--size", help="wide, square or tall.")] = "wide",
    theme: Annotated[str, typer.Option("--theme", help="light or dark.")] = "light",
) -> int:
    """Write one chart to publish, as SVG or PNG; positions in private places are hidden.

    Raises: UsageError for a workout, a device, a chart or a time that is not there.
    """
    from flows.session.home import open_existing_home
    from flows.session.umask import user_umask
    from tasks.report import read
    from tasks.store import connect_for_reading

    if size not in _SIZES or theme not in _THEMES:
        raise UsageError(f"sizes are {', '.join(_SIZES)}, themes {' and '.join(_THEMES)}")
    path = out or Path(f"{name}-{chart}.svg").absolute()
    if path.suffix not in {".svg", ".png"}:
        raise UsageError(f"{path}: figures are .svg or .png")
    session = open_existing_home(options.home)
    connection = connect_for_reading(session.home)
    try:
        if name in read.read_workouts(connection):
            svg = _draw_workout(session, connection, name, chart, (begin, end), size, theme)
        else:
            svg = _draw_device(session, connection, name, chart, size, theme)
    finally:
        connection.close()
    with user_umask():
        path.write_bytes(_encode(svg, path.suffix))
    options.make_console().print(f"written: {terminal.clean(path)}")
    return 0


def _encode(svg: str, suffix: str) -> bytes:
    if suffix == ".svg":
        return svg.encode()
    import vl_convert

    png: bytes = vl_convert.svg_to_png(svg, scale=1.0)
    return png


def _draw_workout(
    session: Session,
    connection: duckdb.DuckDBPyConnection,
    workout_id: str,
    chart: str,
    times: tuple[str | None, str | None],
    size: str,
    theme: str,
) -> str:
    from tasks.archive.publishing_key import load_publishing_key
    from tasks.guard import load_line_isolated
    from tasks.report import read
    from tasks.report.figures import make_svg
    from tasks.report.gather import gather_workout
    from tasks.report.private import hide_private_places
    from tasks.report.sections import draw_workout
    from tasks.report.stretch import cut_stretch
    from tasks.report.summary import title_workout
    from tasks.report.write import SOURCE

    facts = read.read_workouts(connection)[workout_id]
    data = hide_private_places(
        gather_workout(
            connection,
            facts,
            devices=read.read_devices(connection),
            definitions=read.read_definitions(connection),
            settings=session.settings,
            courses=partial(
                load_line_isolated, courses=session.home.courses, settings=session.settings.read
            ),
        ),
        key=load_publishing_key(session.home),
    )
    caption = [title_workout(data), SOURCE]
    if any(times):
        begin_s, end_s = (
            data.facts.start_s if times[0] is None else _read_time(times[0], data),
            data.facts.end_s if times[1] is None else _read_time(times[1], data),
        )
        try:
            data = cut_stretch(data, begin_s, end_s)
        except ValueError as error:
            raise UsageError(f"{times[0] or ''} to {times[1] or ''}: {error}") from error
    drawings = {one.name: one for several in draw_workout(data).values() for one in several}
    found = drawings.get(chart) or next(
        (one for name, one in drawings.items() if name.partition("--")[0] == chart), None
    )
    if found is None:
        raise UsageError(f"{chart}: no such chart of this workout; there are {', '.join(drawings)}")
    width, height = _SIZES[size]
    return make_svg(found, theme=theme, width=width, height=height, caption=caption)  # type: ignore[arg-type]


def _read_time(text: str, data: WorkoutData) -> float:
    """Return the instant of a time of day on the wall clock, the first after the start."""
    found = _CLOCK.fullmatch(text)
    if found is None:
        raise UsageError(f"{text}: times of day are hh:mm or hh:mm:ss")
    local = datetime.fromtimestamp(data.local(data.facts.start_s), tz=UTC)
    hour, minute, second = (int(part or 0) for part in found.groups())
    midnight = local.replace(hour=0, minute=0, second=0, microsecond=0).timestamp()
    wanted = midnight + hour * 3600 + minute * 60 + second
    if wanted < local.timestamp() - 60.0:
        wanted += _DAY_S
    return wanted - (data.facts.local_offset_s or 0)


def _draw_device(
    session: Session,
    connection: duckdb.DuckDBPyConnection,
    name: str,
    chart: str,
    size: str,
    theme: str,
) -> str:
    from tasks.answers import read_answer_facts
    from tasks.answers.phrases import PHRASES, find_phrase
    from tasks.answers.sentence import Pen
    from tasks.report.paired import draw_pairs, frame_pairs

    facts = read_answer_facts(connection, session.settings)
    device = facts.devices.get(name)
    if device is None:
        raise UsageError(f"{name}: there is no such workout or device; coworn status lists them")
    opponents = facts.list_opponents(name)
    if not opponents:
        raise UsageError(f"{name}: it was worn with no other device that it is compared with")
    metric = facts.metrics.get(chart)
    if metric is None:
        raise UsageError(f"{chart}: of a device a chart is a metric, e.g. {', '.join(PHRASES)}")
    pen = Pen(session.settings.report.units)
    third = opponents[1] if len(opponents) > 1 else None
    drawn = draw_pairs(facts, device, opponents[0], find_phrase(metric), pen=pen, third=third)
    if drawn is None:
        raise UsageError(f"{chart}: fewer than two workouts compare {name} and its opponent")
    names = (device.name, opponents[0].name, None if third is None else third.name)
    return frame_pairs(drawn, names, size_px=_SIZES[size], theme=theme)  # type: ignore[arg-type]
