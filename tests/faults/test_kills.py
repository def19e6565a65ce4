"""A line that is killed at any moment loses nothing and doubles nothing (short seeded run)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import duckdb
import pytest

from tests.faults import crash, kills
from tests.tiers import choose

if TYPE_CHECKING:
    from pathlib import Path

    from config.home import Home

N_KILLS = choose(short=6, full=15)


def test_kills_at_random_moments_lose_nothing_and_double_nothing(tmp_path: Path) -> None:
    tally = kills.kill_many(tmp_path, n_kills=N_KILLS, seed=2)
    assert tally.broken == []
    assert tally.n_kills >= N_KILLS
    assert len(tally.kills) > 2, f"only killed in {set(tally.kills)}"


@pytest.fixture
def home(tmp_path: Path) -> tuple[Home, dict[str, bytes]]:
    exports = crash.write_exports(tmp_path / "drop")
    made = crash.make_home(tmp_path / "home")
    for name, data in exports.items():
        (made.inbox / name).write_bytes(data)
    return made, exports


def test_what_the_check_looks_for_is_found(home: tuple[Home, dict[str, bytes]]) -> None:
    """The check of the kills is worth something: each kind of loss is seen."""
    place, exports = home
    assert crash.list_broken(place, exports) == []
    name = "again.fit"
    (place.inbox / name).write_bytes(exports[name][:-1])
    assert crash.list_broken(place, exports) == [f"{name} is neither in the inbox nor archived"]
    (place.inbox / name).write_bytes(exports[name])
    file_id = "ab" * 32
    (place.originals / "ab").mkdir()
    (place.originals / "ab" / f"{file_id}.fit").write_bytes(b"other bytes")
    torn = place.lake / "samples" / "recording_id=x" / "samples.parquet"
    torn.parent.mkdir(parents=True)
    torn.write_bytes(b"PAR1")
    (place.root / "published").mkdir(exist_ok=True)
    (place.published / "results.duckdb").write_bytes(b"no database")
    place.results.symlink_to(place.published / "results.duckdb")
    said = crash.list_broken(place, exports)
    assert [line.split(" ")[0] for line in said] == [
        "original",
        "lake/samples/recording_id=x/samples.parquet",
        "results.duckdb",
    ]
    with pytest.raises(duckdb.Error):
        crash.read_contents(place)
