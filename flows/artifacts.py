"""Tables of a run for Prefect's pages."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING, Any, Final

from prefect.artifacts import create_table_artifact

from flows.console import terminal

if TYPE_CHECKING:
    from collections.abc import Sequence

    from config.home import Home
    from flows.run_reports import DropReport

LOG: Final = logging.getLogger(__name__)
#: Rows that a table in Prefect's pages has at the most.
MAX_ARTIFACT_ROWS: Final = 500


def show_artifact(report: DropReport, *, home: Home) -> None:
    """Show files and main results beside the run in Prefect's pages; a refusal changes nothing."""
    from flows.console.results_table import read_main_rows

    summary = report.workout_run.summary
    try:
        _show_table(
            "coworn-drop-files",
            [
                {
                    "file": outcome.name,
                    "status": outcome.status,
                    "reason": outcome.reason or "",
                }
                for outcome in report.outcomes[:MAX_ARTIFACT_ROWS]
            ],
            description="Files of the drop",
        )
        touched = [workout.workout_id for workout in summary.workouts if workout.is_new]
        if touched:
            _show_table(
                "coworn-drop-results",
                [row.as_dictionary() for row in read_main_rows(home, workout_ids=touched)][
                    :MAX_ARTIFACT_ROWS
                ],
                description="Results of the workouts that the drop touched",
            )
    except Exception:  # a picture for the server; the work is done
        LOG.warning("the server took no table of this run", exc_info=True)


def _show_table(key: str, rows: Sequence[dict[str, Any]], *, description: str) -> None:
    shown = [
        {
            name: terminal.write_as_markdown(cell) if isinstance(cell, str) else cell
            for name, cell in row.items()
        }
        for row in rows
    ]
    create_table_artifact(key=key, table=shown, description=description)
