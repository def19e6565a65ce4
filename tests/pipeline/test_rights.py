"""Inside a home everything is for its owner only; what is written elsewhere is as the person likes.

The commands run with the mask that most systems give a person (022: everybody may read).
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

from tests.commands import run_coworn
from tests.pipeline.conftest import Place, write_csv

if TYPE_CHECKING:
    from pathlib import Path

BEGIN = datetime(2026, 5, 2, 6, 0, tzinfo=UTC)
EVERYBODY_READS = 0o022
SMALL_FIGURES = """
[report]
figures = ["heart_rate"]
figure_wide_px = 300
figure_square_px = 300
"""


def run(place: Place, *words: str, code: int = 0) -> None:
    done = run_coworn(*words, "--home", place.root, env=place.environment(), umask=EVERYBODY_READS)
    assert done.returncode == code, done.stderr


def list_open(folder: Path) -> list[str]:
    """Return what others may read, write or enter; a link has no rights of its own."""
    found = [folder, *folder.rglob("*")]
    return [
        path.relative_to(folder).as_posix()
        for path in found
        if not path.is_symlink() and path.stat().st_mode & 0o077
    ]


def test_nobody_else_can_read_what_a_run_makes_in_its_home(
    tmp_path: Path, prefect_database: Path
) -> None:
    place = Place(tmp_path / "home", None)
    # Small enough for the files to be read by processes of their own.
    place.configure(f"[run]\nbackfill_files = 2\nbatch_files = 2\nworkers = 2\n{SMALL_FIGURES}")
    place.lay_database(prefect_database)
    for path in (place.root, *place.root.rglob("*")):
        path.chmod(0o700 if path.is_dir() else 0o600)
    drop = tmp_path / "drop"
    write_csv(drop / "strap.csv", start=BEGIN, n_seconds=120)
    write_csv(drop / "watch.csv", start=BEGIN, n_seconds=120, above_bpm=2.0)
    (drop / "no-export.csv").write_text("a,b\n1,2\n")
    run(place, "ingest", str(drop), code=1)
    # From here on no processes of their own: they would write no other files.
    (place.root / "coworn.toml").write_text(SMALL_FIGURES)
    run(place, "nightly")
    assert list((place.root / "report" / "figures").rglob("*.png"))
    assert list_open(place.root) == []
    run(place, "rebuild", code=1)  # what was refused is refused again
    assert place.has("SELECT count(*) FROM workouts", 1)
    assert (place.root / "state" / "prefect" / "prefect.db").exists()
    assert list((place.root / "refused").iterdir())
    assert list_open(place.root) == []


def test_what_goes_elsewhere_has_the_rights_that_the_person_gives(tmp_path: Path) -> None:
    place = Place(tmp_path / "home", None)
    run(place, "ingest", str(write_csv(tmp_path / "strap.csv", n_seconds=120)))
    run(place, "report", "--publish", str(tmp_path / "site"))
    rows = tmp_path / "rows.csv"
    run(place, "sql", "FROM recordings", "--format", "csv", "--out", str(rows))
    made = [tmp_path / "site", *(tmp_path / "site").rglob("*"), rows]
    assert (tmp_path / "site" / "index.html") in made
    closed = [path.name for path in made if not path.stat().st_mode & 0o044]
    assert closed == []
