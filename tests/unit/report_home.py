"""A small home that went through the whole line, with names that try to be more than text."""

from __future__ import annotations

import shutil
from pathlib import Path

from config.home import Home
from config.settings import load_settings
from tasks import ingest, lake, settle, store
from tasks.core.provenance import begin_run

DEMO = Path(__file__).resolve().parents[2] / "inbox_demo"
#: A device name that is script, markup, SQL, a template and Markdown at once.
HOSTILE_NAME = (
    "<script>document.title='taken'</script>'; DROP TABLE results; -- {{7*7}} **bold** <b>"
)
HOSTILE_SEGMENT = "</script><img src=x onerror=document.title='taken'>'\\\"; --"
HOSTILE_FILE = "<img src=x onerror=alert(1)>.fit"
RIDE = "2025-11-30-mixed-ride"
POOL = "2025-11-28-pool"


def build_home(root: Path, *drops: str) -> Home:
    """Take in the demo's exports whose names begin with one of `drops`, and one broken file."""
    home = Home(root)
    home.create()
    text = (DEMO / "devices.toml").read_text(encoding="utf-8")
    quoted = HOSTILE_NAME.replace("\\", "\\\\").replace('"', '\\"')
    home.devices.write_text(
        text.replace('name = "Alder 1"', f'name = "{quoted}"'), encoding="utf-8"
    )
    shutil.copytree(DEMO / "courses", home.courses, dirs_exist_ok=True)
    lake.ensure_lake(home.lake)
    broken = root / HOSTILE_FILE
    broken.write_bytes(b"this is no export at all")
    settings = load_settings()
    files = [path for path in sorted(DEMO.iterdir()) if path.name.startswith(drops)]
    for path in [*files, broken]:
        taken = path
        if path.name.endswith(".notes.toml"):
            taken = root / path.name
            hostile = HOSTILE_SEGMENT.replace("\\", "\\\\").replace('"', '\\"')
            notes = path.read_text(encoding="utf-8").replace('"forest trail"', f'"{hostile}"')
            taken.write_text(notes, encoding="utf-8")
        ingest.ingest_file(
            ingest.Dropped(taken, taken.name), home=home, settings=settings, move=False
        )
    settle_all(home)
    return home


def settle_all(home: Home) -> None:
    """Pair, measure, append and publish, as a flow does."""
    settings = load_settings(home.settings)
    run = begin_run("drop", settings_hash=settings.hash_of_values)
    prepared = settle.prepare(home, settings)
    outcomes = [
        settle.measure_planned(one, home=home, settings=settings) for one in prepared.plan.workouts
    ]
    settle.commit(prepared, outcomes, run=run, home=home, settings=settings, wait_s=10.0)
    settle.finish(prepared, outcomes, home=home)
    store.publish(home, settings)
