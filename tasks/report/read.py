"""Reads the published tables for the pages; only selects, never computes.

`connection` is one that `tasks.store.connect_for_reading` gives: the tables, the views and the
lake as views.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

from tasks.core.registers import LEVELS
from tasks.report.facts import (
    Definition,
    DeviceFacts,
    ExclusionFacts,
    FindingFacts,
    PartFacts,
    RecordingFacts,
    Result,
    WorkoutFacts,
)
from tasks.report.looks import OF_THE_WAY, deal_looks
from tasks.tables.fetch import fetch_rows

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    import duckdb

_RESULT_COLUMNS: Final = (
    "workout_id, recording_id, device_id, reference, segment, metric, value, ci_low, ci_high, n, "
    "coverage, unit, reason, note, reference_why, reference_kind, reference_rank, is_main, "
    "ci_reason, is_excluded, excluded_because"
)
_FINDING_COLUMNS: Final = (
    "workout_id, recording_id, device_id, reference, kind, epoch(start_utc) AS start_s, "
    "epoch(end_utc) AS end_s, size, unit, latitude_deg, longitude_deg, note"
)
_DOMAINS: Final = (
    "heart_rate",
    "track",
    "distance",
    "indoor",
    "elevation",
    "detection",
    "swimming",
    "battery",
)
_WORKOUTS: Final = """
SELECT workouts.workout_id, epoch(start_utc) AS start_s, epoch(end_utc) AS end_s,
  coalesce(activity, 'other') AS activity, activity_from, place, course, local_offset_s,
  concat_ws('/', fingerprint, newest.run_id, notes_file_id) AS key, used.device_ids,
  note, coalesce(is_excluded, false) AS is_excluded, excluded_because
FROM workouts
LEFT JOIN (
  SELECT workout_id, arg_max(run_id, generation) AS run_id FROM measurements GROUP BY workout_id
) AS newest USING (workout_id)
LEFT JOIN (
  SELECT workout_id, list(DISTINCT device_id ORDER BY device_id) AS device_ids FROM recordings
  WHERE duplicate_of IS NULL GROUP BY workout_id
) AS used USING (workout_id)
ORDER BY start_utc, workout_id
"""
_RECORDINGS: Final = """
SELECT recordings.recording_id, recordings.device_id, coalesce(setups.value, firmware) AS firmware,
  coalesce(clock_shift_s, 0) AS clock_shift_s, coalesce(offset_s, 0) AS offset_s,
  coalesce(method, 'none') AS method, confidence, clock, reference_timeline, alignments.note,
  position_kind, remarks, continues, coalesce(is_excluded, false) AS is_excluded, excluded_because
FROM recordings
LEFT JOIN alignments ON alignments.workout_id = recordings.workout_id
  AND alignments.recording_id = recordings.recording_id
LEFT JOIN setups ON setups.workout_id = recordings.workout_id
  AND setups.device_id = recordings.device_id AND setups.key = 'firmware'
WHERE recordings.workout_id = ? AND duplicate_of IS NULL
ORDER BY recordings.start_utc, recordings.recording_id
"""
_ORDER_OF_ANSWERS: Final = {
    "verdicts": "device_id, activity, metric, against",
    "levels": "device_id, metric, counted DESC, activity, condition",
    "limits": "device_id, metric, activity",
}
#: Workouts among several: a join, which skips the parts of a table that have none of them.
AMONG: Final = "workout_id IN (SELECT unnest(?::VARCHAR[]))"
_N_FINDINGS: Final = (
    "count(*) FILTER (kind <> 'cut_corner') "
    "+ count(DISTINCT coalesce(reference, '')) FILTER (kind = 'cut_corner')"
)
#: Order of the roles on every page.
_ROLE_ORDER: Final = ("test", "predecessor", "peer", "reference")


@dataclass(frozen=True)
class Waiting:
    """One export that was refused or is incomplete."""

    name: str
    status: str
    reason: str


def read_devices(connection: duckdb.DuckDBPyConnection) -> dict[str, DeviceFacts]:
    """Return every device; looks are dealt in the order in which devices were first used.

    A device that comes later so never changes the look of an earlier one.
    """
    rows = fetch_rows(
        connection,
        "SELECT devices.* FROM devices LEFT JOIN (SELECT device_id, min(start_utc) AS first "
        "FROM recordings GROUP BY device_id) AS used USING (device_id) "
        "ORDER BY first NULLS LAST, device_id",
    )
    names = Counter(row["name"] for row in rows)
    looks = deal_looks([_choose_look(row["role"] or "peer", row["heart_rate"]) for row in rows])
    return {
        row["device_id"]: DeviceFacts(
            device_id=row["device_id"],
            name=row["name"],
            label=row["name"] if names[row["name"]] == 1 else f"{row['name']} ({row['device_id']})",
            role=row["role"] or "peer",
            site=row["site"] or "other",
            heart_rate=row["heart_rate"] or "none",
            look=look,
            claimed_gnss_hours=row["claimed_gnss_hours"],
        )
        for row, look in zip(rows, looks, strict=True)
    }


def _choose_look(role: str, heart_rate: str | None) -> str:
    """Return the role by which a device's look is dealt."""
    return OF_THE_WAY if role == "reference" and heart_rate in {None, "none"} else role


def read_workouts(connection: duckdb.DuckDBPyConnection) -> dict[str, WorkoutFacts]:
    """Return every workout, oldest first."""
    return {
        row["workout_id"]: WorkoutFacts(
            **{**row, "device_ids": tuple(row["device_ids"] or ()), "key": row["key"] or ""}
        )
        for row in fetch_rows(connection, _WORKOUTS)
    }


def read_definitions(connection: duckdb.DuckDBPyConnection) -> dict[str, Definition]:
    """Return every metric's newest definition, with the view that it is a column of.

    Primary metrics come first, diagnostic ones last; pages show them in this order.
    """
    columns = fetch_rows(
        connection,
        "SELECT table_name AS domain, column_name AS metric FROM duckdb_columns() "
        "WHERE list_contains(?, table_name)",
        [list(_DOMAINS)],
    )
    domains = {row["metric"]: row["domain"] for row in columns}
    rows = fetch_rows(
        connection,
        "SELECT metric, title, unit, definition, formula, better, source, version, "
        "coalesce(level, ?) AS level FROM metric_definitions QUALIFY row_number() OVER "
        "(PARTITION BY metric ORDER BY version DESC) = 1 "
        "ORDER BY list_position(?, level), metric",
        [LEVELS[-1], list(LEVELS)],
    )
    return {
        row["metric"]: Definition(**row, domain=domains.get(row["metric"], "other")) for row in rows
    }


def read_recordings(
    connection: duckdb.DuckDBPyConnection, workout_id: str, *, devices: Mapping[str, DeviceFacts]
) -> tuple[RecordingFacts, ...]:
    """Return the measured recordings of a workout, test devices first; pieces go with the first."""
    rows = fetch_rows(connection, _RECORDINGS, [workout_id])
    pieces: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for row in rows:
        pieces[row["continues"] or row["recording_id"]].append(row)
    found = []
    for row in rows:
        if row["continues"]:
            continue
        parts = tuple(
            (part["recording_id"], part["clock_shift_s"] + row["offset_s"])
            for part in pieces[row["recording_id"]]
        )
        found.append(
            RecordingFacts(
                recording_id=row["recording_id"],
                device=devices[row["device_id"]],
                firmware=row["firmware"],
                clock_shift_s=row["clock_shift_s"],
                offset_s=row["offset_s"],
                method=row["method"],
                confidence=row["confidence"],
                clock=row["clock"],
                is_timeline=row["reference_timeline"] == row["recording_id"],
                note=row["note"],
                position_kind=row["position_kind"],
                remarks=_join_remarks(pieces[row["recording_id"]]),
                parts=parts,
                is_excluded=row["is_excluded"],
                excluded_because=row["excluded_because"],
            )
        )
    return tuple(sorted(found, key=lambda one: (order_role(one.device.role), one.device.device_id)))


def list_recordings(connection: duckdb.DuckDBPyConnection, workout_id: str) -> list[str]:
    """Return the ids of a workout's recordings."""
    rows = fetch_rows(
        connection,
        "SELECT recording_id FROM recordings WHERE workout_id = ? ORDER BY recording_id",
        [workout_id],
    )
    return [row["recording_id"] for row in rows]


def _join_remarks(rows: Iterable[dict[str, Any]]) -> tuple[str, ...]:
    """Return what was noticed of a recording and its pieces, each remark once."""
    lines = (line for row in rows for line in (row["remarks"] or "").splitlines())
    return tuple(dict.fromkeys(lines))


def order_role(role: str) -> int:
    """Return the place of a role on a page."""
    return _ROLE_ORDER.index(role) if role in _ROLE_ORDER else len(_ROLE_ORDER)


def read_results(
    connection: duckdb.DuckDBPyConnection,
    *,
    workout_id: str | None = None,
    device_id: str | None = None,
    metrics: Iterable[str] | None = None,
    segment: str | None = None,
    workout_ids: Sequence[str] | None = None,
) -> tuple[Result, ...]:
    """Return newest results, of one workout, one device, some metrics, one segment, or some ids."""
    where, parameters = _filter(workout_id=workout_id, device_id=device_id, segment=segment)
    if workout_ids is not None:
        where.append(AMONG)
        parameters.append(list(workout_ids))
    if metrics is not None:
        where.append("list_contains(?, metric)")
        parameters.append(list(metrics))
    rows = fetch_rows(
        connection,
        # Only declared names are put into the text; what comes from people are parameters.
        f"SELECT {_RESULT_COLUMNS} FROM latest_results "  # noqa: S608
        f"WHERE {' AND '.join(where) or 'true'} "
        "ORDER BY workout_id, device_id, recording_id, metric, segment, "
        "reference_rank NULLS FIRST, reference NULLS FIRST",
        parameters,
    )
    return tuple(Result(**row) for row in rows)


def read_findings(
    connection: duckdb.DuckDBPyConnection,
    *,
    workout_id: str | None = None,
    device_id: str | None = None,
) -> tuple[FindingFacts, ...]:
    """Return newest findings by time, of one workout or device."""
    where, parameters = _filter(workout_id=workout_id, device_id=device_id)
    rows = fetch_rows(
        connection,
        f"SELECT {_FINDING_COLUMNS} FROM latest_findings "  # noqa: S608 - as above
        f"WHERE {' AND '.join(where) or 'true'} ORDER BY start_utc, device_id, kind, end_utc",
        parameters,
    )
    return tuple(FindingFacts(**row) for row in rows)


def _filter(**wanted: str | None) -> tuple[list[str], list[Any]]:
    given = {name: value for name, value in wanted.items() if value is not None}
    return [f"{name} = ?" for name in given], list(given.values())


def read_parts(connection: duckdb.DuckDBPyConnection, workout_id: str) -> tuple[PartFacts, ...]:
    """Return the named parts of a workout by their start."""
    rows = fetch_rows(
        connection,
        "SELECT segment AS name, epoch(start_utc) AS start_s, epoch(end_utc) AS end_s "
        "FROM segments WHERE workout_id = ? ORDER BY start_utc, segment",
        [workout_id],
    )
    return tuple(PartFacts(**row) for row in rows)


def read_exclusions(
    connection: duckdb.DuckDBPyConnection, workout_id: str
) -> tuple[ExclusionFacts, ...]:
    """Return what the notes set aside of a workout."""
    rows = fetch_rows(
        connection,
        "SELECT device_id, domain, epoch(start_utc) AS start_s, epoch(end_utc) AS end_s, because "
        "FROM exclusions WHERE workout_id = ? ORDER BY number",
        [workout_id],
    )
    return tuple(ExclusionFacts(**row) for row in rows)


def read_setups(
    connection: duckdb.DuckDBPyConnection, *, column: str, value: str
) -> dict[str, dict[str, str]]:
    """Return setups of one workout by device, or of one device by workout.

    `column` is workout_id or device_id and names what `value` is.
    """
    by = "device_id" if column == "workout_id" else "workout_id"
    rows = fetch_rows(
        connection,
        f"SELECT {by} AS owner, key, value FROM setups WHERE {column} = ? ORDER BY key",  # noqa: S608
        [value],
    )
    setups: dict[str, dict[str, str]] = defaultdict(dict)
    for row in rows:
        setups[row["owner"]][row["key"]] = row["value"]
    return dict(setups)


def read_verdicts(
    connection: duckdb.DuckDBPyConnection, device_id: str | None = None
) -> tuple[dict[str, Any], ...]:
    """Return the newest answers across workouts about one device, or about all."""
    return read_answers(connection, "verdicts", device_id)


def read_answers(
    connection: duckdb.DuckDBPyConnection,
    table: Literal["verdicts", "levels", "limits"],
    device_id: str | None = None,
) -> tuple[dict[str, Any], ...]:
    """Return the newest rows of what is answered across workouts, of one device, or of all.

    Answers that were taken back, for want of workouts, are left out.
    """
    where, parameters = _filter(device_id=device_id)
    where.append("n_workouts > 0")
    rows = fetch_rows(
        connection,
        f"SELECT * FROM latest_{table} WHERE {' AND '.join(where) or 'true'} "  # noqa: S608
        f"ORDER BY {_ORDER_OF_ANSWERS[table]}",
        parameters,
    )
    return tuple(rows)


def read_refused(connection: duckdb.DuckDBPyConnection) -> tuple[Waiting, ...]:
    """Return exports that were refused or are incomplete, newest first."""
    rows = fetch_rows(
        connection,
        "SELECT name, status, coalesce(reason, '') AS reason FROM files "
        "WHERE status IN ('refused', 'partial') ORDER BY received_at DESC, name",
    )
    return tuple(Waiting(**row) for row in rows)


def count_findings(
    connection: duckdb.DuckDBPyConnection, workout_ids: Sequence[str]
) -> dict[tuple[str, str], int]:
    """Return the number of newest findings by workout and device; its cut corners are one."""
    rows = fetch_rows(
        connection,
        f"SELECT workout_id, device_id, {_N_FINDINGS} AS n "  # noqa: S608 - from above
        "FROM latest_findings WHERE is_excluded IS DISTINCT FROM true "
        f"AND {AMONG} GROUP BY ALL",
        [list(workout_ids)],
    )
    return {(row["workout_id"], row["device_id"]): row["n"] for row in rows}


def sum_findings(connection: duckdb.DuckDBPyConnection) -> dict[str, int]:
    """Return the number of newest findings by device, counted in each workout as above."""
    rows = fetch_rows(
        connection,
        "SELECT device_id, CAST(sum(n) AS BIGINT) AS n FROM ("  # noqa: S608 - from above
        f"SELECT workout_id, device_id, {_N_FINDINGS} AS n FROM latest_findings "
        "WHERE is_excluded IS DISTINCT FROM true GROUP BY ALL) GROUP BY device_id",
    )
    return {row["device_id"]: row["n"] for row in rows}


def order_tested(
    connection: duckdb.DuckDBPyConnection, devices: Mapping[str, DeviceFacts]
) -> list[str]:
    """Return the devices under test, that of the plan first, then those worn most."""
    rows = fetch_rows(
        connection,
        "SELECT device_id, count(DISTINCT workout_id) AS n FROM recordings "
        "WHERE duplicate_of IS NULL GROUP BY device_id",
    )
    worn = {row["device_id"]: row["n"] for row in rows}
    planned = {row["value"] for row in fetch_rows(connection, "FROM plan WHERE item = 'device'")}
    tested = [name for name, one in devices.items() if one.role == "test"]
    return sorted(tested, key=lambda name: (name not in planned, -worn.get(name, 0), name))
