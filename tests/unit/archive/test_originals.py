"""Taking exports in: byte for byte, once, and never outside its folders."""

from __future__ import annotations

import fcntl
import hashlib
import os
import stat
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.home import Home
from tasks.archive import originals
from tasks.archive.originals import (
    NotAFileError,
    StillChangingError,
    archive_original,
    find_original,
    find_suffix,
    list_originals,
    make_safe_name,
    refuse,
    remove_taken,
    sweep,
)

BYTES = b"\x0e\x10 some export \x00\xff" * 99


@pytest.fixture
def home(tmp_path: Path) -> Home:
    made = Home(tmp_path / "home")
    made.create()
    return made


@pytest.fixture
def export(home: Home) -> Path:
    path = home.inbox / "Run.FIT"
    path.write_bytes(BYTES)
    return path


def list_files(folder: Path) -> list[str]:
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file())


# --- archive ----------------------------------------------------------------------------------
def test_the_archive_holds_the_bytes_under_their_hash(home: Home, export: Path) -> None:
    archived = archive_original(export, home=home)
    wanted = hashlib.sha256(BYTES).hexdigest()
    assert archived.file_id == wanted
    assert archived.path == home.originals / wanted[:2] / f"{wanted}.fit"
    assert archived.path.read_bytes() == BYTES
    assert archived.bytes == len(BYTES)
    assert archived.is_new
    assert export.exists(), "taking it out of the inbox comes later"


def test_an_original_is_never_writable(home: Home, export: Path) -> None:
    archived = archive_original(export, home=home)
    assert stat.S_IMODE(archived.path.stat().st_mode) == 0o400


def test_the_same_bytes_are_archived_once_whatever_their_name(home: Home, export: Path) -> None:
    first = archive_original(export, home=home)
    before = first.path.stat()
    other = home.inbox / "copy.gpx"
    other.write_bytes(BYTES)
    second = archive_original(other, home=home)
    assert (second.file_id, second.path, second.is_new) == (first.file_id, first.path, False)
    assert first.path.stat() == before
    assert len(list_files(home.originals)) == 1


def test_a_damaged_original_is_made_whole_by_a_new_drop(home: Home, export: Path) -> None:
    archived = archive_original(export, home=home)
    archived.path.chmod(0o600)
    archived.path.write_bytes(BYTES[:10])
    again = archive_original(export, home=home)
    assert again.path == archived.path
    assert again.path.read_bytes() == BYTES


def test_an_empty_file_is_archived_like_any_other(home: Home) -> None:
    path = home.inbox / "empty"
    path.write_bytes(b"")
    archived = archive_original(path, home=home)
    # The hash of nothing. Source: NIST FIPS 180-4 example values, SHA-256 of the empty message.
    assert archived.file_id == "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
    assert archived.path.suffix == ".bin"


def test_a_file_larger_than_a_block_is_copied_whole(home: Home) -> None:
    path = home.inbox / "large.csv"
    path.write_bytes(os.urandom(originals.BLOCK_BYTES * 2 + 1))
    archived = archive_original(path, home=home)
    assert archived.path.read_bytes() == path.read_bytes()


def test_nothing_is_left_beside_the_originals(home: Home, export: Path) -> None:
    archived = archive_original(export, home=home)
    archive_original(export, home=home)
    assert list_files(home.originals) == [f"{archived.file_id[:2]}/{archived.file_id}.fit"]


@pytest.mark.parametrize("kind", ["link", "dangling", "folder", "pipe"])
def test_only_regular_files_are_taken(home: Home, export: Path, kind: str) -> None:
    path = home.inbox / "odd.fit"
    if kind == "link":
        path.symlink_to(export)
    elif kind == "dangling":
        path.symlink_to("nowhere")
    elif kind == "pipe":
        os.mkfifo(path)
    else:
        path.mkdir()
    with pytest.raises(NotAFileError, match=r"odd\.fit: a link, folder, pipe or device"):
        archive_original(path, home=home)
    assert list_files(home.originals) == []


def test_a_device_is_not_taken(home: Home) -> None:
    with pytest.raises(NotAFileError):
        archive_original(Path("/dev/null"), home=home)


def test_a_file_that_vanished_is_said_to_be_missing(home: Home) -> None:
    with pytest.raises(FileNotFoundError):
        archive_original(home.inbox / "gone.fit", home=home)
    assert list_files(home.originals) == []


def test_a_file_that_grows_while_it_is_read_stays_where_it_is(
    home: Home, export: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    really_copy = originals._copy_and_hash

    def copy_while_somebody_writes(source: object, target: object) -> tuple[str, int]:
        outcome = really_copy(source, target)  # type: ignore[arg-type]
        with export.open("ab") as writer:
            writer.write(b"more")
        return outcome

    monkeypatch.setattr(originals, "_copy_and_hash", copy_while_somebody_writes)
    with pytest.raises(StillChangingError, match=r"Run\.FIT: changed while it was read"):
        archive_original(export, home=home)
    assert list_files(home.originals) == []
    assert export.read_bytes() == BYTES + b"more"


def test_originals_are_found_and_listed(home: Home, export: Path) -> None:
    archived = archive_original(export, home=home)
    sweepable = home.originals / ".x.building"
    sweepable.write_bytes(b"")
    assert find_original(archived.file_id, home=home) == archived.path
    assert find_original("0" * 64, home=home) is None
    assert find_original("../../etc/passwd", home=home) is None
    assert find_original("*" * 64, home=home) is None
    assert list_originals(home) == [(archived.file_id, archived.path)]


def test_a_sweep_takes_half_copies_and_leaves_originals(home: Home, export: Path) -> None:
    archive_original(export, home=home)
    refuse(export, name="x.fit", why="x", home=home)
    before = list_files(home.root)
    for folder in (home.originals, home.refused):
        (folder / ".left.building").write_bytes(b"half")
    sweep(home)
    assert list_files(home.root) == before


@pytest.mark.parametrize(
    ("name", "suffix"),
    [
        ("a.fit", ".fit"),
        ("A.GPX", ".gpx"),
        ("a.fit.gz", ".gz"),
        ("a.notes.toml", ".notes.toml"),
        ("a.toml", ".bin"),
        ("a", ".bin"),
        (".fit", ".fit"),
        ("fit", ".bin"),
        ("a.fit\n", ".bin"),
        ("a.fit/../../x", ".bin"),
        ("", ".bin"),
    ],
)
def test_known_endings_are_kept_in_lower_case(name: str, suffix: str) -> None:
    assert find_suffix(name) == suffix


ARCHIVER = """
import sys
from pathlib import Path
from config.home import Home
from tasks.archive.originals import archive_original
for _ in range(20):
    print(archive_original(Path(sys.argv[2]), home=Home(Path(sys.argv[1]))).is_new)
"""


def test_processes_that_archive_the_same_file_at_once_agree(home: Home, export: Path) -> None:
    command = [sys.executable, "-c", ARCHIVER, str(home.root), str(export)]
    running = [subprocess.Popen(command, stdout=subprocess.PIPE) for _ in range(3)]
    for process in running:
        process.communicate(timeout=60)
    assert [process.returncode for process in running] == [0, 0, 0]
    [only] = list_originals(home)
    assert only[1].read_bytes() == BYTES
    assert len(list_files(home.originals)) == 1


# --- out of the inbox -------------------------------------------------------------------------
def test_the_file_that_was_archived_is_removed(home: Home, export: Path) -> None:
    archived = archive_original(export, home=home)
    assert remove_taken(export, archived)
    assert not export.exists()
    assert not remove_taken(export, archived)


def test_a_file_that_was_written_again_stays(home: Home, export: Path) -> None:
    archived = archive_original(export, home=home)
    export.write_bytes(b"another export")
    assert not remove_taken(export, archived)
    assert export.read_bytes() == b"another export"


def test_a_file_that_took_the_place_of_the_archived_one_stays(home: Home, export: Path) -> None:
    archived = archive_original(export, home=home)
    facts = export.stat()
    new = home.inbox / "new"
    new.write_bytes(BYTES[::-1])
    os.utime(new, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    new.replace(export)
    assert not remove_taken(export, archived)
    assert export.read_bytes() == BYTES[::-1]


def test_a_link_that_took_the_place_of_the_archived_file_stays(home: Home, export: Path) -> None:
    archived = archive_original(export, home=home)
    moved = export.rename(home.root / "moved.fit")
    export.symlink_to(moved)
    assert not remove_taken(export, archived)
    assert export.is_symlink()


def test_a_file_that_somebody_has_open_for_writing_stays(home: Home, export: Path) -> None:
    if not hasattr(fcntl, "F_SETLEASE"):
        pytest.skip("this system does not tell who writes")
    archived = archive_original(export, home=home)
    with export.open("ab"):
        assert not remove_taken(export, archived)
    assert export.exists()
    assert remove_taken(export, archived)


# --- refused ----------------------------------------------------------------------------------
def test_a_refused_file_lies_beside_its_reason(home: Home, export: Path) -> None:
    why = refuse(export, name="Run.FIT", why="Run.FIT: wrong checksum; export it again", home=home)
    assert why == home.refused / "Run.FIT.why.txt"
    assert why.read_text() == "Run.FIT: wrong checksum; export it again\n"
    assert (home.refused / "Run.FIT").read_bytes() == BYTES


def test_further_text_follows_the_reason(home: Home, export: Path) -> None:
    why = refuse(export, name="a.csv", why="unknown", extra="[columns]\nhr = 1\n", home=home)
    assert why.read_text() == "unknown\n\n[columns]\nhr = 1\n"


def test_other_bytes_of_the_same_name_get_their_hash(home: Home, export: Path) -> None:
    refuse(export, name="run.fit", why="first", home=home)
    marked = []
    for number, content in enumerate((b"second", b"third")):
        export.write_bytes(content)
        for _ in range(2):
            refuse(export, name="run.fit", why=str(number), home=home)
        marked.append(f"run-{hashlib.sha256(content).hexdigest()[:8]}.fit")
    names = [*marked, "run.fit"]
    assert sorted(list_files(home.refused)) == sorted(
        name + suffix for name in names for suffix in ("", ".why.txt")
    )
    assert (home.refused / marked[1]).read_bytes() == b"third"
    assert (home.refused / f"{marked[1]}.why.txt").read_text() == "1\n"


def test_each_of_many_refused_files_of_one_name_is_written_once(
    home: Home, export: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced: list[int] = []
    real = os.fsync

    def sync(descriptor: int) -> None:
        synced.append(descriptor)
        real(descriptor)

    monkeypatch.setattr(os, "fsync", sync)
    counts = []
    for n in (10, 40):
        synced.clear()
        for number in range(n):
            export.write_bytes(f"{n} {number}".encode())
            refuse(export, name="run.fit", why="no", home=home)
        counts.append(len(synced))
    assert counts[1] == 4 * counts[0]
    assert counts[0] == 10 * 3


def test_the_same_bytes_of_the_same_name_are_laid_aside_once(home: Home, export: Path) -> None:
    refuse(export, name="run.fit", why="first", home=home)
    refuse(export, name="run.fit", why="second", home=home)
    assert list_files(home.refused) == ["run.fit", "run.fit.why.txt"]
    assert (home.refused / "run.fit.why.txt").read_text() == "second\n"


def test_a_refused_reason_file_does_not_overwrite_another_files_reason(
    home: Home, export: Path
) -> None:
    refuse(export, name="run.fit", why="the reason", home=home)
    refuse(export, name="run.fit.why.txt", why="no export", home=home)
    assert (home.refused / "run.fit.why.txt").read_text() == "the reason\n"
    assert (
        home.refused / f"run.fit.why-{hashlib.sha256(BYTES).hexdigest()[:8]}.txt"
    ).read_bytes() == BYTES


def test_what_is_no_file_gets_a_reason_only(home: Home) -> None:
    pipe = home.inbox / "pipe.fit"
    os.mkfifo(pipe)
    refuse(pipe, name="pipe.fit", why="no file", home=home)
    refuse(pipe, name="pipe.fit", why="no file", home=home)
    assert list_files(home.refused) == ["pipe.fit.why.txt"]


def test_many_refusals_of_one_name_at_once_lose_none(home: Home) -> None:
    paths = [home.inbox / f"{number}.fit" for number in range(12)]
    for path in paths:
        path.write_text(path.name)

    def lay_aside(path: Path) -> None:
        refuse(path, name="run.fit", why=path.name, home=home)

    threads = [threading.Thread(target=lay_aside, args=(path,)) for path in paths]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    kept = [path for path in home.refused.iterdir() if not path.name.endswith(".why.txt")]
    assert sorted(path.read_text() for path in kept) == sorted(path.name for path in paths)
    for path in kept:
        assert path.with_name(path.name + ".why.txt").read_text().strip() == path.read_text()


@pytest.mark.parametrize(
    ("name", "safe"),
    [
        ("run.fit", "run.fit"),
        ("my run (1) 'x' \"y\".fit", "my run (1) 'x' \"y\".fit"),
        ("../../etc/passwd", "_./.._etc_passwd".replace("/", "_")),
        ("..", "export"),
        (".", "export"),
        ("", "export"),
        (" ", "export"),
        (".hidden", "_hidden"),
        ("a/b\\c", "a_b_c"),
        ("a\nb\x00c\x1b", "a_b_c_"),
        ("a\u202efit.exe", "a_fit.exe"),
        ("bad\udcff.fit", "bad_udcff.fit"),
        ("worse\ud800.fit", "worse_ud800.fit"),
        ("\u00e9.fit", "\u00e9.fit"),
    ],
)
def test_names_are_shown_as_they_are_unless_they_are_dangerous(name: str, safe: str) -> None:
    assert make_safe_name(name) == safe


def test_a_long_name_keeps_its_ending() -> None:
    safe = make_safe_name("\u00fc" * 127 + ".fit")
    assert safe.endswith("\u00fc.fit")
    assert len(safe.encode()) + len(" (1234).why.txt") <= 255


@given(st.text())
def test_no_name_leads_out_of_its_folder_or_is_too_long(name: str) -> None:
    safe = make_safe_name(name)
    assert safe == os.path.basename(safe)  # noqa: PTH119 - the very question
    assert safe not in ("", ".", "..")
    assert not safe.startswith(".")
    assert len(safe.encode()) <= 255 - 24
    assert make_safe_name(safe) == safe


@given(st.binary(min_size=1, max_size=255).filter(lambda raw: b"\0" not in raw and b"/" not in raw))
def test_names_of_any_bytes_are_usable(raw: bytes) -> None:
    assert make_safe_name(os.fsdecode(raw)).encode()


def test_a_name_of_255_odd_bytes_can_be_dropped_and_refused(home: Home) -> None:
    name = os.fsdecode(b"\xff\n'" * 83 + b".fit")
    path = home.inbox / name
    path.write_bytes(BYTES)
    archived = archive_original(path, home=home)
    why = refuse(archived.path, name=name, why=f"{name}: no", home=home)
    assert why.is_file()
    assert len(list_files(home.refused)) == 2
    assert remove_taken(path, archived)
