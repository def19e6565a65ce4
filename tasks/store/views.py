"""The views: newest results, wide views of each domain, and the lake as if it were tables.

The wide views of what counts are tables in a published copy (`wide`); their queries stand here.

The wide views get their columns from the register of metrics, so that a new metric needs no edit
here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, get_args

from tasks.core import discovery
from tasks.core.registers import METRICS, Domain, Metric
from tasks.store import aligned as aligned_view
from tasks.store import setups as setups_view
from tasks.store.ddl import SQL_TYPES, list_names, quote_name, quote_text
from tasks.store.headlines import COMMENTS, HEADLINES
from tasks.tables.columns import COLUMNS
from tasks.tables.tables import ANSWERS, FINDINGS, LAKE_TABLES, PAIRS, RESULTS, Table

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    import duckdb

    from tasks.tables.column import Column

#: Setup keys that are columns of the wide views; all others are in the table `setups`.
SETUP_KEYS: Final = ("wrist", "band", "display", "gnss", "firmware")

#: The numbers of a domain that are said first; their view has n and interval of each, and names
#: the reference of the first that has one.
MAIN_METRICS: Final[Mapping[Domain, tuple[str, ...]]] = {
    "heart_rate": ("hr_mae_bpm", "hr_bias_bpm", "hr_within_5_bpm_pct"),
    "track": ("track_cross_median_m", "track_corners_cut_per_km"),
    "distance": ("distance_error_pct", "speed_mae_mps"),
    "indoor": ("indoor_distance_error_pct",),
    "elevation": ("ascent_error_pct", "altitude_bias_m"),
    "detection": ("start_delay_s",),
    "swimming": ("swim_lengths_error", "swim_distance_error_pct"),
    "battery": ("battery_rate_pct_per_h",),
}
#: What stands beside each of them: ending, column of `results`, what it is.
#: Variable of DuckDB that says where the home is, for a shell on one that was copied or moved.
HOME_VARIABLE: Final = "coworn_home"
_BESIDE: Final = (
    ("n", "n", "what it rests on"),
    ("ci_low", "ci_low", "lower end of its 95 % interval"),
    ("ci_high", "ci_high", "upper end of its 95 % interval"),
)

#: What says that a row of the newest results is the one that counts.
_IS_MAIN: Final = "is_main IS DISTINCT FROM false AND is_excluded IS DISTINCT FROM true"

#: The lake's tables by the name of their view: `battery` is taken by the domain.
LAKE_VIEWS: Final = {
    ("battery_readings" if table.name == "battery" else table.name): table for table in LAKE_TABLES
}


@dataclass(frozen=True)
class View:
    """One view: the query behind it, its grain, and the meaning of its columns.

    A published copy holds the rows of one that `is_table`.
    """

    name: str
    query: str
    grain: str
    comments: tuple[tuple[str, str], ...]
    is_table: bool = False

    def statements(self) -> tuple[str, ...]:
        """Return the statements that create the view and comment on it."""
        create = f"CREATE OR REPLACE VIEW {quote_name(self.name)} AS {self.query}"
        return (create, *self.comment_statements("VIEW"))

    def comment_statements(self, kind: Literal["VIEW", "TABLE"]) -> tuple[str, ...]:
        """Return the statements that comment on the view, or on the table in its place."""
        name = quote_name(self.name)
        return (
            f"COMMENT ON {kind} {name} IS {quote_text(self.grain)}",
            *(
                f"COMMENT ON COLUMN {name}.{quote_name(column)} IS {quote_text(comment)}"
                for column, comment in self.comments
            ),
        )


def build_views(lake: Path) -> tuple[View, ...]:
    """Return every view of the published database, over the store's tables and the `lake`."""
    lakes = tuple(build_lake_view(name, lake=lake) for name in LAKE_VIEWS)
    aligned = View("aligned_samples", aligned_view.QUERY, aligned_view.GRAIN, aligned_view.COMMENTS)
    return (*build_store_views(), *lakes, aligned)


def build_store_views() -> tuple[View, ...]:
    """Return the views over the store's tables alone, the same ones in every home."""
    discovery.load_metrics()
    domains = tuple(
        view
        for domain in get_args(Domain)
        for view in (build_main_view(domain), build_domain_view(domain))
    )
    return (*build_latest_views(), *domains, View("headlines", HEADLINES, *COMMENTS))


def create_latest_views(connection: duckdb.DuckDBPyConnection, *, temporary: bool) -> None:
    """Create `latest_results`, `latest_findings`, `latest_verdicts`, `worn_setups` and their like.

    Temporary views are the connection's own, so that a connection that can only read has them.
    """
    kind = "TEMPORARY VIEW" if temporary else "VIEW"
    for view in build_latest_views():
        connection.execute(f"CREATE OR REPLACE {kind} {quote_name(view.name)} AS {view.query}")


def build_latest_views() -> tuple[View, ...]:
    """Return the views of what holds now."""
    return (
        _build_newest_measurement(RESULTS),
        _build_main_results(),
        _build_newest_measurement(FINDINGS),
        *(_build_newest_answers(table) for table in ANSWERS),
        View("worn_setups", setups_view.QUERY, setups_view.GRAIN, setups_view.COMMENTS),
    )


def _build_newest_measurement(table: Table) -> View:
    columns = ", ".join(f"{table.name}.{quote_name(name)}" for name in table.column_names)
    query = (
        f"SELECT {columns} FROM {table.name} "  # noqa: S608 - declared names only
        "JOIN (SELECT workout_id, arg_max(run_id, generation) AS run_id FROM measurements "
        "WHERE workout_id IN (SELECT workout_id FROM workouts) GROUP BY workout_id) AS newest "
        f"ON newest.workout_id = {table.name}.workout_id AND newest.run_id = {table.name}.run_id"
    )
    grain = table.grain.removesuffix("; append-only")
    return View(
        f"latest_{table.name}",
        query,
        f"{grain}; the newest measurement of each workout that still exists",
        tuple((column.name, column.comment) for column in table.columns),
    )


def _build_main_results() -> View:
    # What an older version measured does not say which row is the main one.
    return View(
        "main_results",
        f"SELECT * FROM latest_results WHERE {_IS_MAIN}",  # noqa: S608 - our own words
        "one row per recording, segment and metric: the value that counts, against the best "
        "reference; no difference from a device that is no reference, nothing that was set aside "
        "(latest_results has all)",
        tuple((column.name, column.comment) for column in RESULTS.columns),
    )


def _build_newest_answers(table: Table) -> View:
    # Answers are only ever appended, so that the order of rows is the order of writing; a clock
    # that was set back does not matter.
    columns = ", ".join(f"{table.name}.{quote_name(name)}" for name in table.column_names)
    question = list_names(tuple(name for name in table.key if name != "run_id"))
    query = (
        f"SELECT {columns} FROM {table.name} "  # noqa: S608 - declared names only
        "WHERE device_id IN (SELECT device_id FROM devices) "
        f"QUALIFY row_number() OVER (PARTITION BY {question} "
        f"ORDER BY {table.name}.rowid DESC) = 1 AND coalesce(n_workouts, 1) > 0"
    )
    grain = table.grain.removesuffix("; append-only")
    return View(
        f"latest_{table.name}",
        query,
        f"{grain}; the newest answer that still holds, for devices that still exist",
        tuple((column.name, column.comment) for column in table.columns),
    )


def build_main_view(domain: Domain, source: str = "latest_results") -> View:
    """Return the wide view of `domain`: a row per recording and segment, a column per metric.

    Main rows only, so that a mean over a column is a mean of what counts. The main metrics have
    their n and interval beside them. `source` holds the newest results.
    """
    discovery.load_metrics()
    columns: list[tuple[str, str, str]] = []
    for metric in _list_metrics(domain):
        columns.append((metric.id, _pick_value(metric.id, "value"), _describe_metric(metric)))
        if metric.id in MAIN_METRICS[domain]:
            columns += [
                (f"{metric.id}_{ending}", _pick_value(metric.id, column), f"{metric.title}: {said}")
                for ending, column, said in _BESIDE
            ]
    first = [metric for metric in MAIN_METRICS[domain] if metric in METRICS]
    facts = [
        (name, _pick_first(first, name) if name in _OF_REFERENCE else expression, comment)
        for name, expression, comment in _list_facts()
    ]
    return View(
        domain,
        _build_wide(domain, f"FROM {source} WHERE {_IS_MAIN}", _MAIN, facts, columns),
        "one row per recording and segment; newest values against the best reference, one column "
        f"per metric; reference is that of {' or '.join(first)}, main_results has each metric's "
        f"own; null: not computed, or no reference ({domain}_all and its reason say which)",
        tuple((name, comment) for name, _, comment in (*facts, *columns)),
        is_table=True,
    )


def build_domain_view(domain: Domain) -> View:
    """Return the wide view of all rows of `domain`: one column per metric of the register.

    One row per recording, segment and reference. A value that needs no reference stands in every
    row of its recording and segment, so that a row is whole in itself.
    """
    columns = [
        (metric.id, _pick_value(metric.id, "value"), _describe_metric(metric))
        for metric in _list_metrics(domain)
    ]
    facts = (*_list_facts(), *_EXCLUDED)
    return View(
        f"{domain}_all",
        _build_wide(domain, "FROM latest_results WHERE true", _SPREAD, facts, columns),
        "one row per recording, segment and reference, also against devices that are no reference, "
        "and of what was set aside; newest values, one column per metric; null: not computed, "
        "latest_results.reason says why",
        tuple((name, comment) for name, _, comment in (*facts, *columns)),
    )


def _build_wide(
    domain: Domain,
    source: str,
    spread: str,
    facts: Sequence[tuple[str, str, str]],
    columns: Sequence[tuple[str, str, str]],
) -> str:
    """Return the query that turns the rows of `source` into one column per metric.

    `spread` says which of them stand in which row.
    """
    chosen = ", ".join(quote_text(metric.id) for metric in _list_metrics(domain))
    selected = ", ".join(f"{value} AS {quote_name(name)}" for name, value, _ in (*facts, *columns))
    keys = [expression for name, expression, _ in facts if not _is_picked(expression)]
    # The names are declared and registered ones; no text of a person or a file gets in here.
    return f"""
WITH chosen AS (
  SELECT * {source} AND list_contains([{chosen}]::VARCHAR[], metric)
),
{spread},
setup AS (
  SELECT workout_id, device_id{_select_setups()} FROM worn_setups
  GROUP BY workout_id, device_id
)
SELECT {selected}
FROM spread
LEFT JOIN workouts ON workouts.workout_id = spread.workout_id
LEFT JOIN devices ON devices.device_id = spread.device_id
LEFT JOIN recordings ON recordings.recording_id = spread.recording_id
LEFT JOIN setup ON setup.workout_id = spread.workout_id AND setup.device_id = spread.device_id
GROUP BY {", ".join(keys)}"""  # noqa: S608


_EXCLUDED: Final = tuple(
    (name, f"spread.{name}", COLUMNS[name].comment) for name in ("is_excluded", "excluded_because")
)
_MAIN: Final = "spread AS (SELECT * FROM chosen)"
_SPREAD: Final = """sides AS (
  SELECT DISTINCT workout_id, recording_id, segment, reference, reference_kind FROM chosen
  WHERE reference IS NOT NULL
),
spread AS (
  SELECT chosen.* REPLACE (
    coalesce(chosen.reference, sides.reference) AS reference,
    coalesce(chosen.reference_kind, sides.reference_kind) AS reference_kind
  ) FROM chosen
  LEFT JOIN sides ON chosen.reference IS NULL AND sides.workout_id = chosen.workout_id
    AND sides.recording_id = chosen.recording_id AND sides.segment = chosen.segment
)"""
#: Columns that a main row takes from its main metric; others may be against another reference.
_OF_REFERENCE: Final = ("reference", "reference_kind")


def _list_metrics(domain: Domain) -> list[Metric]:
    found = (metric for metric in METRICS.values() if metric.domain == domain)
    return sorted(found, key=lambda metric: metric.id)


def _pick_value(metric: str, column: str) -> str:
    return f"max(spread.{column}) FILTER (WHERE spread.metric = {quote_text(metric)})"


def _pick_first(metrics: Sequence[str], column: str) -> str:
    picked = (
        f"max(spread.{column}) FILTER (WHERE spread.metric = {quote_text(metric)} "
        "AND spread.value IS NOT NULL)"
        for metric in metrics
    )
    return f"coalesce({', '.join(picked)})"


def _is_picked(expression: str) -> bool:
    """Say whether an expression sums up several rows, so that nothing is grouped by it."""
    return "FILTER (" in expression


def _list_facts() -> tuple[tuple[str, str, str], ...]:
    """Return name, expression and comment of the columns in front of the metrics."""
    plain = (
        ("workout_id", "spread.workout_id", COLUMNS["workout_id"].comment),
        ("start_utc", "workouts.start_utc", "First instant of the workout [UTC]"),
        ("activity", "workouts.activity", COLUMNS["activity"].comment),
        ("place", "workouts.place", COLUMNS["place"].comment),
        ("recording_id", "spread.recording_id", COLUMNS["recording_id"].comment),
        ("device_id", "spread.device_id", COLUMNS["device_id"].comment),
        ("device_name", "devices.name", "Name of the device"),
        ("role", "devices.role", COLUMNS["role"].comment),
        ("site", "devices.site", COLUMNS["site"].comment),
        ("reference", "spread.reference", COLUMNS["reference"].comment),
        ("reference_kind", "spread.reference_kind", COLUMNS["reference_kind"].comment),
        ("segment", "spread.segment", COLUMNS["segment"].comment),
    )
    setups = tuple(
        (
            key,
            f"setup.{key}",
            f"Setup of the device in the workout, from the notes: {key}",
        )
        for key in SETUP_KEYS
    )
    return (*plain, *setups)


def _select_setups() -> str:
    return "".join(
        f", max(value) FILTER (WHERE key = {quote_text(key)}) AS {quote_name(key)}"
        for key in SETUP_KEYS
    )


def _describe_metric(metric: Metric) -> str:
    return f"{metric.title}: {metric.definition} [{metric.unit}]"


def build_lake_view(name: str, *, lake: Path) -> View:
    """Return the view `name` over the Parquet files of the `lake`.

    Until there is a file the view has no rows: DuckDB would refuse to make it.
    """
    table = LAKE_VIEWS[name]
    partition = find_partition(table)
    columns = (partition, *table.columns)
    folder = lake / table.name
    nothing = ", ".join(
        f"NULL::{SQL_TYPES[column.kind]} AS {quote_name(column.name)}" for column in columns
    )
    empty = f"SELECT {nothing} WHERE false"
    if any(folder.glob("*/*.parquet")):
        # A shell in which the variable is set reads the lake of that home: one that was copied or
        # moved, in which no run has published since, still names the former place.
        usual = quote_text(escape_glob(str(lake.absolute())))
        within = quote_text(f"/{table.name}/*/*.parquet")
        place = f"coalesce(getvariable('{HOME_VARIABLE}') || '/{lake.name}', {usual}) || {within}"
        names = list_names(tuple(column.name for column in columns))
        files = (
            f"read_parquet({place}, "
            f"hive_partitioning = true, union_by_name = {table is PAIRS}, "
            f"hive_types = {{{quote_text(partition.name)}: VARCHAR}})"
        )
        query = f"SELECT {names} FROM {files}"  # noqa: S608
        if table is PAIRS:
            # Those of an older version may all lack a column, until their workouts are measured.
            query = f"SELECT {names} FROM ({empty} UNION ALL BY NAME FROM {files})"  # noqa: S608
    else:
        query = empty
    return View(
        name,
        query,
        f"{table.grain}; read from the lake",
        tuple((column.name, column.comment) for column in columns),
    )


def find_partition(table: Table) -> Column:
    """Return the column by which the lake's folders of `table` are named."""
    return COLUMNS["workout_id" if table is PAIRS else "recording_id"]


def escape_glob(path: str) -> str:
    """Return `path` as a pattern that matches nothing else."""
    return "".join(f"[{letter}]" if letter in "[*?" else letter for letter in path)
