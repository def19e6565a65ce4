"""`coworn exclude`: sets something of a workout aside, with its reason, or takes that back."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated, get_args

import typer

from flows.commands.declare import Options, command
from flows.console import terminal
from tasks.core.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from flows.commands.opening import Work
    from tasks.core.notes import Exclusion
    from tasks.processing.corrections import Corrections
    from tasks.processing.known_workouts import KnownWorkout


@command()
def exclude(
    options: Options,
    workout: Annotated[str, typer.Argument(metavar="WORKOUT", help="Its id, or how that begins.")],
    *,
    device: Annotated[
        str | None, typer.Option(metavar="ID", help="One device only, by id or name.")
    ] = None,
    domain: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="One domain only, e.g. heart_rate or track."),
    ] = None,
    begin: Annotated[
        str | None,
        typer.Option(
            "--from", metavar="T", help="From mm:ss or h:mm:ss after the start, or an instant."
        ),
    ] = None,
    until: Annotated[
        str | None, typer.Option("--until", metavar="T", help="Until then; same forms.")
    ] = None,
    because: Annotated[str | None, typer.Option(metavar="TEXT", help="The reason.")] = None,
    undo: Annotated[
        bool, typer.Option("--undo", help="Take back what was set aside like this.")
    ] = False,
) -> int:
    """Set a workout, a device in it, a domain or a part aside, kept and shown with the reason.

    It writes notes, and measures the workout again. --undo takes back what fits the options.
    Raises: UsageError.
    """
    from flows.commands.corrections import read_moment
    from flows.commands.opening import open_work
    from tasks.core.notes import Exclusion
    from tasks.processing.corrections import read_corrections
    from tasks.processing.known_workouts import find_workout

    if undo == (because is not None):
        raise UsageError('give either --because "..." or --undo; nothing was done')
    with open_work(options) as work:
        found = find_workout(work.session.home, workout)
        wanted = Exclusion(
            because or "",
            None if device is None else found.find_device(device),
            None if domain is None else _read_domain(domain),
            None if begin is None else read_moment(begin, found.start_utc),
            None if until is None else read_moment(until, found.start_utc),
        )
        _check_span(wanted, found)
        before = read_corrections(work.session.home, found.workout_id, start_utc=found.start_utc)
        if undo:
            after, gone = before.take_back(wanted)
            if not gone:
                raise UsageError(_explain_nothing(found, before))
            return _apply(work, after, "taken back", gone)
        return _apply(work, before.add(wanted), "set aside", (wanted,))


def _read_domain(text: str) -> str:
    import difflib

    from tasks.core.registers import Domain

    word = text.strip().lower().replace(" ", "_").replace("-", "_")
    known = get_args(Domain)
    if word in known:
        return word
    near = difflib.get_close_matches(word, known, n=1)
    hint = f"did you mean {near[0]}?" if near else f"domains are {', '.join(known)}"
    raise UsageError(f"domain {text!r} is unknown; {hint}")


def _check_span(wanted: Exclusion, found: KnownWorkout) -> None:
    begin = wanted.from_utc or found.start_utc
    end = wanted.until_utc or found.end_utc
    if end <= begin or end <= found.start_utc or begin >= found.end_utc:
        raise UsageError(
            f"no second of the workout lies there: it went from {found.start_utc:%H:%M:%S} to "
            f"{found.end_utc:%H:%M:%S} UTC, {found.duration} long; correct --from and --until"
        )


def _explain_nothing(found: KnownWorkout, before: Corrections) -> str:
    from tasks.processing.corrections import describe

    if before.exclusions:
        return (
            f"nothing of {found.workout_id} was set aside like this; what was: "
            f"{'; '.join(describe(before.exclusions))}"
        )
    if found.from_notes:
        return (
            f"what is set aside of {found.workout_id} stands in the notes "
            f"{', '.join(found.from_notes)}; drop them again without its [exclude]"
        )
    return f"nothing of {found.workout_id} is set aside; nothing was done"


def _apply(work: Work, after: Corrections, what: str, changed: Sequence[Exclusion]) -> int:
    from flows.commands.corrections import take_notes
    from tasks.processing.corrections import describe

    for line in describe(changed):
        terminal.show_wrapped(work.console, f"{what}: {line}", indent=4)
    return take_notes(work, (after.file_name, after.write(written=datetime.now(UTC))))
