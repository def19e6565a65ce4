"""`coworn split`: a workout, or one recording, that is two."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Annotated

import typer

from flows.commands.declare import Options, command
from flows.console import terminal
from tasks.core.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from config.home import Home
    from flows.commands.opening import Work
    from tasks.processing.known_workouts import RecordingSpan


@command()
def split(
    options: Options,
    what: Annotated[
        str,
        typer.Argument(metavar="WORKOUT-or-RECORDING", help="Its id, or how that begins."),
    ],
    *,
    at: Annotated[
        str | None,
        typer.Option(
            metavar="T", help="Where the second begins: mm:ss after the start, or an instant."
        ),
    ] = None,
    undo: Annotated[bool, typer.Option("--undo", help="Make it one again.")] = False,
) -> int:
    """Make two of a workout, or of one recording, at an instant; --undo makes them one again.

    Of a workout, each recording that goes on across that instant becomes two; what was recorded
    before it is one workout, what was recorded after it another. Of one recording, each part
    goes to the workout that it was recorded beside. The exports stay as they are.
    Raises: UsageError.
    """
    from flows.commands.opening import open_work
    from tasks.processing.known_workouts import find_spans

    if undo == (at is not None):
        raise UsageError("give either --at or --undo; nothing was done")
    with open_work(options) as work:
        home = work.session.home
        workout_id = _find_workout_id(home, what)
        spans = find_spans(home, workout_id=workout_id, recording=what)
        if undo:
            return _take_back(work, [span.recording_id for span in spans])
        instant = _read_instant(home, at or "", workout_id, spans)
        return _split(work, workout_id, spans, instant)


def _find_workout_id(home: Home, what: str) -> str | None:
    """Return the id of a workout; None for what looks like the id of a recording."""
    from tasks.processing.known_workouts import find_workout

    return None if "T" not in what and "-" in what else find_workout(home, what).workout_id


def _read_instant(
    home: Home, text: str, workout_id: str | None, spans: Sequence[RecordingSpan]
) -> datetime:
    """Return the instant on the clock of the workout, a recording's own start counting 0."""
    from flows.commands.corrections import read_moment
    from tasks.processing.known_workouts import find_workout

    start = spans[0].start_utc if workout_id is None else find_workout(home, workout_id).start_utc
    return read_moment(text, start).replace(microsecond=0)


def _split(
    work: Work, workout_id: str | None, spans: Sequence[RecordingSpan], instant: datetime
) -> int:
    from flows.commands.corrections import take_notes
    from tasks.core.notes import Split
    from tasks.core.parts import find_part, find_whole
    from tasks.processing.corrections import write_grouping

    across = [span for span in spans if span.start_utc < instant <= span.end_utc]
    if not across:
        raise UsageError(_explain_outside(workout_id, spans, instant))
    counting = [span.recording_id for span in across if span.is_elapsed]
    if counting:
        raise UsageError(
            f"{', '.join(counting)} has no clock, its times count from its start: it cannot be "
            "split; nothing was done"
        )
    splits = [
        Split(find_whole(span.recording_id), (instant - span.added).replace(microsecond=0))
        for span in across
    ]
    before = [span.recording_id for span in spans if span.start_utc < instant]
    after = [span.recording_id for span in spans if span.start_utc >= instant]
    after += [
        find_part(span.recording_id, begin=split.at_utc, start=span.whole_start_utc)
        for span, split in zip(across, splits, strict=True)
    ]
    name, text = write_grouping(
        f"split {workout_id or across[0].recording_id} {instant:%Y%m%dT%H%M%SZ}",
        start_utc=min(span.start_utc for span in spans),
        written=datetime.now(UTC),
        groups=[] if workout_id is None else [("together", before), ("together", after)],
        splits=splits,
    )
    what = ", ".join(span.recording_id for span in across)
    terminal.show_wrapped(work.console, f"split at {instant:%H:%M:%S} UTC: {what}", indent=4)
    return take_notes(work, (name, text))


def _take_back(work: Work, recordings: Sequence[str]) -> int:
    from flows.commands.corrections import take_notes
    from tasks.processing.corrections import find_splits, write_grouping

    found = find_splits(work.session.home, recordings)
    if not found:
        raise UsageError(
            "no coworn split stands there; a [[split]] of your own notes goes when they are "
            "dropped again without it; nothing was done"
        )
    versions = [
        write_grouping(one.workout or one.name, start_utc=one.start_utc, written=datetime.now(UTC))
        for one in found
    ]
    work.console.print(f"taken back: {', '.join(one.workout or one.name for one in found)}")
    return take_notes(work, *versions)


def _explain_outside(
    workout_id: str | None, spans: Sequence[RecordingSpan], instant: datetime
) -> str:
    first = min(span.start_utc for span in spans)
    last = max(span.end_utc for span in spans)
    length = str(timedelta(seconds=round((last - first).total_seconds())))
    what = workout_id or spans[0].recording_id
    return (
        f"nothing goes on across {instant:%Y-%m-%d %H:%M:%S} UTC: {what} went from "
        f"{first:%H:%M:%S} to {last:%H:%M:%S} UTC, {length} long; correct --at"
    )
