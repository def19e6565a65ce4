"""What a run tells Prefect: states, events, artifacts; and pause and cancel. On a real server."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import UTC, datetime
from typing import Any

from tests.pipeline.conftest import ROOT, Place, call_server, wait_until, write_csv

#: Words that would be a position, a heart rate or a value out of a recording.
_PRIVATE = ("latitude", "longitude", "bpm", "heart_rate_", "position")

#: A drop of several workouts, of which somebody cancels the run at the first one.
_CANCEL = """
import functools
import sys
from pathlib import Path
from flows.engine.engine import find_engine
from flows.engine.environment import prepare_environment
from flows.session.home import open_home
session = open_home(Path(sys.argv[1]))
prepare_environment(session.home)
from flows.engine import cancelling
from flows.engine.deployed_runs import run_deployed
from flows.drop import drop
from tasks import steps
from tasks.ingest.exports import list_files
from prefect.client.orchestration import get_client
from prefect.states import Cancelling
cancelling._ASK_EVERY_S = 0.0
plain = steps.measure_workout.function
@functools.wraps(plain)
def measure(*args, **kwargs):
    from prefect.context import FlowRunContext
    with get_client(sync_client=True) as client:
        client.set_flow_run_state(FlowRunContext.get().flow_run.id, Cancelling())
    return plain(*args, **kwargs)
object.__setattr__(steps.measure_workout, "function", measure)
engine = find_engine(session.home.logs)
files = list(list_files([Path(sys.argv[2])]))
with engine.running():
    report = run_deployed(drop, {"home": session.home.root, "files": files, "move": False})
print(report.is_cancelled, len(report.workout_run.summary.workouts), len(report.workout_run.failed))
print(report.workout_run.failed[0])
engine.stop()
"""


#: Two runs of a deployment that allows one: the second waits, and may begin when the first ended.
_LIMIT = """
import sys
from pathlib import Path
from flows.engine.engine import find_engine
from flows.engine.environment import prepare_environment
from flows.session.home import open_home
session = open_home(Path(sys.argv[1]))
prepare_environment(session.home)
from flows.drop import drop
from flows.engine.deployed_runs import RunHeldError, run_deployed
from prefect.client.orchestration import get_client
from prefect.states import Cancelled, Pending
engine = find_engine(session.home.logs)
drops = {"home": session.home.root, "files": [], "move": False}
with engine.running(), get_client(sync_client=True) as client:
    home = {"home": str(session.home.root)}
    limited = drop.to_deployment("limited", parameters=home, concurrency_limit=1).apply()
    first = client.create_flow_run_from_deployment(limited)
    client.set_flow_run_state(first.id, Pending())
    try:
        run_deployed(drop, drops)
    except RunHeldError as error:
        print(error)
    client.set_flow_run_state(first.id, Cancelled(), force=True)
    for _ in range(2):
        print(len(run_deployed(drop, drops).outcomes))
engine.stop()
"""


def _run_program(place: Place, text: str, *words: str) -> list[str]:
    """Run a program on the home of `place`; return the lines that it printed."""
    program = place.root.parent / "program.py"
    program.write_text(text)
    done = subprocess.run(
        [sys.executable, str(program), str(place.root), *words],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
        env=place.environment(),
        timeout=240,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()


def _ask(place: Place, path: str, body: dict[str, Any] | None = None) -> Any:  # noqa: ANN401
    assert place.api_url is not None
    return call_server(place.api_url, path, body)


def _list_runs(place: Place) -> list[dict[str, Any]]:
    """Return the runs of this home, the newest first."""
    runs = _ask(place, "/flow_runs/filter", {"sort": "START_TIME_DESC"})
    return [run for run in runs if run["parameters"].get("home") == str(place.root)]


def _list_events(place: Place, name: str) -> list[dict[str, Any]]:
    body = {"filter": {"event": {"name": [name]}}, "limit": 50}
    return list(_ask(place, "/events/filter", body)["events"])


def test_a_drop_says_in_states_events_and_artifacts_what_happened(served: Place) -> None:
    good = write_csv(served.root.parent / "in" / "strap.csv")
    write_csv(good.parent / "test-watch.csv", above_bpm=3.0)
    broken = good.parent / "broken-test-watch.csv"
    broken.write_text("speed,pace\n1,2\n")
    done = served.run("ingest", str(good.parent))
    assert done.returncode == 1, done.stderr
    (run,) = _list_runs(served)
    assert run["name"].startswith("drop-")
    assert run["name"].endswith("-3-files")
    assert run["flow_version"]
    assert (run["state"]["type"], run["state"]["name"]) == ("COMPLETED", "Partial")
    assert run["state"]["message"].startswith("3 files: 2 stored, 1 refused; 1 workout with new")

    def ended_tasks() -> dict[str, dict[str, Any]]:
        tasks = _ask(
            served, "/task_runs/filter", {"flow_runs": {"id": {"any_": [run["id"]]}}, "limit": 50}
        )
        return {one["name"]: one["state"] for one in tasks if one["state"]}

    def are_told() -> bool:
        named = {name: state["name"] for name, state in ended_tasks().items()}
        return named.get("ingest broken-test-watch.csv") == "Refused"

    wait_until(are_told, "the task of the broken file is refused")
    states = ended_tasks()
    assert states["ingest strap.csv"]["name"] == "Completed"
    assert states["ingest broken-test-watch.csv"]["message"].startswith("broken-test-watch.csv: ")
    wait_until(
        lambda: any(
            one["payload"]["file"] == broken.name
            for one in _list_events(served, "coworn.file.refused")
        ),
        "the event of the refused file",
    )
    (workout,) = served.ask("SELECT workout_id FROM workouts")[0]
    measured = [
        one
        for one in _list_events(served, "coworn.workout.measured")
        if one["resource"]["prefect.resource.id"] == f"coworn.workout.{workout}"
    ]
    assert measured
    told = json.dumps([one["payload"] for one in measured])
    assert not [word for word in _PRIVATE if word in told]
    artifacts = _ask(
        served, "/artifacts/filter", {"artifacts": {"flow_run_id": {"any_": [run["id"]]}}}
    )
    kinds = {one["key"]: one for one in artifacts}
    assert {"coworn-drop-files", "coworn-drop-results", "coworn-page", "coworn-answers"} <= set(
        kinds
    )
    assert (served.root / "report" / "workouts" / f"{workout}.html").as_uri() in kinds[
        "coworn-page"
    ]["data"]
    assert "Test watch" in kinds["coworn-answers"]["data"]


def test_a_drop_of_refused_files_only_is_refused(served: Place) -> None:
    broken = served.root.parent / "in" / "test-watch.csv"
    broken.parent.mkdir()
    broken.write_text("speed,pace\n1,2\n")
    assert served.run("ingest", str(broken)).returncode == 1
    (run,) = _list_runs(served)
    assert (run["state"]["type"], run["state"]["name"]) == ("COMPLETED", "Refused")


def test_the_watcher_runs_its_deployment_and_waits_while_that_is_paused(served: Place) -> None:
    process = served.start("serve", until="watching")
    deployment = _ask(served, "/deployments/name/drop/drop")
    schema = deployment["parameter_openapi_schema"]["properties"]
    assert all(one.get("description") for one in schema.values()), schema
    write_csv(served.inbox / "strap.csv")
    wait_until(lambda: served.has("SELECT count(*) FROM files", 1), "the dropped file")

    def list_of_deployment() -> list[dict[str, Any]]:
        return [run for run in _list_runs(served) if run["deployment_id"] == deployment["id"]]

    wait_until(
        lambda: [one["state"]["name"] for one in list_of_deployment()] == ["Completed"],
        "one run on the deployment's page",
    )
    _ask(served, f"/deployments/{deployment['id']}/pause_deployment", {})
    write_csv(served.inbox / "test-watch.csv", above_bpm=3.0)
    wait_until(lambda: "is paused" in served.read_log("serve"), "the watcher says so")
    assert len(list_of_deployment()) == 1
    assert (served.inbox / "test-watch.csv").exists()
    _ask(served, f"/deployments/{deployment['id']}/resume_deployment", {})
    process.terminate()
    process.wait(timeout=60)
    served.start("serve", until="watching")
    wait_until(lambda: served.has("SELECT count(*) FROM files", 2), "the file that waited")


def test_a_cancelled_run_stops_between_workouts_and_loses_nothing(served: Place) -> None:
    folder = served.root.parent / "in"
    for number in range(3):
        start = datetime(2026, 5, 2 + number, 6, tzinfo=UTC)
        for device in ("strap", "test-watch"):
            above_bpm = 3.0 if device == "test-watch" else 0.0
            write_csv(folder / f"{number}-{device}.csv", start=start, above_bpm=above_bpm)
    told = _run_program(served, _CANCEL, str(folder))
    assert told[0] == "True 1 2", told
    assert "was cancelled" in told[1]
    (run,) = _list_runs(served)
    assert run["state"]["type"] == "CANCELLED"
    assert run["state"]["message"].startswith("stopped between workouts: 6 files: 6 stored")
    assert served.run("nightly").returncode == 0
    assert served.ask("SELECT count(DISTINCT workout_id) FROM latest_results") == [(3,)]
    nights = [one for one in _list_runs(served) if one["name"].startswith("nightly-")]
    assert [one["state"]["type"] for one in nights] == ["COMPLETED"]


def test_a_run_waits_while_the_deployment_has_as_many_as_it_may(served: Place) -> None:
    held, *ran = _run_program(served, _LIMIT)
    assert "as many runs under way as its limit" in held
    assert ran == ["0", "0"]
