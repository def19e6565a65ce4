"""One dropped file: what becomes of it, and that nothing is lost on the way."""

from __future__ import annotations

import gzip
import zipfile
from typing import TYPE_CHECKING

import pytest

from config.home import Home
from config.settings import Settings, load_settings
from tasks.archive.lake import has_recording, remove_recording
from tasks.archive.ledger import Ledger
from tasks.archive.originals import find_original
from tasks.ingest.exports import Dropped, ingest_batch, ingest_file, list_files, list_unfinished

if TYPE_CHECKING:
    from pathlib import Path

    from tasks.ingest.exports import FileOutcome

CSV = "time,heart_rate\n" + "".join(
    f"2026-05-02T06:00:{second:02d}Z,{100 + second}\n" for second in range(60)
)
NOTES = 'start = 2026-05-02T06:00:00Z\nactivity = "running"\n'


@pytest.fixture
def home(tmp_path: Path) -> Home:
    made = Home(tmp_path / "home")
    made.create()
    return made


@pytest.fixture
def settings() -> Settings:
    return load_settings()


def _drop(home: Home, name: str, content: str | bytes) -> Dropped:
    path = home.inbox / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return Dropped(path, name)


def _take(
    home: Home, settings: Settings, file: Dropped, *, move: bool = True
) -> tuple[FileOutcome, ...]:
    return ingest_file(file, home=home, settings=settings, move=move)


def test_a_good_file_is_archived_read_and_moved(home: Home, settings: Settings) -> None:
    file = _drop(home, "run.csv", CSV)
    (outcome,) = _take(home, settings, file)
    assert (outcome.status, outcome.format) == ("stored", "csv")
    assert has_recording(outcome.recording_ids[0], lake=home.lake)
    original = find_original(outcome.file_id, home=home)
    assert original is not None
    assert original.read_text() == CSV
    assert not file.path.exists()


def test_without_moving_the_file_stays(home: Home, settings: Settings) -> None:
    file = _drop(home, "run.csv", CSV)
    _take(home, settings, file, move=False)
    assert file.path.read_text() == CSV


def test_the_same_bytes_again_are_a_duplicate(home: Home, settings: Settings) -> None:
    (first,) = _take(home, settings, _drop(home, "run.csv", CSV))
    (second,) = _take(home, settings, _drop(home, "copy.csv", CSV))
    assert second.status == "duplicate"
    assert second.recording_ids == first.recording_ids
    assert second.reason is not None
    assert "run.csv" in second.reason
    assert not (home.inbox / "copy.csv").exists()


def test_the_same_bytes_are_read_again_when_the_lake_lost_them(
    home: Home, settings: Settings
) -> None:
    (first,) = _take(home, settings, _drop(home, "run.csv", CSV))
    remove_recording(first.recording_ids[0], lake=home.lake)
    assert [file.file_id for file in list_unfinished(home)] == [first.file_id]
    (second,) = _take(home, settings, _drop(home, "run.csv", CSV))
    assert second.status == "stored"
    assert list_unfinished(home) == []


def test_a_refused_file_lies_beside_its_reason_and_leaves_the_inbox(
    home: Home, settings: Settings
) -> None:
    file = _drop(home, "photo.jpg", b"\xff\xd8\xff\xe0" + b"x" * 100)
    (outcome,) = _take(home, settings, file)
    assert outcome.status == "refused"
    assert not file.path.exists()
    assert (home.refused / "photo.jpg").read_bytes().endswith(b"x")
    why = (home.refused / "photo.jpg.why.txt").read_text()
    assert why.startswith("photo.jpg: ")
    with Ledger(home) as ledger:
        (known,) = ledger.list_files()
    assert (known.status, known.reason) == ("refused", outcome.reason)


def test_an_unknown_layout_gets_a_proposal(home: Home, settings: Settings) -> None:
    _take(home, settings, _drop(home, "odd.csv", "when,what\n1,2\n3,4\n5,6\n"))
    assert 'column = ["when"]' in (home.refused / "odd.csv.layout.toml").read_text()


def test_an_export_that_can_be_read_after_all_leaves_refused(
    home: Home, settings: Settings
) -> None:
    content = CSV.replace("time,heart_rate", "when,what")
    _take(home, settings, _drop(home, "odd.csv", content))
    _take(home, settings, _drop(home, "other.csv", content.replace("102", "103")))
    home.columns.mkdir(exist_ok=True)
    (home.columns / "odd.toml").write_text(
        'name = "odd"\nabout = "invented"\ndelimiters = [","]\n'
        '[time]\nform = "stamp"\ncolumn = ["when"]\n'
        '[[column]]\ntheirs = ["what"]\nours = "heart_rate_bpm"\nunit = "bpm"\n'
    )
    (outcome,) = _take(home, settings, _drop(home, "again.csv", content))
    assert outcome.status == "stored"
    assert sorted(path.name for path in home.refused.iterdir()) == [
        "other.csv",
        "other.csv.layout.toml",
        "other.csv.why.txt",
    ]


def test_notes_are_kept_as_notes(home: Home, settings: Settings) -> None:
    (outcome,) = _take(home, settings, _drop(home, "run.notes.toml", NOTES))
    assert (outcome.status, outcome.format) == ("stored", "notes")


def test_wrong_notes_are_refused_with_their_line(home: Home, settings: Settings) -> None:
    wrong = NOTES.replace("running", "flying")
    (outcome,) = _take(home, settings, _drop(home, "run.notes.toml", wrong))
    assert outcome.status == "refused"
    assert outcome.reason is not None
    assert outcome.reason.startswith("line 2: ")


def test_notes_in_another_encoding_are_refused(home: Home, settings: Settings) -> None:
    (outcome,) = _take(home, settings, _drop(home, "run.notes.toml", NOTES.encode("utf-16")))
    assert outcome.status == "refused"


def test_an_archive_gives_an_outcome_for_each_member(home: Home, settings: Settings) -> None:
    path = home.inbox / "all.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("alder-2/run.csv", CSV)
        archive.writestr("run.notes.toml", NOTES)
        archive.writestr("photo.jpg", b"\xff\xd8\xff\xe0" + b"x" * 100)
    outcomes = _take(home, settings, Dropped(path, path.name))
    assert {(one.name, one.status) for one in outcomes} == {
        ("all.zip", "partial"),
        ("run.csv", "stored"),
        ("run.notes.toml", "stored"),
        ("photo.jpg", "refused"),
    }
    with Ledger(home) as ledger:
        by_name = {file.name: file for file in ledger.list_files()}
    assert by_name["run.csv"].folder == "alder-2"
    assert by_name["run.csv"].inside == by_name["all.zip"].file_id
    assert not any((home.state / "expanding").iterdir())


def test_a_gzipped_copy_of_a_known_file_is_known(home: Home, settings: Settings) -> None:
    _take(home, settings, _drop(home, "run.csv", CSV))
    outcomes = _take(home, settings, _drop(home, "run.csv.gz", gzip.compress(CSV.encode())))
    assert [one.status for one in outcomes] == ["duplicate", "duplicate"]


def test_an_interrupted_archive_is_unfinished_as_a_whole(home: Home, settings: Settings) -> None:
    path = home.inbox / "all.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("run.csv", CSV)
    outcomes = _take(home, settings, Dropped(path, path.name))
    remove_recording(outcomes[1].recording_ids[0], lake=home.lake)
    assert [file.name for file in list_unfinished(home)] == ["all.zip"]


def test_a_file_that_is_gone_gives_nothing(home: Home, settings: Settings) -> None:
    assert _take(home, settings, Dropped(home.inbox / "gone.csv", "gone.csv")) == ()


def test_a_link_is_refused_and_left_alone(home: Home, settings: Settings, tmp_path: Path) -> None:
    (tmp_path / "run.csv").write_text(CSV)
    link = home.inbox / "run.csv"
    link.symlink_to(tmp_path / "run.csv")
    (outcome,) = _take(home, settings, Dropped(link, "run.csv"))
    assert outcome.status == "refused"
    assert link.is_symlink()


def test_one_bad_file_of_a_batch_does_not_stop_the_others(home: Home, settings: Settings) -> None:
    files = [
        _drop(home, "bad.fit", b"\x0e\x10\xd9\x07\x10\x00\x00\x00.FIT" + b"\x00" * 20),
        _drop(home, "run.csv", CSV),
    ]
    outcomes = ingest_batch(files, home=home, settings=settings, move=True)
    assert [one.status for (one,) in outcomes] == ["refused", "stored"]


def test_a_disk_that_fails_is_told_and_the_file_stays(home: Home, settings: Settings) -> None:
    file = _drop(home, "run.csv", CSV)
    home.lake.rmdir()
    home.lake.write_text("a file where a folder should be")
    ((outcome,),) = ingest_batch([file], home=home, settings=settings, move=True)
    assert outcome.status == "failed"
    assert file.path.exists()
    home.lake.unlink()
    ((again,),) = ingest_batch([file], home=home, settings=settings, move=True)
    assert again.status == "stored"


def test_folders_are_walked_and_their_sub_folders_are_hints(tmp_path: Path) -> None:
    for name in (
        "a.fit",
        "alder-2/b.fit",
        "alder-2/may/c.fit",
        ".hidden/d.fit",
        ".e.fit",
        "~$b.fit",
    ):
        path = tmp_path / "drop" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("x")
    (tmp_path / "drop" / "link.fit").symlink_to(tmp_path / "drop" / "a.fit")
    found = list(list_files([tmp_path / "drop"]))
    assert [(file.name, file.folder) for file in found] == [
        ("a.fit", None),
        ("b.fit", "alder-2"),
        ("c.fit", "alder-2"),
    ]
    (single,) = list_files([tmp_path / "drop" / "a.fit"])
    assert (single.name, single.folder) == ("a.fit", None)
