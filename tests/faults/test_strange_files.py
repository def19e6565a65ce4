"""What people, browsers and sync tools do to an inbox, in front of a real watcher."""

from __future__ import annotations

import fcntl
import os
import socket
import unicodedata
from typing import TYPE_CHECKING

import pytest

from tests.faults.conftest import Watched, wait_for
from tests.pipeline.conftest import write_csv
from tests.simulate.fit_activity import make_run

if TYPE_CHECKING:
    from pathlib import Path

RUN = make_run(20).build()
OTHER_RUN = make_run(21).build()


def put(watched: Watched, name: str, data: bytes = RUN) -> Path:
    """Let a whole file appear in one step, as a move does."""
    aside = watched.home.root / "aside"
    aside.write_bytes(data)
    path = watched.inbox / name
    aside.rename(path)
    return path


def wait_for_marker(watched: Watched) -> None:
    """Wait until a file that came after everything else was taken."""
    write_csv(watched.home.root / "marker.csv", n_seconds=30)
    (watched.home.root / "marker.csv").rename(watched.inbox / "marker.csv")
    wait_for(lambda: "marker.csv" in watched.names(), "the marker is taken")


def test_a_copy_of_a_byte_at_a_time_is_taken_once_and_whole(watched: Watched) -> None:
    with (watched.inbox / "slow.fit").open("wb", buffering=0) as file:
        for number, byte in enumerate(RUN):
            file.write(bytes([byte]))
            if number % 200 == 150:
                # Quiet for longer than the quiet time, in the middle of the copy.
                wait_for_marker(watched)
                watched.outcomes = [one for one in watched.outcomes if one.name != "marker.csv"]
                (watched.inbox / "marker.csv").unlink(missing_ok=True)
            assert "slow.fit" not in watched.names()
    wait_for(lambda: "slow.fit" in watched.names(), "the slow copy is taken")
    assert [(one.name, one.status) for one in watched.outcomes] == [("slow.fit", "stored")]
    assert watched.read_archived("slow.fit") == RUN


def test_a_file_that_grows_after_it_looked_whole_is_taken_as_it_ends(watched: Watched) -> None:
    """A table is whole after each of its rows: what came too early is followed by the whole."""
    path = write_csv(watched.home.root / "aside.csv", n_seconds=60)
    first = path.read_bytes()
    whole = write_csv(watched.home.root / "aside.csv", n_seconds=90).read_bytes()
    (watched.inbox / "grows.csv").write_bytes(first)
    wait_for(lambda: "grows.csv" in watched.names(), "the first part is taken")
    (watched.inbox / "grows.csv").write_bytes(whole)
    wait_for(lambda: len(watched.outcomes) == 2, "the whole is taken")
    last = watched.outcomes[-1].file_id
    assert (watched.home.originals / last[:2] / f"{last}.csv").read_bytes() == whole


def test_a_table_that_its_writer_holds_open_is_taken_when_it_lets_go(watched: Watched) -> None:
    """A pause at a row's end looks whole; what is added must not go to a file without a name."""
    if not hasattr(fcntl, "F_SETLEASE"):
        pytest.skip("this system does not tell who writes")
    whole = write_csv(watched.home.root / "aside.csv", n_seconds=90).read_bytes()
    rows = whole.splitlines(keepends=True)
    with (watched.inbox / "held.csv").open("wb", buffering=0) as file:
        file.write(b"".join(rows[:61]))
        wait_for_marker(watched)
        assert watched.names() == {"marker.csv"}
        file.write(b"".join(rows[61:]))
    wait_for(lambda: "held.csv" in watched.names("stored"), "the table is taken")
    assert watched.read_archived("held.csv") == whole


@pytest.mark.parametrize(
    "on_its_way",
    ["run.fit.crdownload", ".run.fit.Ab3dE6", "run.fit.part", ".syncthing.run.fit.tmp"],
)
def test_a_renamed_download_is_taken_under_its_last_name(watched: Watched, on_its_way: str) -> None:
    path = watched.inbox / on_its_way
    path.write_bytes(RUN)
    wait_for_marker(watched)
    assert watched.names() == {"marker.csv"}
    path.rename(watched.inbox / "run.fit")
    wait_for(lambda: "run.fit" in watched.names("stored"), "the download is taken")
    assert watched.read_archived("run.fit") == RUN


def test_a_name_reserved_by_an_empty_file_waits_for_its_content(watched: Watched) -> None:
    (watched.inbox / "run.fit").touch()
    wait_for_marker(watched)
    assert watched.names() == {"marker.csv"}
    put(watched, "run.fit")
    wait_for(lambda: "run.fit" in watched.names("stored"), "the content is taken")


def test_an_empty_file_is_refused_when_patience_ends(watched: Watched) -> None:
    watched.stop()
    watched.settings = watched.settings.model_copy(
        update={"inbox": watched.settings.inbox.model_copy(update={"patience_s": 0.5})}
    )
    watched.start()
    (watched.inbox / "empty.fit").touch()
    wait_for(lambda: "empty.fit" in watched.names("refused"), "the empty file is refused")
    assert (watched.home.refused / "empty.fit").read_bytes() == b""


NAMES = [
    "with spaces in it.fit",
    "quotes ' and \" and `.fit",
    "line\nbreak.fit",
    "-rf.fit",
    "=cmd|' !A0.fit",
    "<b>bold & [link](x).fit",
    "'; DROP TABLE files; --.fit",
    unicodedata.normalize("NFC", "L\u00e4ufe.fit"),
    unicodedata.normalize("NFD", "L\u00e4ufe.fit"),
    "\u202egnp.fit",
    "%s {0} $HOME.fit",
    "x" * 251 + ".fit",
    "no suffix",
    "CASE.FIT",
    "case.fit",
]


def test_names_of_every_kind_are_taken_and_kept_apart(watched: Watched) -> None:
    contents = {name: make_run(30 + number).build() for number, name in enumerate(NAMES)}
    for name, data in contents.items():
        put(watched, name, data)
    wait_for(lambda: len(watched.outcomes) == len(NAMES), "all are taken")
    assert watched.names("stored") == set(NAMES)
    for name, data in contents.items():
        assert watched.read_archived(name) == data
    assert list(watched.inbox.iterdir()) == []


def test_bytes_that_are_no_text_are_a_name_too(watched: Watched) -> None:
    aside = watched.home.root / "aside"
    aside.write_bytes(RUN)
    try:
        aside.rename(watched.inbox / os.fsdecode(b"run\xff\xfe.fit"))
    except OSError:
        pytest.skip("this file system takes names of text only")
    wait_for(lambda: len(watched.outcomes) == 1, "it is taken")
    assert watched.outcomes[0].status == "stored"


def test_refused_names_of_every_kind_lie_beside_their_reasons(watched: Watched) -> None:
    for number, name in enumerate(NAMES):
        put(watched, name, b"\x01\x02 no export, number %d" % number)
    wait_for(lambda: len(watched.outcomes) == len(NAMES), "all are refused")
    assert watched.names("refused") == set(NAMES)
    laid = [path for path in watched.home.refused.iterdir() if not path.name.endswith(".why.txt")]
    assert len(laid) == len(NAMES)
    assert {path.read_bytes() for path in laid} == {
        b"\x01\x02 no export, number %d" % number for number in range(len(NAMES))
    }
    for path in laid:
        reason = path.with_name(path.name + ".why.txt").read_text(encoding="utf-8")
        assert reason.count("\n") == 1


def test_folders_named_like_files_are_walked_and_give_the_hint(watched: Watched) -> None:
    (watched.inbox / "run.fit").mkdir()
    (watched.inbox / "run.fit" / "empty.gpx").mkdir()
    put(watched, "run.fit/run.fit")
    wait_for(lambda: "run.fit" in watched.names("stored"), "the file inside is taken")
    assert (watched.inbox / "run.fit").is_dir()


def test_links_pipes_sockets_and_devices_are_left_alone(watched: Watched) -> None:
    secret = watched.home.root / "secret.fit"
    secret.write_bytes(OTHER_RUN)
    (watched.inbox / "link.fit").symlink_to(secret)
    (watched.inbox / "linked folder").symlink_to(watched.home.state, target_is_directory=True)
    (watched.inbox / "broken link.fit").symlink_to("nowhere")
    os.mkfifo(watched.inbox / "pipe.fit")
    left = {"link.fit", "linked folder", "broken link.fit", "pipe.fit"}
    with socket.socket(socket.AF_UNIX) as bound:
        bound.bind(str(watched.inbox / "socket.fit"))
        left.add("socket.fit")
        if os.geteuid() == 0:
            os.mknod(watched.inbox / "device.fit", 0o600 | 0o020000, os.makedev(1, 5))
            left.add("device.fit")
        put(watched, "run.fit")
        wait_for(lambda: "run.fit" in watched.names("stored"), "the file is taken")
        wait_for_marker(watched)
    assert watched.names() == {"run.fit", "marker.csv"}
    assert {path.name for path in watched.inbox.iterdir()} == left


def test_files_that_vanish_stop_nobody(watched: Watched) -> None:
    for number in range(40):
        path = put(watched, f"gone-{number}.fit", OTHER_RUN)
        if number % 2:
            path.unlink()
    (watched.inbox / "folder").mkdir()
    put(watched, "folder/run.fit").unlink()
    (watched.inbox / "folder").rmdir()
    wait_for_marker(watched)
    wait_for(lambda: list(watched.inbox.iterdir()) == [], "the others are taken")
    assert watched.names("stored") | watched.names("duplicate") >= {"gone-0.fit", "gone-38.fit"}


@pytest.mark.parametrize("stamp_s", [0, 4_000_000_000])
def test_files_with_stamps_of_another_age_are_taken(watched: Watched, stamp_s: int) -> None:
    path = put(watched, "run.fit")
    os.utime(path, (stamp_s, stamp_s))
    wait_for(lambda: "run.fit" in watched.names("stored"), "it is taken")


def test_a_file_that_is_replaced_while_it_is_taken_is_taken_too(watched: Watched) -> None:
    runs = [make_run(20 + number).build() for number in range(30)]
    for data in runs:
        put(watched, "run.fit", data)
    wait_for_marker(watched)
    wait_for(lambda: list(watched.inbox.iterdir()) == [], "the last one is taken")
    assert any(path.read_bytes() == runs[-1] for path in watched.home.originals.glob("??/*.fit"))


def test_one_drop_with_the_same_bytes_many_times_gives_one_recording(watched: Watched) -> None:
    for number in range(6):
        put(watched, f"copy-{number}.fit")
    (watched.inbox / "alder-2").mkdir()
    put(watched, "alder-2/run.fit")
    wait_for(lambda: len(watched.outcomes) == 7, "all are taken")
    statuses = sorted(one.status for one in watched.outcomes)
    assert statuses == ["duplicate"] * 6 + ["stored"]
    assert len({one.recording_ids for one in watched.outcomes}) == 1
    samples = list((watched.home.lake / "samples").glob("*/samples.parquet"))
    assert len([path for path in samples if "none" not in path.parent.name]) == 1
