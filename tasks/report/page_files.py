"""Writes one page with its figures, of a workout or a device, under the ids that are shown."""

from __future__ import annotations

import shutil
from dataclasses import replace
from typing import TYPE_CHECKING

from tasks.report.device_figures import write_device_figures
from tasks.report.device_page import draw_device, render_device
from tasks.report.figure_words import SOURCE
from tasks.report.figures import write_figures
from tasks.report.files import write_if_changed
from tasks.report.outcome import title_figure
from tasks.report.pages import render_workout
from tasks.report.sections import draw_workout
from tasks.report.summary import title_workout

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from config.settings import Settings
    from tasks.core.public_ids import PublicIds
    from tasks.report.drawing import Drawing
    from tasks.report.facts import DeviceData, WorkoutData, WorkoutFacts


def publish_text(text: str, ids: PublicIds | None) -> str:
    """Return a text, or an id, as it is published; where nothing is, as it is."""
    return text if ids is None else ids.rewrite(text)


def write_device(
    data: DeviceData,
    folder: Path,
    *,
    with_figures: bool,
    ids: PublicIds | None = None,
    key: str = "",
) -> bool:
    """Write the page of one device, and its figures where they are wanted; say whether it differed.

    Every drop changes what was found: figures wait for the night, or for somebody to ask.
    """
    drawings = draw_device(data)
    figures = write_device_figures(
        replace(data.device, device_id=publish_text(data.device.device_id, ids)),
        [one for several in drawings.values() for one in several],
        folder,
        settings=data.settings,
        wanted=with_figures,
    )
    path = folder / "devices" / f"{publish_text(data.device.device_id, ids)}.html"
    text = render_device(data, drawings, figures=figures, key=key)
    return write_if_changed(path, publish_text(text, ids))


def write_workout(
    data: WorkoutData,
    folder: Path,
    *,
    key: str,
    with_figures: bool,
    ids: PublicIds | None = None,
    licence: str = "",
) -> bool:
    """Write page and figures of one workout; say whether the page differed.

    The key on the page ends in a plus when its figures were written too.
    """
    drawings = draw_workout(data)
    figures = None
    if with_figures:
        figures = write_workout_figures(data, drawings, folder, ids=ids, licence=licence)
    mark = f"{key}+" if with_figures else key
    path = folder / "workouts" / f"{publish_text(data.facts.workout_id, ids)}.html"
    page = render_workout(data, drawings, figures=figures, key=mark, with_commands=ids is None)
    text = publish_text(page, ids)
    is_new = write_if_changed(path, text)
    if not with_figures:
        # Figures of what the page no longer shows are worse than none; it links to none by now.
        shutil.rmtree(find_figures(folder, data.facts, ids), ignore_errors=True)
    return is_new


def find_figures(folder: Path, facts: WorkoutFacts, ids: PublicIds | None = None) -> Path:
    """Return the folder of a workout's figures."""
    return folder / "figures" / publish_text(facts.workout_id, ids)


def have_figures(
    facts: WorkoutFacts, folder: Path, *, settings: Settings, ids: PublicIds | None
) -> bool:
    """Say whether a workout's figures are there, or none are wanted."""
    return not settings.report.figures or find_figures(folder, facts, ids).is_dir()


def write_workout_figures(
    data: WorkoutData,
    drawings: Mapping[str, Sequence[Drawing]],
    folder: Path,
    *,
    ids: PublicIds | None = None,
    licence: str = "",
) -> dict[str, dict[str, str]]:
    """Write the figures that the settings name; return their paths inside `folder`."""
    place = find_figures(folder, data.facts, ids)
    if data.settings.figures:
        # Even when no chart of those exists: it says that this was done.
        place.mkdir(parents=True, exist_ok=True)
    found: dict[str, dict[str, str]] = {}
    every = [(section, one) for section, several in drawings.items() for one in several]
    for section, drawing in every:
        if drawing.name.partition("--")[0] in data.settings.figures:
            paths = write_figures(
                drawing,
                place,
                settings=data.settings,
                caption=caption_figure(data, drawing, licence=licence),
                title=title_figure(data, section),
                licence=licence,
            )
            found[drawing.name] = {
                form: path.relative_to(folder).as_posix() for form, path in paths.items()
            }
    return found


def caption_figure(
    data: WorkoutData, drawing: Drawing, *, licence: str, with_title: bool = True
) -> tuple[str, ...]:
    """Return what stands under the title of a figure: what it shows, of when, and its source.

    Without `with_title` what it shows is its title already.
    """
    claimed = f" Licence: {licence}." if licence else ""
    what = f"{drawing.title}. " if with_title else ""
    return (f"{what}{title_workout(data)}", f"{SOURCE}{claimed}")
