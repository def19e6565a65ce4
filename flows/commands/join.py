"""`coworn join`: workouts that are one; what only times tell is not always right."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

import typer

from flows.commands.declare import Options, command
from tasks.core.errors import UsageError

_FEWEST = 2


@command()
def join(
    options: Options,
    workouts: Annotated[
        list[str], typer.Argument(metavar="WORKOUT...", help="Ids, or how they begin.")
    ],
    *,
    undo: Annotated[
        bool, typer.Option("--undo", help="Take back what join and move did to it.")
    ] = False,
) -> int:
    """Make one workout of several, e.g. where a break was too long; --undo takes it back.

    Raises: UsageError.
    """
    from flows.commands.corrections import take_back_groupings, take_notes
    from flows.commands.opening import open_work
    from tasks.processing.corrections import write_grouping
    from tasks.processing.known_workouts import find_workout

    with open_work(options) as work:
        found = [find_workout(work.session.home, word) for word in workouts]
        recordings = sorted({one for workout in found for one in workout.recordings})
        if undo:
            return take_back_groupings(work, recordings)
        if len({workout.workout_id for workout in found}) < _FEWEST:
            raise UsageError("name at least two workouts to be joined; nothing was done")
        activities = sorted({workout.activity or "other" for workout in found})
        if len(activities) > 1:
            raise UsageError(
                f"they are {' and '.join(activities)}: what is joined is one activity; "
                "correct it in notes, if that is wrong; nothing was done"
            )
        work.console.print(f"joined: {', '.join(workout.workout_id for workout in found)}")
        name, text = write_grouping(
            f"join {found[0].workout_id}",
            start_utc=min(workout.start_utc for workout in found),
            written=datetime.now(UTC),
            groups=[("together", recordings)],
        )
        return take_notes(work, (name, text))
