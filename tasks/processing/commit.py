"""Writes what the workouts of a run gave into the store: one writer, one short transaction."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from tasks.core.discovery import load_metrics
from tasks.core.registers import METRICS
from tasks.core.summaries import Summary, WorkoutSummary
from tasks.processing.answering import count_touched, renew_answers
from tasks.processing.marking import find_refused, mark_files
from tasks.store import (
    append_if_changed,
    append_rows,
    delete_rows,
    delete_unused_devices,
    open_store,
    replace_rows,
)
from tasks.tables.arrow import make_rows
from tasks.tables.tables import (
    ALIGNMENTS,
    DEVICES,
    EXCLUSIONS,
    FILES,
    METRIC_DEFINITIONS,
    NOTES,
    PLAN,
    PLAN_HISTORY,
    RECORDINGS,
    RUNS,
    SEGMENTS,
    SETUPS,
    WORKOUTS,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import duckdb
    import pyarrow as pa

    from config.home import Home
    from config.settings import Settings
    from tasks.core.file_records import FileRecord
    from tasks.core.provenance import Run
    from tasks.processing.compute import WorkoutOutcome
    from tasks.processing.plan import Plan
    from tasks.processing.planned_test import TakenUp
    from tasks.processing.prepare import Prepared

Row = dict[str, Any]


def commit(
    prepared: Prepared,
    outcomes: Sequence[WorkoutOutcome],
    *,
    run: Run,
    home: Home,
    settings: Settings,
    wait_s: float,
) -> Summary:
    """Write files, notes and the outcomes of a plan; results and verdicts only where they differ.

    Nothing at all is written, not even a row of `runs`, when the store already says the same.
    Raises: StoreBusyError when another program holds the store for longer than `wait_s` [s].
    """
    plan = prepared.plan
    files = mark_files(prepared, outcomes)
    complaints = (*prepared.complaints, *_collect_complaints(outcomes))
    refused = find_refused(prepared)
    load_metrics()
    with open_store(home, wait_s=wait_s) as connection:
        changed = replace_rows(connection, FILES, make_rows(FILES, _make_file_rows(files)))
        changed += replace_rows(connection, NOTES, make_rows(NOTES, list(prepared.notes)))
        defined = replace_rows(
            connection, METRIC_DEFINITIONS, make_rows(METRIC_DEFINITIONS, _make_definitions())
        )
        touched = count_touched(connection, plan, outcomes)
        changed += defined + _write_facts(connection, plan, outcomes)
        changed += _write_test_plan(connection, prepared.taken_up)
        computed_at = datetime.now(UTC)
        summaries = tuple(
            _append(connection, outcome, run=run, computed_at=computed_at) for outcome in outcomes
        )
        is_new = any(summary.is_new for summary in summaries)
        answered = renew_answers(
            connection,
            settings,
            prepared.taken_up.plan,
            run=run,
            touched=touched if changed or is_new else {},
            everything=bool(prepared.everything or defined),
        )
        if not (changed or is_new or answered.n_new):
            return Summary(None, summaries, (), complaints, prepared.hints, refused)
        append_rows(connection, RUNS, make_rows(RUNS, [_make_run_row(run)]))
    return Summary(
        run.run_id,
        summaries,
        plan.vanished,
        complaints,
        prepared.hints,
        refused,
        answered.waiting,
    )


def _write_facts(
    connection: duckdb.DuckDBPyConnection, plan: Plan, outcomes: Sequence[WorkoutOutcome]
) -> int:
    """Write all that is not a measurement; return how many rows changed."""
    touched = [outcome.workout_id for outcome in outcomes]
    changed = 0
    for table, rows in (
        (DEVICES, _once(DEVICES.key, (row for one in outcomes for row in one.devices))),
        (RECORDINGS, [row for one in outcomes for row in one.recordings]),
        (WORKOUTS, [one.workout for one in outcomes]),
    ):
        changed += replace_rows(connection, table, make_rows(table, rows))
    for table, rows in (
        (ALIGNMENTS, [row for one in outcomes for row in one.alignments]),
        (SEGMENTS, [row for one in outcomes for row in one.segments]),
        (SETUPS, [row for one in outcomes for row in one.setups]),
        (EXCLUSIONS, [row for one in outcomes for row in one.exclusions]),
    ):
        # What a workout no longer has goes, together with all of a workout that is gone.
        part = {"workout_id": [*touched, *plan.vanished]}
        changed += replace_rows(connection, table, make_rows(table, rows), where=part)
    gone = (*plan.gone, *plan.unplaced)
    if gone:
        changed += delete_rows(connection, RECORDINGS, where={"recording_id": gone})
    if plan.vanished:
        changed += delete_rows(connection, WORKOUTS, where={"workout_id": plan.vanished})
    return changed + delete_unused_devices(connection)


def _write_test_plan(connection: duckdb.DuckDBPyConnection, taken_up: TakenUp) -> int:
    """Write what the test's plan says and every plan there was; return how many rows changed."""
    history = make_rows(PLAN_HISTORY, list(taken_up.history))
    rows = make_rows(PLAN, list(taken_up.rows))
    changed = replace_rows(connection, PLAN_HISTORY, history)
    return changed + replace_rows(connection, PLAN, rows, where={})


def _append(
    connection: duckdb.DuckDBPyConnection,
    outcome: WorkoutOutcome,
    *,
    run: Run,
    computed_at: datetime,
) -> WorkoutSummary:
    is_new = append_if_changed(
        connection,
        workout_id=outcome.workout_id,
        run_id=run.run_id,
        results=_stamp(outcome.results, run_id=run.run_id, computed_at=computed_at),
        findings=_stamp(outcome.findings, run_id=run.run_id),
    )
    return WorkoutSummary(
        outcome.workout_id, is_new, outcome.results.num_rows, outcome.findings.num_rows
    )


def _stamp(rows: pa.Table, **constants: object) -> pa.Table:
    """Return `rows` with the columns named in `constants` filled."""
    import pyarrow as pa  # noqa: PLC0415 - keeps the start of light commands quick

    for name, value in constants.items():
        field = rows.schema.field(name)
        filled = pa.array([value] * rows.num_rows, type=field.type)
        rows = rows.set_column(rows.schema.get_field_index(name), field, filled)
    return rows


def _make_file_rows(files: Sequence[FileRecord]) -> list[Row]:
    return [
        {
            "file_id": file.file_id,
            "name": file.name,
            "received_at": file.received_at,
            "bytes": file.bytes,
            "format": file.format,
            "status": file.status,
            "reason": file.reason,
            "recording_id": next(iter(file.recording_ids), None),
            "inside": file.inside,
            "folder": file.folder,
            "n_recordings": len(file.recording_ids),
        }
        for file in files
    ]


def _make_definitions() -> list[Row]:
    return [
        {
            "metric": metric.id,
            "version": metric.version,
            "title": metric.title,
            "unit": metric.unit,
            "definition": metric.definition,
            "formula": metric.formula,
            "better": metric.better,
            "source": metric.source,
            "level": metric.level,
            "judged_in": metric.judged_in,
        }
        for metric in METRICS.values()
    ]


def _make_run_row(run: Run) -> Row:
    return {
        "run_id": run.run_id,
        "started_at": run.started_at,
        "ended_at": datetime.now(UTC),
        "flow": run.flow,
        "version": run.software_version,
        "settings_hash": run.settings_hash,
        "status": "done",
    }


def _once(key: tuple[str, ...], rows: Iterable[Row]) -> list[Row]:
    """Return each row of a key once, the last one said."""
    return list({tuple(row[name] for name in key): row for row in rows}.values())


def _collect_complaints(outcomes: Sequence[WorkoutOutcome]) -> tuple[str, ...]:
    return tuple(complaint for outcome in outcomes for complaint in outcome.complaints)
