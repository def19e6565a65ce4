"""Writes the report: index, pages of workouts and devices, figures; only what changed."""

from __future__ import annotations

import re
import shutil
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from tasks.answers import answer_all, read_answer_facts
from tasks.answers.methods import write_methods
from tasks.answers.text import write_markdown
from tasks.core.provenance import find_version
from tasks.core.public_ids import PublicIds
from tasks.report import read
from tasks.report.device_figures import (
    has_dead_figures,
    remove_device_figures,
)
from tasks.report.device_page import COLUMNS
from tasks.report.files import is_ours, sweep_unfinished, write_if_changed
from tasks.report.gather import gather_device, gather_workout
from tasks.report.index import is_outdated, keep_answers, render_index
from tasks.report.keys import KeyMaker, PageKeys, read_marks
from tasks.report.listed import MONTHS, list_months, write_months
from tasks.report.page_files import have_figures, publish_text, write_device, write_workout
from tasks.report.private import (
    HiddenCount,
    count_hidden,
    find_clock,
    hide_lengths,
    hide_private_places,
)
from tasks.report.series import read_series
from tasks.report.shared import write_shared
from tasks.workout.private_places import draw_hiding

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping, Sequence
    from pathlib import Path

    import duckdb
    import numpy as np
    from numpy.typing import NDArray

    from config.settings import Settings
    from tasks.report.facts import (
        Definition,
        DeviceFacts,
        WorkoutFacts,
    )
    from tasks.report.listed import Month
    from tasks.workout.outlines import Outlines
    from tasks.workout.published_clock import PublishedClock

    ShowLake = Callable[[Collection[str] | None], None]

#: Names that only folders of our figures have.
_WORKOUT_ID: Final = re.compile(r"\d{8}T\d{4}Z-w?[0-9a-f]{6}")


@dataclass(frozen=True)
class Report:
    """What was written: `written` pages, of `pages` in all; a line for what was left out.

    `hidden` counts the positions that a public report lacks of the workouts written now.
    """

    index: Path
    pages: int
    written: int
    complaints: tuple[str, ...] = ()
    hidden: HiddenCount = field(default_factory=HiddenCount)
    workouts_written: int = 0


def write_report(
    connection: duckdb.DuckDBPyConnection,
    folder: Path,
    *,
    settings: Settings,
    waiting: Sequence[str] | None = (),
    only: str | None = None,
    public: bool = False,
    publishing_key: bytes | None = None,
    most_figures: int | None = None,
    courses: Callable[[str], NDArray[np.float64] | None] | None = None,
    outlines: Outlines | None = None,
    catch_up: bool = False,
    show_lake: ShowLake | None = None,
) -> Report:
    """Write what changed into `folder`; with `only`, the page of that workout in any case.

    `connection` reads the published tables; `waiting` are the names in the inbox, None leaves
    waiting and refused files out. A `public` report hides positions inside private places and
    names no file; it needs the home's `publishing_key`, which draws what is hidden.
    Figures are written of at most `most_figures` workouts, the newest ones, None:
    of all; to `catch_up` means to write them of workouts, too, whose page is up to date without
    them. `courses` returns the line of a course by its name (see `CourseLine`); `outlines` are the
    lines of the background of maps. `show_lake` lets the connection see the lake of some
    recordings and workouts; without it, it sees all of it already.
    Raises: LookupError when there is no workout `only`.
    """
    ids = PublicIds(require_key(publishing_key)) if public else None
    workouts = read.read_workouts(connection)
    if only is not None and only not in workouts:
        raise LookupError(only)
    shown = _Shown(
        connection,
        folder,
        workouts=workouts,
        devices=read.read_devices(connection),
        definitions=read.read_definitions(connection),
        settings=settings,
        publishing_key=require_key(publishing_key) if public else None,
        ids=ids,
        is_whole=public or catch_up or most_figures is None,
        show_lake=show_lake,
        outlines=outlines,
    )
    sweep_unfinished(folder)
    write_shared(folder)
    written = shown.write_devices(with_figures=most_figures is None or catch_up)
    months = list_months(workouts)
    written += shown.write_months(months)
    written += shown.write_index(months, waiting=None if public else waiting)
    if public:
        written += _write_text(connection, folder, settings=settings, ids=ids)
    # Last, since drawing figures takes memory that is not given back.
    workouts_written = shown.write_workouts(
        only=only, most_figures=most_figures, catch_up=catch_up, courses=courses
    )
    _remove_vanished(
        folder,
        workouts={publish_text(name, ids) for name in workouts},
        devices={publish_text(name, ids) for name in shown.devices},
        months={one.name for one in months},
    )
    if not public:
        for keys in shown.keys.values():
            keys.save()
    # Published, answers and methods stand beside the pages.
    pages = len(workouts) + len(shown.devices) + len(months) + (3 if public else 1)
    complaints = () if outlines is None else outlines.complaints
    return Report(
        folder / "index.html",
        pages,
        written + workouts_written,
        complaints,
        shown.hidden,
        shown.n_drawn,
    )


class _Shown:
    """What a report shows, and where.

    Without `is_whole` only what changed is written, and what takes time that grows with the number
    of workouts waits until a hundredth of them is new (`is_outdated`).
    """

    def __init__(
        self,
        connection: duckdb.DuckDBPyConnection,
        folder: Path,
        *,
        workouts: Mapping[str, WorkoutFacts],
        devices: Mapping[str, DeviceFacts],
        definitions: Mapping[str, Definition],
        settings: Settings,
        publishing_key: bytes | None,
        ids: PublicIds | None,
        is_whole: bool,
        show_lake: ShowLake | None,
        outlines: Outlines | None,
    ) -> None:
        self.connection, self.folder, self.settings = connection, folder, settings
        self.workouts, self.devices, self.definitions = workouts, devices, definitions
        self.publishing_key, self.ids, self.is_whole = publishing_key, ids, is_whole
        self.outlines = outlines
        self.hidden, self.n_drawn = HiddenCount(), 0
        self.maker = KeyMaker(
            devices=devices,
            definitions=definitions,
            settings=settings,
            public=publishing_key,
            outlines=None if outlines is None else outlines.mark,
        )
        self.keys = {name: PageKeys(folder / name) for name in ("workouts", "devices", MONTHS)}
        self.marks = read_marks(connection)
        self.clocks: dict[str, PublishedClock] = {}
        if publishing_key is not None:
            self.clocks = _find_clocks(connection, workouts, devices, settings, publishing_key)
        self._show_lake = show_lake

    def show_lake(self, owners: Collection[str] | None) -> None:
        """Let the connection see the lake of some recordings and workouts, None: of all."""
        if self._show_lake is not None:
            self._show_lake(owners)

    def write_devices(self, *, with_figures: bool) -> int:
        """Write the pages of devices; give how many differed."""
        written = 0
        for device in self.devices.values():
            made = self.maker.of_device(
                device.device_id, self.workouts.values(), self.marks.get(device.device_id, "")
            )
            if not self.is_whole and self._is_current(device, made):
                continue
            data = gather_device(
                self.connection,
                device,
                workouts=self.workouts,
                definitions=self.definitions,
                settings=self.settings,
                metrics=COLUMNS,
                devices=self.devices,
            )
            key = " ".join(map(str, made))
            written += write_device(
                hide_lengths(data, self.clocks),
                self.folder,
                with_figures=with_figures,
                ids=self.ids,
                key=key,
            )
        return written

    def _is_current(self, device: DeviceFacts, made: tuple[str, int, str]) -> bool:
        """Say whether a device's page shows what it should, or nearly."""
        known = (self.keys["devices"].find(device.device_id) or "").split()
        if known == [str(one) for one in made]:
            # Somebody may have taken the figures away, and a page has no dead links.
            return not has_dead_figures(device.device_id, self.folder)
        return (
            len(known) == len(made)
            and known[2] == made[2]
            and not is_outdated(int(known[1]), made[1])
        )

    def write_months(self, months: Sequence[Month]) -> int:
        """Write the pages of older workouts; give how many differed."""
        return write_months(
            self.connection,
            self.folder,
            months,
            devices=self.devices,
            definitions=self.definitions,
            settings=self.settings,
            maker=self.maker,
            keys=self.keys[MONTHS],
            ids=self.ids,
        )

    def write_index(self, months: Sequence[Month], *, waiting: Sequence[str] | None) -> bool:
        """Write the first page; say whether it differed."""
        path = self.folder / "index.html"
        key = self.maker.of_answers(self.marks)
        kept = None
        if not self.is_whole and path.is_file():
            page = path.read_text(encoding="utf-8", errors="replace")
            kept = keep_answers(page, key=key, n_workouts=len(self.workouts))
        if kept is None:
            self.show_lake(None)  # the minutes of any workout may be drawn
        text = render_index(
            self.connection,
            workouts=self.workouts,
            devices=self.devices,
            definitions=self.definitions,
            settings=self.settings,
            waiting=waiting,
            months=months,
            key=key,
            kept=kept,
            # Their times, beside those of the series, would tell how much of a start is hidden.
            with_minutes=not self.clocks,
        )
        return write_if_changed(path, publish_text(text, self.ids))

    def write_workouts(
        self,
        *,
        only: str | None,
        most_figures: int | None,
        catch_up: bool,
        courses: Callable[[str], NDArray[np.float64] | None] | None,
    ) -> int:
        """Write the pages of workouts, the newest first; give how many differed."""
        written = figured = 0
        for facts in reversed(list(self.workouts.values())):
            key = self.maker.of_workout(facts)
            with_figures = most_figures is None or figured < most_figures
            known = self.keys["workouts"].find(publish_text(facts.workout_id, self.ids))
            if known == f"{key}+":
                # Somebody may have taken the figures away, and a page has no dead links.
                is_there = have_figures(facts, self.folder, settings=self.settings, ids=self.ids)
            else:
                # A flow leaves a page that is up to date as it is, with or without figures.
                wants_figures = most_figures is None or (catch_up and with_figures)
                is_there = known == key and not wants_figures
            if is_there and facts.workout_id != only:
                continue
            ids = read.list_recordings(self.connection, facts.workout_id)
            self.show_lake([facts.workout_id, *ids])
            data = gather_workout(
                self.connection,
                facts,
                devices=self.devices,
                definitions=self.definitions,
                settings=self.settings,
                courses=courses,
                outlines=() if self.outlines is None else self.outlines.lines,
            )
            if self.publishing_key is not None:
                whole = data
                data = hide_private_places(whole, key=self.publishing_key)
                self.hidden += count_hidden(whole, data, key=self.publishing_key)
            self.n_drawn += 1
            figured += with_figures
            written += write_workout(
                data,
                self.folder,
                key=key,
                with_figures=with_figures,
                ids=self.ids,
                licence=self.settings.export.licence,
            )
        return written


def _find_clocks(
    connection: duckdb.DuckDBPyConnection,
    workouts: Mapping[str, WorkoutFacts],
    devices: Mapping[str, DeviceFacts],
    settings: Settings,
    key: bytes | None,
) -> dict[str, PublishedClock]:
    """Return the published clock of every workout; none where no private place is set."""
    if not settings.report.private:
        return {}
    hiding = draw_hiding(settings.report.private, require_key(key))
    found = {}
    for name, facts in workouts.items():
        worn = read.read_recordings(connection, name, devices=devices)
        series = (read_series(connection, facts, one) for one in worn)
        found[name] = find_clock(facts, series, hiding)
    return found


def require_key(key: bytes | None) -> bytes:
    """Return the key. Raises ValueError when a public report comes without one."""
    if not key:
        raise ValueError("a public report needs the home's publishing key")
    return key


def _write_text(
    connection: duckdb.DuckDBPyConnection,
    folder: Path,
    *,
    settings: Settings,
    ids: PublicIds | None,
) -> int:
    """Write the text to be pasted beside what is published: answers and methods."""
    facts = read_answer_facts(connection, settings)
    answers = write_markdown(answer_all(facts, units=settings.report.units))
    methods = write_methods(connection, facts, settings, version=find_version())
    return write_if_changed(folder / "answers.md", publish_text(answers, ids)) + write_if_changed(
        folder / "methods.md", publish_text(methods, ids)
    )


def _remove_vanished(
    folder: Path,
    *,
    workouts: Collection[str],
    devices: Collection[str],
    months: Collection[str],
) -> None:
    """Take away pages and figures of what is no more, and nothing else."""
    for part, known in (("workouts", workouts), ("devices", devices), (MONTHS, months)):
        for path in (folder / part).glob("*.html"):
            if path.stem not in known and is_ours(path):
                path.unlink(missing_ok=True)
                if part == "devices":
                    remove_device_figures(path.stem, folder)
    figures = folder / "figures"
    if figures.is_dir():
        for path in figures.iterdir():
            if path.name not in workouts and _WORKOUT_ID.fullmatch(path.name):
                shutil.rmtree(path, ignore_errors=True)
