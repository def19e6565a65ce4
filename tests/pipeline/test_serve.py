"""Deployments on a real Prefect server: served by us, and deployed by a person."""

from __future__ import annotations

import contextlib
import json
import signal
import subprocess
import sys
from pathlib import Path

from tests.pipeline.conftest import (
    ROOT,
    Place,
    call_server,
    clean_environment,
    wait_until,
    write_csv,
)


def test_serve_watches_the_inbox_and_runs_the_night_through_the_server(served: Place) -> None:
    assert served.api_url is not None
    process = served.start("serve", until="watching")
    # The server may still know the deployments of a home that was served before.
    homes = {"home": str(served.root)}

    def count_of_this_home() -> int:
        found = call_server(served.api_url or "", "/deployments/filter", {})
        return sum(one["parameters"] == homes for one in found)

    wait_until(lambda: count_of_this_home() == 4, "four deployments of this home")
    deployment = call_server(served.api_url, "/deployments/name/nightly/nightly")
    assert deployment["schedules"][0]["schedule"]["cron"] == "0 3 * * *"
    assert deployment["concurrency_options"]["collision_strategy"] == "CANCEL_NEW"
    assert call_server(served.api_url, "/deployments/name/drop/drop")["parameters"] == homes
    write_csv(served.inbox / "![strap](x)<b>.csv")
    wait_until(lambda: served.has("SELECT count(*) FROM files", 1), "the dropped file")
    run = call_server(served.api_url, f"/deployments/{deployment['id']}/create_flow_run", {})
    ended = {"COMPLETED", "FAILED", "CRASHED", "CANCELLED"}

    def state() -> str:
        return str(call_server(served.api_url or "", f"/flow_runs/{run['id']}")["state"]["type"])

    wait_until(lambda: state() in ended, "the nightly run ends", 120)
    assert state() == "COMPLETED"
    assert len(list((served.root / "backups").glob("store-*.duckdb"))) == 1
    # The drop left its tables on the server's pages.
    tables = call_server(served.api_url, "/artifacts/filter", {})
    assert {"coworn-drop-files", "coworn-drop-results"} <= {one["key"] for one in tables}
    # The pages take each cell for Markdown: a name must be no picture from elsewhere. The server
    # also knows the drops of the tests before.
    told = [json.loads(one["data"]) for one in tables if one["key"] == "coworn-drop-files"]
    names = [row["file"] for rows in told for row in rows]
    assert [name for name in names if "(x)" in name] == [r"\!\[strap\](x)\<b\>.csv"]
    process.send_signal(signal.SIGTERM)
    assert process.wait(timeout=60) == 0


def test_prefect_deploys_the_nightly_flow(served: Place, tmp_path: Path) -> None:
    assert served.api_url is not None
    environment = clean_environment(
        PREFECT_HOME=str(tmp_path / "prefect"),
        PREFECT_API_URL=served.api_url,
        DO_NOT_TRACK="1",
        COWORN_HOME=str(served.root),
        TZ="Europe/Oslo",
    )
    served.configure('[time]\nnightly_at = "04:30"\n')

    def prefect(*words: str) -> str:
        done = subprocess.run(
            [sys.executable, "-m", "prefect", "--no-prompt", *words],
            capture_output=True,
            text=True,
            check=False,
            cwd=ROOT,
            env=environment,
            timeout=120,
        )
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    prefect("work-pool", "create", "coworn", "--type", "process")
    file = ROOT / "config" / "prefect.yaml"
    prefect("deploy", "--all", "--prefect-file", str(file))
    made = {one["name"]: one for one in call_server(served.api_url, "/deployments/filter", {})}
    assert {"every-night", "inbox", "from-originals", "from-backup"} <= set(made)
    night = made["every-night"]
    assert night["schedules"][0]["schedule"]["cron"] == "30 4 * * *"
    assert night["schedules"][0]["schedule"]["timezone"] == "Europe/Oslo"
    assert night["parameters"] == {"home": str(served.root)}
    assert night["pull_steps"][0]["prefect.deployments.steps.set_working_directory"] == {
        "directory": str(ROOT)
    }
    # A worker does a night; the clock of a schedule that comes later finds it done.
    call_server(served.api_url, f"/deployments/{night['id']}/create_flow_run", {})
    prefect("worker", "start", "--pool", "coworn", "--run-once", "--limit", "1")
    assert len(list((served.root / "backups").glob("store-*.duckdb"))) == 1
    prefect("automation", "create", "--from-file", str(ROOT / "config" / "automations.yaml"))
    told = {one["name"] for one in call_server(served.api_url, "/automations/filter", {})}
    assert {
        "coworn - a file was refused",
        "coworn - an answer changed",
        "coworn - no night for a day",
    } <= told


def list_listening(pid: int) -> set[str]:
    """Return addresses on which the process `pid` and its children listen, as the kernel writes.

    An address of the loopback interface is 0100007F.
    """
    sockets = {}
    for table in ("tcp", "tcp6"):
        for line in Path(f"/proc/net/{table}").read_text().splitlines()[1:]:
            words = line.split()
            if words[3] == "0A":
                sockets[f"socket:[{words[9]}]"] = words[1].partition(":")[0]
    found = set()
    waiting = [pid]
    while waiting:
        place = Path(f"/proc/{waiting.pop()}")
        with contextlib.suppress(OSError):  # it has just ended
            for task in (place / "task").iterdir():
                waiting += map(int, (task / "children").read_text().split())
            for descriptor in (place / "fd").iterdir():
                with contextlib.suppress(OSError):
                    found.add(sockets.get(str(descriptor.readlink()), ""))
    return found - {""}


def test_a_backfill_runs_on_dask_on_the_loopback_interface(served: Place, tmp_path: Path) -> None:
    served.configure('[run]\nbackfill_files = 2\nbatch_files = 1\nrunner = "dask"\nworkers = 1\n')
    for number in range(2):
        write_csv(tmp_path / "all" / f"strap-{number}.csv", above_bpm=float(number))
    shared = tmp_path / "shared"
    shared.mkdir()
    words = [sys.executable, "-m", "flows.cli", "ingest", str(tmp_path / "all")]
    process = subprocess.Popen(
        [*words, "--home", str(served.root)],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        cwd=ROOT,
        env=served.environment(TMPDIR=str(shared)),
    )
    listening: set[str] = set()

    def has_ended() -> bool:
        listening.update(list_listening(process.pid))
        return process.poll() is not None

    try:
        wait_until(has_ended, "the backfill has ended", 300)
    finally:
        process.kill()
        output, _ = process.communicate()
    assert process.returncode == 0, output
    assert served.ask("SELECT count(*) FROM recordings") == [(2,)]
    assert listening == {"0100007F"}, "scheduler and workers listen, on 127.0.0.1 only"
    assert not (shared / "dask-scratch-space").exists(), "nothing is laid down where others write"
