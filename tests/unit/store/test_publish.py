"""Publishing: versioned copies, one link, nobody who reads is disturbed."""

from __future__ import annotations

import os
import subprocess
import sys
from typing import TYPE_CHECKING

import duckdb
import pytest

from config.home import Home
from tasks.core.errors import StoreBusyError
from tasks.store import find_published, open_store, publish, read_store, replace_rows
from tasks.store.publish import is_in_use
from tests.unit.store.rows import make_devices, measure

if TYPE_CHECKING:
    from pathlib import Path

    from config.settings import Settings


def keep(settings: Settings, n: int) -> Settings:
    return settings.model_copy(
        update={"store": settings.store.model_copy(update={"keep_published": n})}
    )


def publish_change(home: Home, settings: Settings, number: int) -> Path:
    with open_store(home) as connection:
        replace_rows(connection, "devices", make_devices("alder", name=f"name {number}"))
    return publish(home, settings).path


def read_name(path: Path) -> str:
    with duckdb.connect(str(path), read_only=True) as connection:
        return str(connection.execute("SELECT name FROM devices").fetchall()[0][0])


def test_the_published_copy_holds_what_the_store_holds(home: Home, settings: Settings) -> None:
    measure(home)
    publish(home, settings)
    with read_store(home) as connection:
        wanted = connection.execute("FROM results").fetchall()
    with duckdb.connect(str(home.results), read_only=True) as connection:
        assert connection.execute("FROM results").fetchall() == wanted
        tables = connection.execute("SELECT table_name FROM duckdb_tables()").fetchall()
    assert len(wanted) == 2
    assert ("store_facts",) not in tables


def test_the_link_is_relative_so_that_a_home_can_be_moved(
    home: Home, settings: Settings, tmp_path: Path
) -> None:
    publish(home, settings)
    assert home.results.is_symlink()
    assert not home.results.readlink().is_absolute()
    moved = Home(home.root.rename(tmp_path / "elsewhere"))
    with duckdb.connect(str(moved.results), read_only=True) as connection:
        assert connection.execute("SELECT count(*) FROM results").fetchall() == [(0,)]


def test_publishing_again_without_a_change_makes_no_copy(home: Home, settings: Settings) -> None:
    measure(home)
    first = publish(home, settings)
    second = publish(home, settings)
    assert (first.is_new, second.is_new) == (True, False)
    assert first.path == second.path == find_published(home)
    assert list(home.published.iterdir()) == [first.path]


def test_a_change_of_one_value_makes_a_copy(home: Home, settings: Settings) -> None:
    first = publish_change(home, settings, 1)
    second = publish_change(home, settings, 2)
    assert first != second
    assert (read_name(first), read_name(home.results)) == ("name 1", "name 2")


def test_a_lost_copy_or_link_is_made_again(home: Home, settings: Settings) -> None:
    first = publish_change(home, settings, 1)
    first.unlink()
    assert publish(home, settings).is_new
    home.results.unlink()
    assert publish(home, settings).is_new
    assert read_name(home.results) == "name 1"


def test_the_newest_copies_are_kept(home: Home, settings: Settings) -> None:
    copies = [publish_change(home, keep(settings, 3), number) for number in range(5)]
    assert sorted(home.published.iterdir()) == copies[2:]
    assert [path.name[8:14] for path in copies] == [f"00000{n}" for n in range(1, 6)]


def test_the_copy_that_the_link_points_to_is_never_removed(home: Home, settings: Settings) -> None:
    for number in range(3):
        newest = publish_change(home, keep(settings, 1), number)
    assert list(home.published.iterdir()) == [newest]
    assert find_published(home) == newest


def test_a_copy_that_somebody_has_written_in_is_kept(home: Home, settings: Settings) -> None:
    few = keep(settings, 1)
    first = publish_change(home, few, 1)
    log = first.with_name(first.name + ".wal")
    log.write_bytes(b"")
    publish_change(home, few, 2)
    publish_change(home, few, 3)
    assert first.exists()
    log.unlink()
    publish_change(home, few, 4)
    assert not first.exists()


HOLDER = """
import sys, duckdb
connection = duckdb.connect(sys.argv[1], read_only=sys.argv[2] == "read")
if sys.argv[2] != "read":
    connection.execute("CREATE TABLE mine AS SELECT 1 AS one")
print("open", flush=True)
sys.stdin.read()
if sys.argv[2] != "read":
    connection.execute("INSERT INTO mine VALUES (2)")
print(connection.execute("SELECT name FROM devices").fetchall()[0][0], flush=True)
"""


@pytest.mark.parametrize("mode", ["read", "write"])
def test_a_shell_that_stays_open_blocks_nobody_and_loses_nothing(
    home: Home, settings: Settings, mode: str
) -> None:
    few = keep(settings, 1)
    first = publish_change(home, few, 0)
    with subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(home.results), mode],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as shell:
        assert shell.stdin is not None
        assert shell.stdout is not None
        assert shell.stdout.readline() == "open\n"
        for number in range(1, 4):
            publish_change(home, few, number)
        assert first.exists(), "somebody has it open"
        assert read_name(home.results) == "name 3"
        shell.stdin.close()
        assert shell.stdout.readline() == "name 0\n", "an open copy does not change"
    assert shell.returncode == 0
    if mode == "write":
        with duckdb.connect(str(first), read_only=True) as connection:
            assert connection.execute("FROM mine ORDER BY 1").fetchall() == [(1,), (2,)]
    publish_change(home, few, 4)
    assert not first.exists()


def test_a_copy_is_in_use_only_while_somebody_has_it(home: Home, settings: Settings) -> None:
    copy = publish_change(home, settings, 1)
    assert not is_in_use(copy)
    with subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(copy), "read"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as shell:
        assert shell.stdout is not None
        shell.stdout.readline()
        assert is_in_use(copy)
        shell.communicate("")
    assert not is_in_use(copy)


def test_a_file_in_the_links_place_is_kept(home: Home, settings: Settings) -> None:
    home.results.write_bytes(b"somebody's own")
    publish(home, settings)
    assert home.results.is_symlink()
    kept = list(home.root.glob("results-kept-*.duckdb"))
    assert [path.read_bytes() for path in kept] == [b"somebody's own"]


def test_left_overs_of_a_killed_run_are_swept(home: Home, settings: Settings) -> None:
    for name in (".results-x.building", ".results-x.building.wal"):
        (home.published / name).write_bytes(b"half")
    copy = publish(home, settings).path
    assert list(home.published.iterdir()) == [copy]


def test_only_the_owner_can_read_a_copy(home: Home, settings: Settings) -> None:
    assert publish(home, settings).path.stat().st_mode & 0o777 == 0o600


def test_a_copy_is_written_in_the_older_storage_that_the_command_line_reads(
    home: Home, settings: Settings
) -> None:
    # The number that follows "DUCK" in the header: 64 is what DuckDB 0.9 to 1.5 all read, 2.0
    # writes 69 by default. Source: duckdb.org, "Storage Versions and Format"; 69 was measured.
    copy = publish(home, settings).path
    with copy.open("rb") as file:
        header = file.read(20)
    assert header[8:12] == b"DUCK"
    assert int.from_bytes(header[12:20], "little") <= 68


STORE_HOLDER = """
import sys, duckdb
connection = duckdb.connect(sys.argv[1])
print("open", flush=True)
sys.stdin.read()
"""


def test_a_held_store_is_said_to_be_held_and_by_whom(home: Home, settings: Settings) -> None:
    measure(home)
    with subprocess.Popen(
        [sys.executable, "-c", STORE_HOLDER, str(home.store)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as holder:
        assert holder.stdout is not None
        holder.stdout.readline()
        for attempt in (
            lambda: publish(home, settings, wait_s=0.1),
            lambda: open_store(home, wait_s=0.1).__enter__(),
            lambda: read_store(home, wait_s=0.1).__enter__(),
        ):
            with pytest.raises(StoreBusyError) as caught:
                attempt()
            said = str(caught.value)
            assert f"process {holder.pid}" in said
            assert "store.duckdb is held by" in said
            assert os.linesep not in said
        holder.communicate("")
    assert publish(home, settings).is_new


def test_nesting_in_one_thread_is_an_error_and_no_deadlock(home: Home) -> None:
    with (
        open_store(home),
        pytest.raises(StoreBusyError, match="another part of this program"),
        read_store(home, wait_s=0.1),
    ):
        pass


def test_a_link_in_the_making_of_a_killed_run_is_swept(home: Home, settings: Settings) -> None:
    left = home.root / ".results-0123456789abcdef.link"
    left.symlink_to("published/results-000001-0123456789ab.duckdb")
    publish_change(home, settings, 1)
    assert not left.is_symlink()
    assert home.results.is_symlink()
