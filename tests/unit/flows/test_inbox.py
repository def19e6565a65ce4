"""The inbox: when a file is whole, when a drop begins."""

from __future__ import annotations

import fcntl
import gzip
import zipfile
from typing import TYPE_CHECKING

import pytest

from config.settings import load_settings
from flows.inbox import ReadinessTracker, is_whole
from tasks.core.folders import Stamp

if TYPE_CHECKING:
    from pathlib import Path

QUIET_S = 2.0
SETTINGS = load_settings().inbox.model_copy(
    update={"quiet_s": QUIET_S, "patience_s": 100.0, "group_s": 30.0, "rescan_s": 60.0}
)


# --- when a drop begins -----------------------------------------------------------------------
def _stamp(size: int = 1) -> Stamp:
    return Stamp(size, 0, 0)


def _attend(*, whole: bool = True) -> ReadinessTracker:
    return ReadinessTracker(SETTINGS, check_whole=lambda _path: whole)


def test_a_file_is_ready_after_the_quiet_time(tmp_path: Path) -> None:
    attention = _attend()
    found = {tmp_path / "a": _stamp()}
    assert attention.look(found, 0.0).restless
    assert attention.look(found, QUIET_S - 0.1).ready == ()
    assert attention.look(found, QUIET_S).ready == (tmp_path / "a",)


def test_a_growing_file_is_never_ready(tmp_path: Path) -> None:
    attention = _attend()
    for second in range(20):
        look = attention.look({tmp_path / "a": _stamp(second)}, float(second))
        assert look.ready == ()


def test_a_replaced_file_of_the_same_size_waits_again(tmp_path: Path) -> None:
    attention = _attend()
    attention.look({tmp_path / "a": Stamp(5, 0, inode=1)}, 0.0)
    assert attention.look({tmp_path / "a": Stamp(5, 0, inode=2)}, QUIET_S).ready == ()


def test_ready_files_wait_for_one_that_is_arriving(tmp_path: Path) -> None:
    attention = _attend()
    first = {tmp_path / "a": _stamp()}
    attention.look(first, 0.0)
    both = {**first, tmp_path / "b": _stamp()}
    assert attention.look(both, 2.5).ready == ()
    assert attention.look(both, 4.5).ready == (tmp_path / "a", tmp_path / "b")


def test_ready_files_wait_no_longer_than_the_group_time(tmp_path: Path) -> None:
    attention = _attend()
    ready_at = None
    for second in range(60):
        look = attention.look(
            {tmp_path / "a": _stamp(), tmp_path / "huge": _stamp(second)}, float(second)
        )
        if look.ready and ready_at is None:
            ready_at = second
            assert look.ready == (tmp_path / "a",)
    assert ready_at == QUIET_S + SETTINGS.group_s


def test_a_file_that_is_not_whole_does_not_hold_back_the_others(tmp_path: Path) -> None:
    attention = ReadinessTracker(SETTINGS, check_whole=lambda path: path.name != "cut.fit")
    found = {tmp_path / "a.fit": _stamp(), tmp_path / "cut.fit": _stamp()}
    attention.look(found, 0.0)
    look = attention.look(found, 3.0)
    assert look.ready == (tmp_path / "a.fit",)
    assert look.due_in_s == pytest.approx(97.0)


def test_patience_ends(tmp_path: Path) -> None:
    attention = _attend(whole=False)
    found = {tmp_path / "cut.fit": _stamp()}
    attention.look(found, 0.0)
    assert attention.look(found, 99.0).ready == ()
    assert attention.look(found, 100.0).ready == (tmp_path / "cut.fit",)


def test_patience_never_ends_while_somebody_writes_to_the_file(tmp_path: Path) -> None:
    """A copy that stalls, over a network for instance, would lose what is still to come."""
    if not hasattr(fcntl, "F_SETLEASE"):
        pytest.skip("this system does not tell who writes")
    path = tmp_path / "held.csv"
    attention = ReadinessTracker(SETTINGS, check_whole=lambda _path: False)
    with path.open("wb"):
        attention.look({path: _stamp()}, 0.0)
        look = attention.look({path: _stamp()}, 1e6)
        assert look.ready == ()
        assert look.due_in_s == pytest.approx(1.0)
    with path.open("rb"):  # who only reads is in nobody's way
        assert attention.look({path: _stamp()}, 1e6 + 1.0).ready == (path,)


def test_a_taken_file_that_stays_is_taken_again_when_it_changes(tmp_path: Path) -> None:
    attention = _attend()
    path = tmp_path / "a"
    attention.look({path: _stamp()}, 0.0)
    attention.mark_taken(attention.look({path: _stamp()}, 2.0).ready, 2.0)
    assert attention.look({path: _stamp()}, 10.0).ready == ()
    attention.look({path: _stamp(9)}, 11.0)
    assert attention.look({path: _stamp(9)}, 13.0).ready == (path,)


def test_a_taken_file_that_stays_is_tried_again_after_ever_longer_pauses(tmp_path: Path) -> None:
    """Without rights to it, or on a disk that fails, it is said to be tried again."""
    attention = _attend()
    found = {tmp_path / "a": _stamp()}
    attention.look(found, 0.0)
    now_s, pauses_s = 2.0, []
    for _ in range(8):
        ready = attention.look(found, now_s).ready
        assert ready == (tmp_path / "a",)
        attention.mark_taken(ready, now_s)
        pause_s = attention.look(found, now_s).due_in_s
        assert pause_s is not None
        assert attention.look(found, now_s + pause_s - 0.1).ready == ()
        pauses_s.append(pause_s)
        now_s += pause_s
    doubled = [SETTINGS.rescan_s * 2**times for times in range(8)]
    assert pauses_s == pytest.approx([min(pause_s, 3600.0) for pause_s in doubled])


def test_a_file_that_comes_back_under_its_name_waits_for_nothing(tmp_path: Path) -> None:
    attention = _attend()
    path = tmp_path / "a"
    attention.look({path: _stamp()}, 0.0)
    attention.mark_taken(attention.look({path: _stamp()}, 2.0).ready, 2.0)
    attention.look({}, 3.0)
    attention.look({path: _stamp()}, 4.0)
    assert attention.look({path: _stamp()}, 6.0).ready == (path,)


def test_a_failed_drop_is_tried_again_after_the_rescan_time(tmp_path: Path) -> None:
    attention = _attend()
    found = {tmp_path / "a": _stamp()}
    attention.look(found, 0.0)
    attention.mark_failed(attention.look(found, 2.0).ready, 2.0)
    waiting = attention.look(found, 30.0)
    assert (waiting.ready, waiting.restless) == ((), False)
    assert waiting.due_in_s == pytest.approx(SETTINGS.rescan_s - 28.0)
    assert attention.look(found, 2.0 + SETTINGS.rescan_s).ready == (tmp_path / "a",)


# --- whole files ------------------------------------------------------------------------------
def test_an_empty_file_is_not_whole(tmp_path: Path) -> None:
    path = tmp_path / "run.fit"
    path.write_bytes(b"")
    assert not is_whole(path)


def test_a_missing_file_is_not_whole(tmp_path: Path) -> None:
    assert not is_whole(tmp_path / "run.fit")


def test_a_zip_without_its_directory_is_not_whole(tmp_path: Path) -> None:
    path = tmp_path / "runs.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("run.gpx", "x" * 1000)
    assert is_whole(path)
    path.write_bytes(path.read_bytes()[:-30])
    assert not is_whole(path)


@pytest.mark.parametrize("members", [1, 2])
def test_a_cut_gzip_is_not_whole(tmp_path: Path, members: int) -> None:
    path = tmp_path / "run.gpx.gz"
    path.write_bytes(gzip.compress(b"x" * 1000) * members)
    assert is_whole(path)
    path.write_bytes(path.read_bytes()[:-9])
    assert not is_whole(path)


def test_a_broken_gzip_is_whole_so_that_it_is_refused_soon(tmp_path: Path) -> None:
    path = tmp_path / "run.gpx.gz"
    path.write_bytes(b"\x1f\x8b\x08\x00" + b"\xff" * 50)
    assert is_whole(path)


def test_notes_are_whole_when_they_are_quiet(tmp_path: Path) -> None:
    path = tmp_path / "run.notes.toml"
    path.write_text("a")
    assert is_whole(path)
