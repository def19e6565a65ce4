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
    from tasks.report.figure_words import FigureWords

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
        typer.Option(
            "--out", metavar="FILE", help="File to write, .svg or .png.", show_default=False
        ),
    ] = None,
    size: Annotated[
        str, typer.Option("--size", metavar="SIZE", help="wide, square or tall.")
    ] = "wide",
    theme: Annotated[
        str, typer.Option("--theme", metavar="THEME", help="light or dark.")
    ] = "light",
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
            svg, words = _draw_workout(session, connection, name, chart, (begin, end), size, theme)
        else:
            svg, words = _draw_device(session, connection, name, chart, size, theme)
    finally:
        connection.close()
    with user_umask():
        path.write_bytes(_encode(svg, words, path.suffix))
    options.make_console().print(f"written: {terminal.clean(path)}")
    return 0


def _encode(svg: str, words: FigureWords, suffix: str) -> bytes:
    if suffix == ".svg":
        return svg.encode()
    import vl_convert

    from tasks.report.figure_words import describe_png

    return describe_png(vl_convert.svg_to_png(svg, scale=1.0), words)


def _draw_workout(
    session: Session,
    connection: duckdb.DuckDBPyConnection,
    workout_id: str,
    chart: str,
    times: tuple[str | None, str | None],
    size: str,
    theme: str,
) -> tuple[str, FigureWords]:
    from tasks.archive.publishing_key import load_publishing_key
    from tasks.guard import load_line_isolated, load_outlines_isolated
    from tasks.report import read
    from tasks.report.figures import make_svg, word_figure
    from tasks.report.gather import gather_workout
    from tasks.report.outcome import title_figure
    from tasks.report.page_files import caption_figure
    from tasks.report.private import hide_private_places
    from tasks.report.sections import draw_workout
    from tasks.report.stretch import cut_stretch

    facts = read.read_workouts(connection)[workout_id]
    outlines = load_outlines_isolated(session.home.outlines, settings=session.settings.read)
    for complaint in outlines.complaints:
        terminal.print_error(complaint)
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
            outlines=outlines.lines,
        ),
        key=load_publishing_key(session.home),
    )
    licence = session.settings.export.licence
    if any(times):
        begin_s, end_s = (
            data.facts.start_s if times[0] is None else _read_time(times[0], data),
            data.facts.end_s if times[1] is None else _read_time(times[1], data),
        )
        try:
            data = cut_stretch(data, begin_s, end_s)
        except ValueError as error:
            raise UsageError(f"{times[0] or ''} to {times[1] or ''}: {error}") from error
    drawings = {
        one.name: (section, one)
        for section, several in draw_workout(data).items()
        for one in several
    }
    found = drawings.get(chart) or next(
        (one for name, one in drawings.items() if name.partition("--")[0] == chart), None
    )
    if found is None:
        raise UsageError(f"{chart}: no such chart of this workout; there are {', '.join(drawings)}")
    width, height = _SIZES[size]
    section, drawing = found
    # Numbers are those of the whole workout: of a part nothing is claimed.
    title = "" if any(times) else title_figure(data, section)
    svg = make_svg(
        drawing,
        theme=theme,  # type: ignore[arg-type]
        width=width,
        height=height,
        caption=caption_figure(data, drawing, licence=licence, with_title=bool(title)),
        title=title,
        licence=licence,
    )
    return svg, word_figure(drawing, title, licence)


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
) -> tuple[str, FigureWords]:
    from tasks.answers import read_answer_facts
    from tasks.answers.phrases import PHRASES, find_phrase
    from tasks.answers.sentence import Pen
    from tasks.report.figure_words import FigureWords, describe_svg
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
    svg = frame_pairs(drawn, names, size_px=_SIZES[size], theme=theme)  # type: ignore[arg-type]
    words = FigureWords(
        f"{drawn.title}: {device.name} and {opponents[0].name}",
        drawn.alternative,
        licence=session.settings.export.licence,
    )
    return describe_svg(svg, words), words
