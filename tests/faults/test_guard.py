"""What a reader can do to its process stays there: hangs, memory without end, sudden death."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from typing import TYPE_CHECKING

import pytest

from config.home import Home
from config.settings import Settings, load_settings
from tasks import guard
from tasks.archive.originals import find_original
from tasks.guard.process import Pool
from tasks.ingest.exports import Dropped, ingest_batch
from tests.benchmarks.damaged_files import REPOSITORY
from tests.faults.bad_readers import write_bad_export

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

MOST_MB = 300.0
DEADLINE_S = 60.0
CSV = "time,heart_rate\n" + "".join(
    f"2026-05-02T06:00:{second:02d}Z,{100 + second}\n" for second in range(60)
)
#: Takes in argument 1, as the product does; 130 when it was interrupted.
INGEST = """
import signal
import sys
from pathlib import Path
from config.home import Home
from config.settings import load_settings
from tasks import guard
from tasks.guard.process import Pool
from tasks.ingest.exports import Dropped, ingest_file

# A shell that starts something in the background has it ignore Ctrl-C.
signal.signal(signal.SIGINT, signal.default_int_handler)
path = Path(sys.argv[1])
guard.POOL = Pool(("tests.faults.registered_bad_readers",))
settings = load_settings()
read = settings.read.model_copy(update={"longest_s": float(sys.argv[2])})
try:
    ingest_file(
        Dropped(path, path.name),
        home=Home(path.parent.parent),
        settings=settings.model_copy(update={"read": read}),
        move=True,
    )
except KeyboardInterrupt:
    sys.exit(130)
"""


@pytest.fixture
def home(tmp_path: Path) -> Home:
    made = Home(tmp_path / "home")
    made.create()
    return made


def limit(longest_s: float) -> Settings:
    settings = load_settings()
    limits = {"longest_s": longest_s, "most_memory_mb": MOST_MB}
    return settings.model_copy(update={"read": settings.read.model_copy(update=limits)})


@pytest.fixture
def pool(monkeypatch: pytest.MonkeyPatch) -> Iterator[Pool]:
    made = Pool(("tests.faults.registered_bad_readers",))
    monkeypatch.setattr(guard, "POOL", made)
    yield made
    made.end()


def is_running(pid: int) -> bool:
    """Say whether a process runs; one that waits to be counted by its parent does not."""
    found = subprocess.run(
        ["ps", "-o", "stat=", "-p", str(pid)],  # noqa: S607 - the system's own
        capture_output=True,
        text=True,
        check=False,
    )
    return bool(found.stdout.strip()) and not found.stdout.startswith("Z")


def wait_until(is_so: Callable[[], bool], what: str) -> None:
    give_up = time.monotonic() + DEADLINE_S
    while not is_so():
        assert time.monotonic() < give_up, f"not within {DEADLINE_S} s: {what}"
        time.sleep(0.05)


@pytest.mark.usefixtures("pool")
@pytest.mark.parametrize(
    ("does", "longest_s", "reason"),
    [
        ("loop", 1.0, "reading it was stopped after 1 s; if it is that long, raise read.longest_s"),
        ("hold", 1.0, "reading it was stopped after 1 s; if it is that long, raise read.longest_s"),
        ("eat", 60.0, "reading it needs more than 300 MB of memory; if it is that large, raise"),
        ("abort", 60.0, "reading it ended the process that reads, twice (SIGABRT); export"),
        ("leave", 60.0, "reading it ended the process that reads, twice (exit code 3); export"),
    ],
)
def test_a_bad_reader_costs_its_own_export_only(
    home: Home, tmp_path: Path, does: str, longest_s: float, reason: str
) -> None:
    bad = write_bad_export(home.inbox / "one.bad", does, mark=tmp_path / "mark")
    content = bad.read_bytes()
    good = home.inbox / "two.csv"
    good.write_text(CSV)
    ((refused,),) = ingest_batch(
        [Dropped(bad, bad.name)], home=home, settings=limit(longest_s), move=True
    )
    # Under load, importing a library alone may take longer than some of these limits.
    ((stored,),) = ingest_batch(
        [Dropped(good, good.name)], home=home, settings=load_settings(), move=True
    )
    assert refused.status == "refused"
    assert refused.reason is not None
    assert refused.reason.startswith(reason)
    why = (home.refused / "one.bad.why.txt").read_text()
    assert why.strip() == f"one.bad: {refused.reason}"
    original = find_original(refused.file_id, home=home)
    assert original is not None
    assert original.read_bytes() == content
    assert (home.refused / "one.bad").read_bytes() == content
    assert stored.status == "stored"
    assert not any(home.inbox.iterdir())


@pytest.mark.usefixtures("pool")
def test_a_process_ended_from_outside_refuses_nothing(home: Home, tmp_path: Path) -> None:
    bad = write_bad_export(home.inbox / "one.bad", "die-once", mark=tmp_path / "mark")
    ((outcome,),) = ingest_batch(
        [Dropped(bad, bad.name)], home=home, settings=limit(60.0), move=True
    )
    assert outcome.reason == "a bad reader's end; nothing"


def start_ingest(path: Path, longest_s: float) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-c", INGEST, str(path), str(longest_s)],
        cwd=REPOSITORY,
        start_new_session=True,
    )


@pytest.mark.parametrize(
    # What holds the interpreter sees no end of its stdin: the system's alarm ends it.
    ("does", "longest_s"),
    [("loop", 600.0), ("hold", 1.0)],
)
def test_no_reading_process_outlives_a_killed_parent(
    home: Home, tmp_path: Path, does: str, longest_s: float
) -> None:
    mark = tmp_path / "mark"
    bad = write_bad_export(home.inbox / "one.bad", does, mark=mark)
    parent = start_ingest(bad, longest_s)
    wait_until(lambda: mark.exists() and bool(mark.read_text()), "reading begins")
    reading = int(mark.read_text())
    parent.kill()
    parent.wait()
    wait_until(lambda: not is_running(reading), "the reading process ends")


def test_ctrl_c_ends_both_and_loses_nothing(home: Home, tmp_path: Path) -> None:
    mark = tmp_path / "mark"
    bad = write_bad_export(home.inbox / "one.bad", "loop", mark=mark)
    parent = start_ingest(bad, 600.0)
    wait_until(lambda: mark.exists() and bool(mark.read_text()), "reading begins")
    reading = int(mark.read_text())
    # A terminal sends it to every process of the group.
    os.killpg(parent.pid, signal.SIGINT)
    assert parent.wait(DEADLINE_S) == 130
    wait_until(lambda: not is_running(reading), "the reading process ends")
    assert bad.exists()
