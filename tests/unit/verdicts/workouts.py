"""A store that is filled workout by workout with invented values, and asked across them."""

from __future__ import annotations

import contextlib
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any

from config.plan import DatedPlan, Plan
from config.settings import load_settings
from tasks.core.registers import METRICS
from tasks.store import append_if_changed, append_rows, open_store, replace_rows
from tasks.tables.arrow import make_empty, make_rows
from tasks.tables.tables import DEVICES, FINDINGS, RESULTS, SETUPS, VERDICTS, WORKOUTS, Table
from tasks.verdicts.across import judge, look_across

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    import duckdb
    import pyarrow as pa

    from config.home import Home
    from config.verdicts import VerdictSettings

BEGIN = datetime(2026, 3, 1, 7, tzinfo=UTC)
ROLES = {"new": "test", "old": "predecessor", "strap": "reference"}
Value = tuple[str, str, str | None, float | None]  # device, metric, reference, value


class Store:
    """A store that is filled workout by workout and asked for verdicts.

    Workouts are written together once the store is asked for something.
    """

    def __init__(self, home: Home) -> None:
        self._home = home
        self._added: list[tuple[pa.Table, pa.Table, pa.Table]] = []
        self.n_workouts = 0
        with open_store(home) as connection:
            rows = [{"device_id": key, "role": role} for key, role in ROLES.items()]
            replace_rows(connection, DEVICES, make_rows(DEVICES, rows))

    @property
    def home(self) -> Home:
        """The home, with all workouts that were added."""
        if self._added:
            with self._open():
                pass
        return self._home

    @contextlib.contextmanager
    def _open(self) -> Iterator[duckdb.DuckDBPyConnection]:
        with open_store(self._home) as connection:
            for workout, setups, results in self._added:
                replace_rows(connection, WORKOUTS, workout)
                replace_rows(connection, SETUPS, setups)
                append_if_changed(
                    connection,
                    workout_id=workout["workout_id"][0].as_py(),
                    run_id="r1",
                    results=results,
                    findings=make_empty(FINDINGS),
                )
            yield connection
        self._added.clear()

    def add(
        self,
        *values: Value,
        activity: str = "running",
        setup: dict[str, str] | None = None,
        ranks: dict[str, int] | None = None,
        kind: str = "device",
        place: str | None = None,
        excluded: tuple[str, ...] = (),
    ) -> None:
        """Add a workout; `excluded` names devices whose results are set aside."""
        self.n_workouts += 1
        key = f"w{self.n_workouts:03}"
        begin = BEGIN + timedelta(days=self.n_workouts)
        workout = {
            "workout_id": key,
            "start_utc": begin,
            "activity": activity,
            "surroundings": place,
        }
        rows = [
            {
                **name_result(key, device, metric),
                "reference": reference,
                "reference_rank": {"truth": 1, **(ranks or {})}.get(reference or "", 2),
                "reference_kind": "truth" if reference == "truth" else kind,
                "value": value,
                "is_excluded": device in excluded,
            }
            for device, metric, reference, value in values
        ]
        setups = [
            {"workout_id": key, "device_id": "new", "key": name, "value": value}
            for name, value in (setup or {}).items()
        ]
        self._added.append(
            (make_rows(WORKOUTS, [workout]), make_rows(SETUPS, setups), make_rows(RESULTS, rows))
        )

    def judge(
        self, settings: VerdictSettings, plan: DatedPlan | None = None, *, keep: bool = False
    ) -> list[dict[str, Any]]:
        with self._open() as connection:
            rows = judge(connection, settings, plan)
            if keep:
                stamped = [{**row, "run_id": f"r{self.n_workouts}"} for row in rows]
                append_rows(connection, VERDICTS, make_rows(VERDICTS, stamped))
        return rows

    def name(self, device_id: str, role: str) -> None:
        """Make a further device known."""
        with self._open() as connection:
            rows = [{"device_id": device_id, "role": role}]
            replace_rows(connection, DEVICES, make_rows(DEVICES, rows))

    def look_at(self, settings: VerdictSettings, devices: set[str]) -> list[dict[str, Any]]:
        """Return the new verdicts of some devices."""
        with self._open() as connection:
            return dict(look_across(connection, settings, devices=devices))[VERDICTS]

    def look(self, settings: VerdictSettings, table: Table) -> list[dict[str, Any]]:
        """Look across workouts, keep what is new, and give what is new in one table."""
        with self._open() as connection:
            found = look_across(connection, settings)
            for one, rows in found:
                stamped = [{**row, "run_id": "r1"} for row in rows]
                append_rows(connection, one, make_rows(one, stamped))
        return dict(found)[table]


def name_result(workout_id: str, device_id: str, metric: str) -> dict[str, Any]:
    return {
        "run_id": "r1",
        "computed_at": BEGIN,
        "workout_id": workout_id,
        "recording_id": f"{workout_id}-{device_id}",
        "device_id": device_id,
        "reference": "strap",
        "segment": METRICS[metric].judged_in if metric in METRICS else "all",
        "metric": metric,
        "metric_version": 1,
    }


def choose(margins: dict[str, float], criteria: Sequence[dict[str, Any]] = ()) -> VerdictSettings:
    base = load_settings().verdicts
    return type(base).model_validate(
        {"power": base.power, "margins": margins, "criteria": list(criteria)}
    )


def plan_for(
    workouts: int,
    margins: dict[str, float] | None = None,
    *,
    begin: date | None = None,
    end: date | None = None,
) -> DatedPlan:
    """Return a plan that was there before the first workout: new against old."""
    plan = Plan(
        device="new",
        against=("old",),
        workouts=workouts,
        margins=margins or {},
        begin=begin,
        end=end,
    )
    before = BEGIN - timedelta(days=1)
    since = {("device", ""): before, ("workouts", ""): before}
    return DatedPlan(plan, "p1", before, since)


def jitter(number: int) -> float:
    """Return a small number that is unlike that of the workout before."""
    return 0.3 * (number % 2) + number / 100


MAE = choose({"hr_mae_bpm": 1.0})


def pair(new: float | None, old: float | None, metric: str = "hr_mae_bpm") -> tuple[Value, Value]:
    return ("new", metric, "strap", new), ("old", metric, "strap", old)


def find(rows: Iterable[dict[str, Any]], **wanted: object) -> dict[str, Any]:
    found = [row for row in rows if all(row[key] == value for key, value in wanted.items())]
    assert len(found) == 1, found
    return found[0]
