"""A door for Python: a home's results and samples, read-only, as tables to go on with.

```python
from flows.api import open_home

with open_home("coworn-demo") as home:
    home.results("hr_mae_bpm").df()                 # pandas
    home.samples("20251116T0930Z-66c406").arrow()   # Arrow
    home.sql("FROM latest_findings").pl()           # polars, where it is installed
```

Each answer is a relation of DuckDB: `.df()`, `.arrow()`, `.pl()`, `.fetchnumpy()`, `.filter()`, ...
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from config.home import Home, find_home

if TYPE_CHECKING:
    from collections.abc import Sequence
    from types import TracebackType

    import duckdb

_ALL = "all"


class OpenedHome:
    """A home, open for reading. What is published later is not seen: open it again.

    Close it, or use it in a `with`; its relations end with it.
    """

    def __init__(self, home: Home) -> None:
        from tasks.store import connect_for_reading

        self.home = home
        self.connection: duckdb.DuckDBPyConnection = connect_for_reading(home)

    def sql(self, query: str, parameters: Sequence[Any] = ()) -> duckdb.DuckDBPyRelation:
        """Return the answer to a query; `?` in it stand for `parameters`.

        Raises: duckdb.Error.
        """
        return self.connection.sql(query, params=list(parameters))

    def results(
        self, *metrics: str, segment: str = _ALL, main: bool = True
    ) -> duckdb.DuckDBPyRelation:
        """Return the newest values of some metrics, or of all: rows of `latest_results`.

        Those of the whole workout, or of another `segment`; with `main` only those against the
        reference that counts.
        """
        conditions, parameters = ["segment = ?"], [segment]
        if metrics:
            conditions.append("list_contains(?, metric)")
            parameters.append(list(metrics))  # type: ignore[arg-type]
        if main:
            conditions.append("is_main")
        return self.sql(
            f"FROM latest_results WHERE {' AND '.join(conditions)} "
            "ORDER BY workout_id, device_id, metric, reference_rank",
            parameters,
        )

    def samples(self, workout_id: str) -> duckdb.DuckDBPyRelation:
        """Return all samples of a workout on its own clock: rows of `aligned_samples`."""
        return self.sql(
            "FROM aligned_samples WHERE workout_id = ? ORDER BY device_id, time_utc", [workout_id]
        )

    def pairs(self, workout_id: str) -> duckdb.DuckDBPyRelation:
        """Return what was compared, second by second, and what of it is scored: rows of `pairs`."""
        return self.sql(
            "FROM pairs WHERE workout_id = ? ORDER BY device_id, reference, time_utc", [workout_id]
        )

    def close(self) -> None:
        """Close it."""
        self.connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def open_home(folder: str | Path | None = None) -> OpenedHome:
    """Open the home at `folder`, else at COWORN_HOME, else at ~/coworn, for reading.

    Raises: tasks.core.errors.CowornError when nothing was published there yet.
    """
    return OpenedHome(find_home(None if folder is None else Path(folder)))
