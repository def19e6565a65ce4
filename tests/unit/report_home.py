"""A small home that went through the whole line, with names that try to be more than text."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

from config.home import Home
from config.settings import load_settings
from tasks import processing, store
from tasks.archive import lake
from tasks.core.provenance import begin_run
from tasks.ingest import exports
from tasks.tables.arrow import make_rows
from tasks.tables.tables import LEVELS, LIMITS, VERDICTS

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
        exports.ingest_file(
            exports.Dropped(taken, taken.name), home=home, settings=settings, move=False
        )
    settle_all(home)
    return home


def settle_all(home: Home) -> None:
    """Pair, measure, append and publish, as a flow does."""
    settings = load_settings(home.settings)
    run = begin_run("drop", settings_hash=settings.hash_of_values)
    prepared = processing.prepare(home, settings)
    outcomes = [
        processing.measure_planned(one, home=home, settings=settings)
        for one in prepared.plan.workouts
    ]
    processing.commit(prepared, outcomes, run=run, home=home, settings=settings, wait_s=10.0)
    processing.finish(prepared, outcomes, home=home)
    store.publish(home, settings)


def add_answers(home: Home) -> None:
    """Append invented answers across workouts about Alder 2, and publish them."""
    with store.open_store(home) as connection:
        for table, rows in ((VERDICTS, VERDICT_ROWS), (LEVELS, LEVEL_ROWS), (LIMITS, LIMIT_ROWS)):
            store.append_rows(connection, table, make_rows(table, rows))
    store.publish(home, load_settings(home.settings))


def make_verdict(
    metric: str, verdict: str, estimate: float, ends: tuple[float, float] | None, **others: object
) -> dict[str, Any]:
    """Return an answer about Alder 2 against Alder 1 in all activities."""
    low, high = ends or (None, None)
    return {
        "run_id": "r",
        "device_id": "alder-2",
        "against": "alder-1",
        "family": "details" if "activity" in others else "headline",
        "place": "all",
        "activity": "all",
        "segment": "all",
        "metric": metric,
        "n_workouts": 9,
        "estimate": estimate,
        "verdict": verdict,
        "ci_low": low,
        "ci_high": high,
        "p_adjusted": 0.5,
        "margin": 1.0,
        "note": "invented",
        **others,
    }


VERDICT_ROWS = [
    make_verdict(
        "hr_mae_bpm",
        "better",
        -2.5,
        (-3.5, -1.5),
        model_estimate=-2.2,
        model_ci_low=-3.0,
        model_ci_high=-1.4,
        model_workouts=14,
    ),
    make_verdict("hr_mae_bpm", "too few", -2.0, None, activity="running", n_workouts=4),
    make_verdict("hr_mae_bpm", "unclear", -2.75, (-5.0, -0.5), activity="cycling", n_workouts=6),
    make_verdict("hr_within_5_bpm_pct", "worse", -45.0, (-60.0, -30.0), margin=3.0),
    make_verdict("track_cross_median_m", "alike", 0.05, (-0.1, 0.2), margin=0.5),
]
LEVEL_ROWS = [
    {
        "run_id": "r",
        "device_id": "alder-2",
        "activity": activity,
        "condition": condition,
        "metric": "hr_mae_bpm",
        "counted": "value",
        "n_workouts": 9,
        "mean": 3.25,
        "mean_ci_low": 2.5,
        "mean_ci_high": 4.5,
        "median": 3.0,
        "median_ci_low": 2.0,
        "median_ci_high": 4.0,
        "sd": 1.25,
        "unit": "bpm",
    }
    for activity, condition in (("all", "all"), ("running", "all"), ("running", "wrist: left"))
]
LIMIT_ROWS = [
    {
        "run_id": "r",
        "device_id": "alder-2",
        "activity": "all",
        "metric": "hr_bias_bpm",
        "n_workouts": 9,
        "bias": -0.5,
        "limit_low": -9.0,
        "limit_low_ci_low": -11.0,
        "limit_low_ci_high": -7.5,
        "limit_high": 8.0,
        "limit_high_ci_low": 6.5,
        "limit_high_ci_high": 10.0,
        "unit": "bpm",
    }
]
