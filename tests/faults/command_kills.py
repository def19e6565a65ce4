"""Kills the real commands with SIGKILL, again and again, and looks at what they leave.

Run as `python -m tests.faults.command_kills --kills 40`. Each home gets the same drop in its
inbox, and `ingest` gets it from elsewhere as well; `ingest`, `watch`, `nightly`, `report` and
`rebuild`, drawn from a seeded generator, work on it, `watch` with its embedded server, until they
are killed: half of them a drawn time after a stage was seen to begin, the others right before a
drawn change to a file. Only the command itself gets the signal. After every kill nothing may be
lost or half done (`crash.list_broken`) and whatever the command had started must end by itself; at
the end the home must say the same as one in which nothing was ever killed.
"""

from __future__ import annotations

import logging
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from tests.faults import crash
from tests.faults.tally import Tally, kill_homes, run_program

if TYPE_CHECKING:
    from collections import Counter
    from collections.abc import Callable

    from config.home import Home

LOG: Final = logging.getLogger(__name__)
ROOT: Final = Path(__file__).resolve().parents[2]
#: Commands, and how often each is drawn.
COMMANDS: Final = {"ingest": 3, "watch": 3, "nightly": 2, "report": 4, "rebuild": 4}
#: Stages of a command, seen from outside in what has changed in the home.
STAGES: Final = ("start", "archive", "lake", "store", "publish", "report", "backup")
_DROP_STAGES: Final = ("start", "archive", "lake", "store", "publish", "report")
#: Stages that a command goes through when it finds something to do.
STAGES_OF: Final = {
    "ingest": _DROP_STAGES,
    "watch": _DROP_STAGES,
    "nightly": STAGES,
    "report": ("start", "report"),
    "rebuild": ("start", "lake", "store", "publish", "report", "backup"),
}
SETTINGS: Final = (
    "[inbox]\nquiet_s = 0.3\ngroup_s = 1.0\nrescan_s = 3.0\npatience_s = 3.0\n"
    # As many figures as ever, but small ones: drawing large ones takes twice as long.
    "[report]\nfigure_wide_px = 300\nfigure_square_px = 300\n"
)
#: Nothing takes so long, also on a machine under load [s].
DEADLINE_S: Final = 300.0
#: Time in which what a killed command had started must have ended [s].
ORPHANS_DEADLINE_S: Final = 30.0
#: Left-overs are made as old as this, so that the night may sweep them [s].
OLD_S: Final = 48 * 3600.0
_LOOK_S: Final = 0.005

#: A command, and the stage that it was in.
Where = tuple[str, str]


@dataclass(frozen=True)
class Life:
    """One command: how it ended, the last stage that was seen, its changes (where counted)."""

    command: str
    code: int
    stage: str
    n_changes: int
    said: str

    @property
    def was_killed(self) -> bool:
        return self.code == -signal.SIGKILL


def look_at(home: Home) -> dict[str, object]:
    """Return for each stage something that changes when it begins to work."""

    def count(folder: Path, pattern: str) -> int:
        return sum(1 for _ in folder.glob(pattern))

    def stamp(path: Path) -> int:
        try:
            return path.stat().st_mtime_ns
        except OSError:
            return 0

    return {
        "archive": count(home.originals, "*/*"),
        "lake": (count(home.lake, "*/*"), count(home.state, "rebuild/lake/*/*")),
        "store": stamp(home.store) + stamp(home.store.with_name(home.store.name + ".wal")),
        "publish": count(home.published, "*"),
        "report": (count(home.report, "*"), stamp(home.report / "index.html")),
        "backup": count(home.backups, "*"),
    }


def list_processes(home: Home) -> list[int]:
    """Return the processes that work for `home`: its Prefect folder stands in their environment."""
    mark = f"PREFECT_HOME={home.prefect}\0".encode()
    found = []
    for path in Path("/proc").glob("[0-9]*"):
        try:
            if mark in (path / "environ").read_bytes() and _is_running(path):
                found.append(int(path.name))
        except OSError:
            continue
    return found


def _is_running(path: Path) -> bool:
    return (path / "stat").read_text().rpartition(")")[2].split()[0] not in {"Z", "X"}


def wait_for(is_so: Callable[[], bool], deadline_s: float) -> bool:
    """Look again and again until `is_so`; return whether it came."""
    give_up = time.monotonic() + deadline_s
    while not is_so():
        if time.monotonic() > give_up:
            return False
        time.sleep(_LOOK_S * 10)
    return True


def make_home(root: Path, drop: Path) -> Home:
    """Make a home with the drop in its inbox."""
    home = crash.make_home(root)
    home.settings.write_text(SETTINGS)
    shutil.copytree(drop, home.inbox, dirs_exist_ok=True)
    return home


def live(
    home: Home,
    command: str,
    drop: Path,
    *,
    kill_at: int | None = None,
    kill_in: str | None = None,
    delay_s: float = 0.0,
) -> Life:
    """Let one command live: to its end, to change `kill_at`, or `delay_s` into stage `kill_in`.

    The watcher is asked to end as soon as the inbox is empty.
    """
    words = [command, *([str(drop)] if command == "ingest" else [])]
    if kill_at is None:
        call = ["-m", "flows.cli", *words, "--home", str(home.root)]
    else:
        call = ["-m", "tests.faults.changes", str(kill_at), str(home.root), *words]
    log = home.root.with_name(f"{home.root.name}.log")
    before, stage, due_s = look_at(home), "start", None
    with log.open("w") as file:
        process = subprocess.Popen(
            [sys.executable, *call], cwd=ROOT, stdout=file, stderr=file, env=make_environment()
        )
    begun = time.monotonic()
    is_asked = False
    while process.poll() is None:
        now = time.monotonic()
        if now - begun > DEADLINE_S:
            process.kill()
            raise TimeoutError(f"{command} did not end: {log.read_text()}")
        seen = {one: now for one, value in look_at(home).items() if value != before[one]}
        stage = next((one for one in reversed(STAGES) if one in seen), stage)
        if due_s is None and kill_in is not None and (kill_in == "start" or kill_in in seen):
            due_s = now + delay_s
        if due_s is not None and now >= due_s:
            process.kill()
        if command == "watch" and not is_asked and _is_watch_done(home, log):
            process.send_signal(signal.SIGTERM)
            is_asked = True
        time.sleep(_LOOK_S)
    said = log.read_text()
    counted = said.rpartition("changes ")[2].strip() if "changes " in said else ""
    return Life(command, process.returncode, stage, int(counted) if counted.isdigit() else 0, said)


def make_environment() -> dict[str, str]:
    """Return the environment of a person who has never heard of Prefect."""
    kept = {
        name: value
        for name, value in os.environ.items()
        if not name.startswith(("PREFECT_", "COWORN_", "DO_NOT_TRACK"))
    }
    return {**kept, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"}


def _is_watch_done(home: Home, log: Path) -> bool:
    """Say whether the watcher has begun, and has taken all there is."""
    is_empty = not any(path.is_file() for path in home.inbox.iterdir())
    return is_empty and "watching" in log.read_text()


def judge(home: Home, life: Life, exports: dict[str, bytes]) -> list[str]:
    """Return what is wrong after a life, one line each."""
    found = []
    if not life.was_killed:
        # The drop holds a damaged file: what names it ends with 1.
        fine = {0} if life.command in {"watch", "report"} else {0, 1}
        if life.code not in fine or "Traceback" in life.said or "unexpected" in life.said:
            found.append(f"it failed by itself ({life.code}): {life.said[-300:]}")
    if not wait_for(lambda: not list_processes(home), ORPHANS_DEADLINE_S):
        orphans = list_processes(home)
        found.append(f"{len(orphans)} processes of it go on: {_describe(orphans)}")
        for orphan in orphans:
            os.kill(orphan, signal.SIGKILL)
    return [*found, *crash.list_broken(home, exports)]


def _describe(processes: list[int]) -> str:
    return "; ".join(
        Path(f"/proc/{one}/cmdline").read_bytes().replace(b"\0", b" ").decode()[-120:]
        for one in processes
        if Path(f"/proc/{one}/cmdline").exists()
    )


class Undisturbed:
    """What a home says in which nothing was killed, and the number of changes of each command.

    A command is run to count them when it is first drawn: a short run draws few.
    """

    def __init__(self, drop: Path, root: Path, exports: dict[str, bytes]) -> None:
        """Run a night, which does all that there is to do."""
        self._drop = drop
        self._exports = exports
        self._home = make_home(root, drop)
        self._n_changes = {"nightly": self._run("nightly", self._home)}
        self.contents = crash.read_contents(self._home)

    def count_changes(self, command: str) -> int:
        """Return how many changes `command` makes when it finds something to do."""
        if command not in self._n_changes:
            self._n_changes[command] = self._count(command)
        return self._n_changes[command]

    def _count(self, command: str) -> int:
        if command in {"report", "rebuild"}:
            shutil.rmtree(self._home.report)
            return self._run(command, self._home)
        home = make_home(self._home.root.with_name(f"undisturbed-{command}"), self._drop)
        n_changes = self._run(command, home)
        shutil.rmtree(home.root)
        return n_changes

    def _run(self, command: str, home: Home) -> int:
        life = live(home, command, self._drop, kill_at=0)
        if wrong := judge(home, life, self._exports):
            raise RuntimeError(f"undisturbed {command}: {'; '.join(wrong)}")
        return life.n_changes


def draw_command(home: Home, chance: random.Random) -> str:
    """Draw a command that there is something to do for."""
    is_waiting = any(path.is_file() for path in home.inbox.iterdir())
    idle = {"watch"} if not is_waiting else set()
    if not home.results.exists():
        idle |= {"report", "rebuild"}
    elif is_waiting:
        # Measured again in a rebuild and then with what comes late: twice, and rightly so.
        idle.add("rebuild")
    weights = {command: weight for command, weight in COMMANDS.items() if command not in idle}
    return chance.choices(list(weights), list(weights.values()))[0]


def kill_one_home(
    drop: Path,
    root: Path,
    *,
    expected: Undisturbed,
    exports: dict[str, bytes],
    chance: random.Random,
    tally: Tally[Where],
    most_kills: int,
) -> None:
    """Kill one home's commands up to `most_kills` times, then let them end and compare."""
    home = make_home(root, drop)
    for _ in range(chance.randint(1, most_kills)):
        command = draw_command(home, chance)
        if command == "report":
            # Pages that are as they should be are not written again.
            shutil.rmtree(home.report, ignore_errors=True)
        if chance.random() < 0.5:
            most = max(1, expected.count_changes(command))
            life = live(home, command, drop, kill_at=chance.randint(1, most))
        else:
            stage, delay_s = chance.choice(STAGES_OF[command]), chance.uniform(0.0, 1.5)
            life = live(home, command, drop, kill_in=stage, delay_s=delay_s)
        if life.was_killed:
            tally.kills[(command, life.stage)] += 1
        where = f"{root.name}: {command} in {life.stage}"
        tally.broken += [f"{where}: {line}" for line in judge(home, life, exports)]
        LOG.info("%s ended with %d in %s", command, life.code, life.stage)
    age(home)
    for command in ("nightly", "report"):
        life = live(home, command, drop)
        tally.broken += [
            f"{root.name} at the end, {command}: {line}" for line in judge(home, life, exports)
        ]
    found = [
        *crash.list_differences(crash.read_contents(home), expected.contents),
        *(f"left behind: {name}" for name in crash.list_leftovers(home)),
        *(f"left in the inbox: {path.name}" for path in home.inbox.iterdir()),
    ]
    tally.broken += [f"{root.name} at the end: {line}" for line in found]


def age(home: Home) -> None:
    """Make what killed commands left in the making as old as a sweep wants it."""
    then = time.time() - OLD_S
    for name in crash.list_leftovers(home):
        os.utime(home.root / name, (then, then), follow_symlinks=False)


def kill_many(folder: Path, *, n_kills: int, seed: int) -> Tally[Where]:
    """Kill until `n_kills` were counted; return the tally."""
    chance = random.Random(seed)  # noqa: S311 - moments, not secrets
    drop = folder / "drop"
    exports = crash.write_exports(drop)
    expected = Undisturbed(drop, folder / "undisturbed", exports)

    def kill(root: Path, tally: Tally[Where], most_kills: int) -> None:
        kill_one_home(
            drop,
            root,
            expected=expected,
            exports=exports,
            chance=chance,
            tally=tally,
            most_kills=most_kills,
        )

    return kill_homes(kill, folder, n_kills=n_kills)


def show_kills(kills: Counter[Where]) -> list[str]:
    """Return a table, a line for each command."""
    return [
        f"{'':10}" + "".join(f"{stage:>9}" for stage in STAGES),
        *(
            f"{command:10}" + "".join(f"{kills[(command, stage)]:9}" for stage in STAGES)
            for command in COMMANDS
        ),
    ]


if __name__ == "__main__":
    sys.exit(run_program(kill_many, show_kills, description=__doc__, n_kills=40))
