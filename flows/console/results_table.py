"""The main table: one row per recording, what it is compared with, its headline numbers."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Final

from flows.console.terminal import clean, format_number, show_wrapped

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Sequence
    from datetime import datetime

    import duckdb
    from rich.console import Console

    from config.home import Home

_QUERY: Final = """
SELECT workout_id, start_utc, activity, device_id, role, hr_reference AS reference,
  hr_reference_kind AS reference_kind, hr_clock AS clock, hr_lock_s AS lock_s,
  hr_mae_bpm AS mae_bpm,
  hr_bias_bpm AS bias_bpm, hr_within_5_bpm_pct AS within_pct, distance_error_pct AS error_pct,
  distance_reference, distance_reference_kind, n_findings AS findings, is_excluded, excluded_because
FROM headlines
WHERE list_contains($workouts::VARCHAR[], workout_id)
ORDER BY start_utc, workout_id, role DESC, device_id
"""
_HAS_VIEW: Final = (
    "FROM duckdb_columns() WHERE table_name = 'headlines' AND column_name = 'excluded_because'"
)


@dataclass(frozen=True)
class MainRow:
    """One recording and its headline numbers; None where there is no value."""

    workout_id: str
    start_utc: datetime
    activity: str | None
    device_id: str
    role: str
    reference: str | None
    reference_kind: str | None
    clock: str | None
    lock_s: float | None
    mae_bpm: float | None
    bias_bpm: float | None
    within_pct: float | None
    error_pct: float | None
    distance_reference: str | None
    distance_reference_kind: str | None
    findings: int
    is_excluded: bool = False
    excluded_because: str | None = None

    @property
    def has_numbers(self) -> bool:
        """Say whether anything was measured."""
        numbers = (self.lock_s, self.mae_bpm, self.bias_bpm, self.within_pct, self.error_pct)
        return any(number is not None for number in numbers) or self.findings > 0

    def as_dictionary(self) -> dict[str, Any]:
        """Return the row with times as text, as Prefect's tables want it."""
        row = asdict(self)
        row["start_utc"] = self.start_utc.isoformat()
        return row


def read_main_rows(
    home: Home, *, workout_ids: Collection[str] | None = None, newest: int | None = None
) -> list[MainRow]:
    """Read the main rows from the newest published copy, by the start of the workout.

    Of all workouts, or of `workout_ids`, or of the `newest` ones.
    Raises: CowornError when nothing was published yet, or by an older version only.
    """
    from tasks.core.errors import CowornError
    from tasks.store import connect_for_reading
    from tasks.tables.fetch import fetch_rows

    connection = connect_for_reading(home, statement="")
    try:
        if workout_ids is None:
            workout_ids = find_newest(connection, newest)
        if not connection.execute(_HAS_VIEW).fetchall():
            raise CowornError(
                f"{home.results}: made by an older version; coworn nightly makes it again"
            )
        rows = fetch_rows(connection, _QUERY, {"workouts": list(workout_ids)})
        return [MainRow(**row) for row in rows]
    finally:
        connection.close()


def find_newest(connection: duckdb.DuckDBPyConnection, number: int | None) -> list[str]:
    """Return the ids of the `number` newest workouts, newest first; None: of all."""
    rows = connection.execute(
        "SELECT workout_id FROM workouts ORDER BY start_utc DESC, workout_id LIMIT ?", [number]
    ).fetchall()
    return [workout_id for (workout_id,) in rows]


def show_main_rows(
    rows: Sequence[MainRow], *, console: Console, newest_first: bool = False
) -> None:
    """Print the main table, without recordings of which nothing was measured, e.g. references.

    A line for each workout says what its devices were compared with; where the terminal is narrow,
    the role goes first, then the bias, then how well the clocks are known.
    """
    groups: dict[str, list[MainRow]] = {}
    for row in rows:
        if row.has_numbers or row.excluded_because:
            groups.setdefault(row.workout_id, []).append(row)
    if not groups:
        return
    shown = [row for group in groups.values() for row in group]
    columns = _fit_columns(shown, console.width)
    widths = [_measure(column, shown) for column in columns]
    for number in range(2):
        console.print(_join([column.heading[number] for column in columns], columns, widths))
    console.print("\N{BOX DRAWINGS LIGHT HORIZONTAL}" * (sum(widths) + 2 * (len(widths) - 1)))
    for group in reversed(groups.values()) if newest_first else groups.values():
        show_wrapped(console, _head(group), indent=4)
        for row in group:
            if row.has_numbers:
                console.print(_join([column.show(row) for column in columns], columns, widths))
        for words in _list_set_aside(group):
            show_wrapped(console, f"  set aside: {words}", indent=4)


def _list_set_aside(group: Sequence[MainRow]) -> list[str]:
    """Return what is set aside of a workout; of all of it in one line."""
    reasons = {row.excluded_because for row in group if row.is_excluded}
    if len(reasons) == 1 and all(row.is_excluded for row in group):
        return [f"all of it: {reasons.pop()}"]
    return [
        f"{row.device_id}, {row.excluded_because}"
        if not row.is_excluded
        else f"{row.device_id}: {row.excluded_because}"
        for row in group
        if row.excluded_because
    ]


def is_without_reference(rows: Sequence[MainRow]) -> bool:
    """Say whether devices were compared, and only with each other."""
    kinds = {
        kind
        for row in rows
        for kind in (row.reference_kind, row.distance_reference_kind)
        if kind is not None
    }
    return bool(kinds) and kinds <= {_NO_REFERENCE, "consensus"}


@dataclass(frozen=True)
class _Column:
    """One column: two lines of heading, and how it shows a row."""

    heading: tuple[str, str]
    show: Callable[[MainRow], str]
    right: bool = True


def _show_heart(value: float | None, row: MainRow, *, digits: int = 1, signed: bool = False) -> str:
    text = format_number(value, digits=digits, signed=signed)
    return _bracket(text, row.reference_kind)


def _bracket(text: str, kind: str | None) -> str:
    """Put what is no error into brackets: a difference from a device that is no reference."""
    return f"({text})" if kind == _NO_REFERENCE and text != "-" else text


def _show_clock(row: MainRow) -> str:
    """Return how well the clocks are known, beside a mean absolute error only, in few letters."""
    if row.clock is None or row.mae_bpm is None:
        return "-"
    return {"not compared": "unknown"}.get(row.clock, row.clock.partition(":")[0])


_NO_REFERENCE: Final = "comparison"
_ROLE: Final = _Column(("", "role"), lambda row: row.role, right=False)
_BIAS: Final = _Column(("bias", "bpm"), lambda row: _show_heart(row.bias_bpm, row, signed=True))
_CLOCK: Final = _Column(("", "clock"), _show_clock)
_COLUMNS: Final = (
    _Column(("", "workout, device"), lambda row: f"  {clean(row.device_id)}", right=False),
    _ROLE,
    _Column(("lock", "s"), lambda row: _show_heart(row.lock_s, row, digits=0)),
    _Column(("MAE", "bpm"), lambda row: _show_heart(row.mae_bpm, row)),
    _CLOCK,
    _BIAS,
    _Column(("within", "5 bpm %"), lambda row: _show_heart(row.within_pct, row, digits=0)),
    _Column(
        ("distance", "error %"),
        lambda row: _bracket(
            format_number(row.error_pct, signed=True), row.distance_reference_kind
        ),
    ),
    _Column(("", "findings"), lambda row: str(row.findings or "-")),
)


def _fit_columns(rows: Sequence[MainRow], width: int) -> list[_Column]:
    """Leave out what a terminal of that width has no room for."""
    columns = list(_COLUMNS)
    for least in (_ROLE, _BIAS, _CLOCK):
        needed = sum(_measure(column, rows) for column in columns) + 2 * (len(columns) - 1)
        if needed > width:
            columns.remove(least)
    return columns


def _measure(column: _Column, rows: Sequence[MainRow]) -> int:
    from rich.cells import cell_len

    return max(cell_len(text) for text in (*column.heading, *(column.show(row) for row in rows)))


def _join(texts: Sequence[str], columns: Sequence[_Column], widths: Sequence[int]) -> str:
    from rich.cells import cell_len

    parts = []
    for text, column, width in zip(texts, columns, widths, strict=True):
        blank = " " * (width - cell_len(text))
        parts.append(f"{blank}{text}" if column.right else f"{text}{blank}")
    return "  ".join(parts).rstrip()


def _head(group: Sequence[MainRow]) -> str:
    """Say which workout it is, what its devices are compared with, and what is no error."""
    first = group[0]
    said, differs = [], []
    for what, found in (
        ("heart rate", [(row.device_id, row.reference, row.reference_kind) for row in group]),
        (
            "distance",
            [(row.device_id, row.distance_reference, row.distance_reference_kind) for row in group],
        ),
    ):
        known = {
            device: name
            for device, name, kind in found
            if name is not None and kind != _NO_REFERENCE
        }
        names = set(known.values())
        if len(names) == 1:
            said.append(f"{what} against {_word(names.pop())}")
        elif names:
            pairs = (f"of {device} against {_word(name)}" for device, name in known.items())
            said.append(f"{what} {', '.join(pairs)}")
        differs += [
            f"{what} of {device} differs from {name} by (...)"
            for device, name, kind in found
            if name is not None and kind == _NO_REFERENCE
        ]
    if differs:
        said.append(f"no reference: {', '.join(differs)}")
    title = f"{first.start_utc:%Y-%m-%d %H:%M}Z {first.activity or 'unknown activity'}"
    return f"{title}: {', '.join(said)}" if said else title


def _word(reference: str) -> str:
    return reference.replace("course:", "course ", 1)
