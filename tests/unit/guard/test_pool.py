"""Reading processes: what comes through the pipe, who gets which, and what they live through."""

from __future__ import annotations

import logging
import os
import signal
import subprocess
import sys
import threading
import time
from typing import TYPE_CHECKING, Any

import pytest

from flows.inbox import is_whole
from tasks import guard
from tasks.core.errors import (
    CowornError,
    ExportRefusedError,
    NotesError,
    SettingsError,
    StoreBusyError,
    UnknownLayoutError,
    UsageError,
)
from tasks.core.recording import ExportFile
from tasks.core.registers import ReadOptions
from tasks.guard import memory
from tasks.guard.clean import read_clean
from tasks.guard.memory import measure_memory
from tasks.guard.process import CallEndedError, Pool, ReadingProcessError
from tests.benchmarks.damaged_files import REPOSITORY
from tests.faults.bad_readers import (
    Unpicklable,
    eat_on,
    eat_unlimited,
    raise_again,
    raise_unpicklable,
    write_bad_export,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

GOOD_GPX = REPOSITORY / "tests" / "contract" / "files" / "gpx" / "good.gpx"
#: Uses a pool before and after a fork, in both processes; prints the ids of their readers.
FORK = """
import os, sys
from tasks.guard.process import Pool

pool = Pool()
call = lambda: pool.call(os.getpid, longest_s=60.0, most_memory_mb=500.0)
before = call()
forked = os.fork()
own = call()
if forked == 0:
    sys.stdout.write(f"child {own != before}\\n")
    sys.stdout.flush()
    pool.end()
    os._exit(0)
assert os.waitpid(forked, 0)[1] == 0
print("parent", own == before == call())
"""


@pytest.fixture
def pool() -> Iterator[Pool]:
    made = Pool(("tests.faults.registered_bad_readers",))
    yield made
    made.end()


@pytest.fixture(scope="module")
def kept_pool() -> Iterator[Pool]:
    """A pool for calls after which its process goes on as before."""
    made = Pool(("tests.faults.registered_bad_readers",))
    yield made
    made.end()


def call(
    pool: Pool, function: Callable[..., Any], *arguments: object, longest_s: float = 60.0
) -> Any:  # noqa: ANN401 - whatever the function gives
    return pool.call(function, *arguments, longest_s=longest_s, most_memory_mb=500.0)


def list_errors() -> list[CowornError]:
    kinds = [ExportRefusedError]
    for kind in kinds:
        kinds += kind.__subclasses__()
    errors: list[CowornError] = [
        kind("run.fit", found="what was found", remedy="what to do") for kind in kinds
    ]
    return [
        *errors,
        UnknownLayoutError("run.csv", found="odd", remedy="describe it", proposal="a = 1"),
        NotesError("run.notes.toml", line=3, found="odd", remedy="mend it"),
        SettingsError("coworn.toml", line=3, found="odd", remedy="mend it"),
        UsageError("nothing was done"),
        StoreBusyError("held"),
    ]


@pytest.mark.parametrize("error", list_errors(), ids=lambda error: type(error).__name__)
def test_every_error_of_ours_comes_through_whole(kept_pool: Pool, error: CowornError) -> None:
    with pytest.raises(CowornError) as raised:
        call(kept_pool, raise_again, error)
    assert raised.type is type(error)
    assert str(raised.value) == str(error)
    assert vars(raised.value) == vars(error)


def test_an_error_of_the_disk_keeps_its_number(kept_pool: Pool, tmp_path: Path) -> None:
    gone = ExportFile(tmp_path / "gone.fit", "gone.fit")
    with pytest.raises(FileNotFoundError) as raised:
        call(kept_pool, read_clean, gone, ReadOptions())
    assert raised.value.filename == str(gone.path)


def test_recordings_are_those_of_reading_here(kept_pool: Pool) -> None:
    export = ExportFile(GOOD_GPX, GOOD_GPX.name)
    assert call(kept_pool, read_clean, export, ReadOptions()) == read_clean(export, ReadOptions())


def test_arguments_that_do_not_arrive_are_told_at_once(kept_pool: Pool) -> None:
    with pytest.raises(CallEndedError, match="exit code 1"):
        call(kept_pool, raise_again, Unpicklable("there", "and back"), longest_s=600.0)


def test_an_error_that_cannot_come_through_comes_in_words(kept_pool: Pool) -> None:
    with pytest.raises(RuntimeError, match="Unpicklable: there"):
        call(kept_pool, raise_unpicklable)


def test_a_process_that_cannot_start_is_the_machines_trouble(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    pool = Pool(("no_such_module",))
    with pytest.raises(ReadingProcessError, match=r"does not start \(exit code 1\)"):
        call(pool, os.getpid)
    # The watcher looks at the file again.
    monkeypatch.setattr(guard, "POOL", pool)
    assert not is_whole(GOOD_GPX)


def test_one_process_reads_one_export_after_the_other(pool: Pool) -> None:
    first = call(pool, os.getpid)
    assert first != os.getpid()
    assert [call(pool, os.getpid) for _ in range(3)] == [first] * 3
    assert pool.pids == (first,)


def test_an_idle_process_imports_what_reading_needs(pool: Pool) -> None:
    give_up = time.monotonic() + 60.0
    while not call(pool, eval, "'pandas' in __import__('sys').modules"):
        assert time.monotonic() < give_up
        time.sleep(0.1)


def test_threads_that_read_at_once_have_a_process_each(pool: Pool) -> None:
    pids: list[int] = []
    # Neither call comes back before both have begun.
    parties = threading.Barrier(2)

    def read() -> None:
        parties.wait()
        call(pool, time.sleep, 0.5)
        pids.append(call(pool, os.getpid))

    threads = [threading.Thread(target=read) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(pids) == 2
    assert len(pool.pids) == 2


def test_what_a_library_prints_garbles_no_answer_and_what_it_logs_comes_over(
    pool: Pool, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    path = write_bad_export(tmp_path / "one.bad", "chat", mark=tmp_path / "mark")
    with pytest.raises(ExportRefusedError, match="a bad reader's end"):
        call(pool, read_clean, ExportFile(path, path.name), ReadOptions())
    assert ("tests.chat", logging.WARNING, "said while reading") in caplog.record_tuples


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_signals_to_everybody_leave_the_reading_process(pool: Pool, number: int) -> None:
    pid = call(pool, os.getpid)
    os.kill(pid, number)
    assert call(pool, os.getpid) == pid


def test_a_process_that_died_while_idle_is_replaced(pool: Pool) -> None:
    pid = call(pool, os.getpid)
    os.kill(pid, signal.SIGKILL)
    assert call(pool, os.getpid) != pid


def test_a_call_that_takes_too_long_ends_its_process_only(pool: Pool) -> None:
    pid = call(pool, os.getpid)
    with pytest.raises(CallEndedError) as raised:
        call(pool, time.sleep, 600.0, longest_s=0.2)
    assert raised.value.is_too_long
    assert call(pool, os.getpid) != pid


def test_a_call_that_holds_all_its_memory_and_goes_on_is_ended(pool: Pool) -> None:
    with pytest.raises(CallEndedError) as raised:
        call(pool, eat_on, longest_s=50.0)
    assert raised.value.is_out_of_memory


@pytest.mark.parametrize("names", [memory._PRIVATE, ()])
def test_memory_is_watched_from_outside_where_the_system_keeps_no_limit(
    pool: Pool, monkeypatch: pytest.MonkeyPatch, names: tuple[str, ...]
) -> None:
    # Without a name for private memory, as on macOS, what is resident counts.
    monkeypatch.setattr(memory, "_PRIVATE", names)
    with pytest.raises(CallEndedError) as raised:
        pool.call(eat_unlimited, longest_s=60.0, most_memory_mb=200.0)
    assert raised.value.is_out_of_memory


@pytest.mark.parametrize("names", [memory._PRIVATE, ()])
def test_memory_that_is_used_is_seen(
    monkeypatch: pytest.MonkeyPatch, names: tuple[str, ...]
) -> None:
    monkeypatch.setattr(memory, "_PRIVATE", names)
    less = measure_memory(os.getpid())
    used = b"1" * 100_000_000
    more = measure_memory(os.getpid())
    assert less is not None
    assert more is not None
    # The parts that an allocator had free already; pages and caches.
    assert more - less == pytest.approx(len(used), rel=0.1)


def test_of_a_process_that_is_gone_no_memory_is_known() -> None:
    with subprocess.Popen([sys.executable, "-c", ""]) as ended:
        ended.wait()
    assert measure_memory(ended.pid) is None


def test_an_ended_pool_leaves_no_process(pool: Pool) -> None:
    pid = call(pool, os.getpid)
    pool.end()
    assert pool.pids == ()
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)


def test_a_forked_process_has_readers_of_its_own() -> None:
    ended = subprocess.run(
        [sys.executable, "-c", FORK],
        cwd=REPOSITORY,
        capture_output=True,
        text=True,
        check=True,
        timeout=120,
    )
    assert sorted(ended.stdout.splitlines()) == ["child True", "parent True"]
