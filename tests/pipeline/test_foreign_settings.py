"""Settings of other projects, in the environment or in the current folder, change nothing here.

Prefect reads `.env`, `prefect.toml` and `pyproject.toml` of the folder that it is started in; one
of its settings names a file that says which code handles log lines. So a folder that others can
write in would be a way in, and a folder of another project would lend its database and passwords.
"""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING

from tests.pipeline.conftest import DEVICES, ROOT, Place, clean_environment, write_csv

if TYPE_CHECKING:
    from pathlib import Path

LOGGING = """
version: 1
handlers:
  x:
    (): os.system
    command: touch {mark}
root:
  handlers: [x]
"""
#: What an address would decode, cut off or take for something else.
HOME = 'it\'s 50%20 o\N{LATIN SMALL LETTER F WITH HOOK}f #1; "$HOME" {home} %s'
#: Nobody listens there.
DEAD = "http://127.0.0.1:9"


def make_foreign_folder(folder: Path) -> None:
    """Make the folder of another project, some of whose settings are hostile."""
    folder.mkdir()
    (folder / "logging.yml").write_text(LOGGING.format(mark=folder / "mark"))
    (folder / ".env").write_text(
        f"PREFECT_LOGGING_SETTINGS_PATH={folder}/logging.yml\n"
        f"PREFECT_SERVER_DATABASE_CONNECTION_URL=sqlite+aiosqlite:///{folder}/foreign.db\n"
        f"PREFECT_API_URL={DEAD}/api\nPREFECT_RESULTS_PERSIST_BY_DEFAULT=true\n"
    )
    (folder / "prefect.toml").write_text("api = [broken")
    (folder / "profiles.toml").write_text(
        f'active = "work"\n[profiles.work]\nPREFECT_API_URL = "{DEAD}/api"\n'
        f'PREFECT_API_KEY = "x"\nPREFECT_LOGGING_SETTINGS_PATH = "{folder}/logging.yml"\n'
    )


def foreign_environment(folder: Path) -> dict[str, str]:
    """Return the environment of somebody who works with another server behind a proxy."""
    return clean_environment(
        http_proxy=DEAD,
        HTTP_PROXY=DEAD,
        all_proxy=DEAD,
        no_proxy="intranet.example",
        PREFECT_PROFILE="work",
        PREFECT_PROFILES_PATH=str(folder / "profiles.toml"),
        PREFECT_API_DATABASE_CONNECTION_URL=f"sqlite+aiosqlite:///{folder}/other.db",
        PREFECT_SERVER_API_AUTH_STRING="name:word",
        PREFECT_RESULTS_PERSIST_BY_DEFAULT="true",
        PREFECT_LOCAL_STORAGE_PATH=str(folder / "storage"),
    )


def test_foreign_settings_neither_stop_a_run_nor_get_anything_of_it(
    tmp_path: Path, prefect_database: Path
) -> None:
    folder = tmp_path / "foreign"
    make_foreign_folder(folder)
    before = sorted(folder.iterdir())
    place = Place(tmp_path / HOME, None)
    place.root.mkdir()
    (place.root / "devices.toml").write_text(DEVICES)
    # Only a backfill needs Prefect.
    place.configure("[run]\nbackfill_files = 2\nbatch_files = 2\nworkers = 1\n")
    place.lay_database(prefect_database)
    write_csv(folder.parent / "drop" / "strap.csv", n_seconds=120)
    write_csv(folder.parent / "drop" / "test-watch.csv", n_seconds=120, above_bpm=2.0)
    done = subprocess.run(
        # Relative paths are still those of the folder that the person is in.
        [sys.executable, "-P", "-m", "flows.cli", "ingest", "../drop", "--home", f"../{HOME}"],
        capture_output=True,
        text=True,
        check=False,
        cwd=folder,
        env=foreign_environment(folder),
        timeout=400,
    )
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    assert place.has("SELECT count(*) FROM workouts", 1)
    assert sorted(folder.iterdir()) == before
    assert (place.root / "state" / "prefect" / "prefect.db").exists()
    assert ROOT not in folder.parents
    assert {path.name for path in tmp_path.iterdir()} == {"drop", "foreign", HOME}
