"""`coworn move`: recordings that belong to another workout, to none, or to another device."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated

import typer

from flows.commands.declare import Options, command
from tasks.core.errors import UsageError

if TYPE_CHECKING:
    from config.session import Session


@command()
def move(
    options: Options,
    recordings: Annotated[
        list[str], typer.Argument(metavar="RECORDING...", help="Ids, as coworn explain shows them.")
    ],
    *,
    to: Annotated[
        str | None, typer.Option("--to", metavar="WORKOUT", help="Into that workout.")
    ] = None,
    apart: Annotated[bool, typer.Option("--apart", help="Into a workout of their own.")] = False,
    device: Annotated[
        str | None, typer.Option(metavar="ID", help="They were made by that device.")
    ] = None,
    undo: Annotated[
        bool, typer.Option("--undo", help="Take back what join and move did to them.")
    ] = False,
) -> int:
    """Move recordings to another workout or device, or apart; --undo takes it back.

    Raises: UsageError.
    """
    from flows.commands.corrections import take_back_groupings, take_notes
    from flows.commands.opening import open_work
    from tasks.processing.corrections import write_grouping
    from tasks.processing.known_workouts import find_recordings, find_workout

    if [to is not None, apart, device is not None, undo].count(True) != 1:
        raise UsageError("give one of --to, --apart, --device and --undo; nothing was done")
    with open_work(options) as work:
        home = work.session.home
        found = find_recordings(home, recordings)
        if undo:
            return take_back_groupings(work, list(found))
        groups: list[tuple[str, list[str]]] = []
        if to is not None:
            groups = [("together", sorted({*find_workout(home, to).recordings, *found}))]
        elif apart:
            groups = [("apart", sorted(found))]
        owners = {} if device is None else dict.fromkeys(found, _find_device(work.session, device))
        name, text = write_grouping(
            f"move {min(found)}",
            start_utc=min(found.values()),
            written=datetime.now(UTC),
            groups=groups,
            owners=owners,
        )
        work.console.print(f"moved: {', '.join(found)}")
        return take_notes(work, (name, text))


def _find_device(session: Session, word: str) -> str:
    from tasks.processing.naming import collect_words

    words = collect_words(session.devices, (), {})
    device_id = words.find(word)
    if device_id is None:
        raise UsageError(words.explain(word))
    return device_id
