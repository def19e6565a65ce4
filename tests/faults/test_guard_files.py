"""Notes, archives and courses that go too far cost nothing but themselves, as exports do.

The files are real ones, only large; the limits are set below what they need.
"""

from __future__ import annotations

import gzip
import os
import signal
import threading
import time
import zipfile
from typing import TYPE_CHECKING

import pytest

from config.home import Home
from config.settings import load_settings
from flows.inbox import is_whole
from tasks import guard
from tasks.core.errors import NotesError, ReaderFailedError
from tasks.core.recording import ExportFile
from tasks.core.registers import ReadOptions
from tasks.guard import (
    NotesText,
    load_line_isolated,
    read_line_isolated,
    read_some_notes_isolated,
    run_isolated_read,
)
from tasks.guard.process import Pool
from tasks.ingest import exports
from tasks.processing import prepare
from tasks.readers.notes import read_notes
from tasks.workout.courses import load_course
from tests.faults.bad_readers import MAGIC, write_bad_export

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from config.settings import ReadSettings, Settings

CSV = "time,heart_rate\n" + "".join(
    f"2026-05-02T06:00:{second:02d}Z,{100 + second}\n" for second in range(60)
)
NOTES = "start = 2026-05-02T07:30:00+02:00\n"
LITTLE_MB = 20.0
SHORT_S = 0.05
TOO_LONG = "reading it was stopped after 0.05 s"
TOO_MUCH = "reading it needs more than 20 MB of memory"


@pytest.fixture
def home(tmp_path: Path) -> Home:
    made = Home(tmp_path / "home")
    made.create()
    return made


@pytest.fixture
def pool(monkeypatch: pytest.MonkeyPatch) -> Iterator[Pool]:
    made = Pool(("tests.faults.registered_bad_readers",))
    monkeypatch.setattr(guard, "POOL", made)
    yield made
    made.end()


def limit(**limits: float) -> Settings:
    settings = load_settings()
    return settings.model_copy(update={"read": limit_reading(**limits)})


def limit_reading(**limits: float) -> ReadSettings:
    return load_settings().read.model_copy(update=limits)


def take(home: Home, path: Path, settings: Settings) -> tuple[exports.FileOutcome, ...]:
    (outcomes,) = exports.ingest_batch(
        [exports.Dropped(path, path.name)], home=home, settings=settings, move=True
    )
    return outcomes


def write_large_sheet(path: Path) -> Path:
    """Write a year's notes of somebody who works out each second."""
    rows = (f"2026-05-02 06:{n // 60 % 60:02d}:{n % 60:02d}Z,watch-{n}\n" for n in range(40_000))
    path.write_text("start,device\n" + "".join(rows))
    return path


def write_large_gzip(path: Path) -> Path:
    """Write an archive that has far more in it than can be written in a moment."""
    path.write_bytes(gzip.compress(bytes(100_000_000), 1))
    return path


def write_large_listing(path: Path) -> Path:
    """Write an archive that nothing is in but names, which fill its list of members."""
    name = "n" * 5000
    with zipfile.ZipFile(path, "w") as archive:
        for number in range(5_000):
            archive.writestr(f"{name}{number}", b"")
    return path


def write_large_course(path: Path) -> Path:
    points = "".join(f'<rtept lat="50.{n}" lon="8.0"/>' for n in range(100_000))
    path.write_text(f'<gpx version="1.1" creator="t"><rte>{points}</rte></gpx>')
    return path


def write_large_markup(path: Path) -> Path:
    """Write a day of seconds, which its format needs tens of megabytes for."""
    times = [
        f"2026-05-02T{n // 3600:02d}:{n // 60 % 60:02d}:{n % 60:02d}Z" for n in range(24 * 3600)
    ]
    if path.suffix == ".gpx":
        points = "".join(f'<trkpt lat="50" lon="8"><time>{time}</time></trkpt>' for time in times)
        path.write_text(
            f'<gpx version="1.1" creator="t"><trk><trkseg>{points}</trkseg></trk></gpx>'
        )
        return path
    points = "".join(
        f"<Trackpoint><Time>{time}</Time><HeartRateBpm><Value>120</Value></HeartRateBpm>"
        "</Trackpoint>"
        for time in times
    )
    path.write_text(
        "<TrainingCenterDatabase><Activities><Activity Sport='Running'><Lap><Track>"
        f"{points}</Track></Lap></Activity></Activities></TrainingCenterDatabase>"
    )
    return path


@pytest.mark.usefixtures("pool")
@pytest.mark.parametrize(
    ("name", "limits", "reason"),
    [
        ("year.notes.csv", {"longest_s": SHORT_S}, TOO_LONG),
        ("year.notes.csv", {"most_memory_mb": LITTLE_MB}, TOO_MUCH),
        ("large.gz", {"longest_s": SHORT_S}, TOO_LONG),
        ("large.zip", {"most_memory_mb": LITTLE_MB}, TOO_MUCH),
    ],
)
def test_notes_and_archives_that_go_too_far_cost_themselves_only(
    home: Home, name: str, limits: dict[str, float], reason: str
) -> None:
    write = {"notes.csv": write_large_sheet, "gz": write_large_gzip, "zip": write_large_listing}
    path = write[name.partition(".")[2]](home.inbox / name)
    # A process that is there already: only reading counts.
    guard.POOL.warm_up()
    (refused,) = take(home, path, limit(**limits))
    good = home.inbox / "two.csv"
    good.write_text(CSV)
    (stored,) = take(home, good, load_settings())
    assert refused.status == "refused"
    assert (refused.reason or "").startswith(reason)
    assert stored.status == "stored"
    assert [path.name for path in home.refused.iterdir() if path.name == name] == [name]
    assert not any((home.state / "expanding").glob("*"))
    assert not any(home.inbox.iterdir())


def test_an_archive_whose_expanding_is_ended_from_outside_is_expanded_again(
    home: Home, pool: Pool
) -> None:
    path = home.inbox / "two.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        archive.writestr("zeros.bin", bytes(100_000_000))
        archive.writestr("good.csv", CSV)
    pool.warm_up()
    (first,) = pool.pids

    def kill_when_it_writes() -> None:
        while not any((home.state / "expanding").glob("*/*/*")):
            time.sleep(0.001)
        os.kill(first, signal.SIGKILL)

    killer = threading.Thread(target=kill_when_it_writes)
    killer.start()
    outcomes = take(home, path, load_settings())
    killer.join()
    assert pool.pids != (first,)
    assert [(one.name, one.status) for one in outcomes] == [
        ("two.zip", "partial"),
        ("zeros.bin", "refused"),
        ("good.csv", "stored"),
    ]
    assert not any((home.state / "expanding").glob("*"))


@pytest.mark.usefixtures("pool")
@pytest.mark.parametrize("name", ["day.gpx", "day.tcx"])
def test_a_parsers_lack_of_memory_is_not_called_damage(home: Home, name: str) -> None:
    """libxml2 reports it among the errors of syntax."""
    path = write_large_markup(home.inbox / name)
    settings = limit_reading(most_memory_mb=50.0)
    with pytest.raises(ReaderFailedError, match="needs more than 50 MB of memory"):
        run_isolated_read(ExportFile(path, name), ReadOptions(), settings=settings)


@pytest.mark.usefixtures("pool")
def test_looking_for_a_files_format_has_its_limits_too(home: Home, tmp_path: Path) -> None:
    path = write_bad_export(home.inbox / "one.bad", "sniff", mark=tmp_path / "mark")
    assert path.read_bytes().startswith(MAGIC)
    # Under load, the second process needs its time to import a library.
    (refused,) = take(home, path, limit(longest_s=1.0))
    assert (refused.reason or "").startswith("reading it was stopped after 1 s")
    assert refused.format is None


@pytest.mark.parametrize("name", ["whole.zip", "whole.csv.gz", "whole.csv"])
def test_the_watcher_looks_at_every_file_in_a_reading_process(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    path = tmp_path / name
    with zipfile.ZipFile(tmp_path / "whole.zip", "w") as archive:
        archive.writestr("good.csv", CSV)
    (tmp_path / "whole.csv.gz").write_bytes(gzip.compress(CSV.encode()))
    (tmp_path / "whole.csv").write_text(CSV)
    # Where none starts, nothing is known of the file yet.
    monkeypatch.setattr(guard, "POOL", Pool(("no_such_module",)))
    assert not is_whole(path)


def test_one_bad_file_among_archived_notes_hides_no_others(tmp_path: Path, pool: Pool) -> None:
    (tmp_path / "a.notes.toml").write_text(NOTES)
    (tmp_path / "c.notes.toml").write_text(NOTES + "sport = 1\n")
    write_large_sheet(tmp_path / "b.notes.csv")
    files = [ExportFile(path, path.name) for path in sorted(tmp_path.glob("*.notes.*"))]
    good, large, wrong = read_some_notes_isolated(
        files, zone=None, settings=limit_reading(most_memory_mb=LITTLE_MB)
    )
    assert good == NotesText(NOTES, (read_notes(NOTES, name="a.notes.toml"),))
    assert isinstance(large, ReaderFailedError)
    assert str(large).startswith(f"b.notes.csv: {TOO_MUCH}")
    assert isinstance(wrong, NotesError)
    assert wrong.line == 2
    assert len(pool.pids) == 1


def test_settling_complains_about_archived_notes_that_go_too_far(home: Home, pool: Pool) -> None:
    path = home.inbox / "day.notes.toml"
    path.write_text(NOTES)
    take(home, path, load_settings())
    write_large_sheet(home.inbox / "year.notes.csv")
    take(home, home.inbox / "year.notes.csv", load_settings())
    # A process that has read it once may hold the memory for it still.
    pool.end()
    made = prepare(home, limit(most_memory_mb=LITTLE_MB))
    assert [row["name"] for row in made.notes] == ["day.notes.toml"]
    assert made.notes[0]["notes_text"] == NOTES
    (complaint,) = made.complaints
    assert complaint.startswith(f"year.notes.csv: {TOO_MUCH}")


@pytest.mark.usefixtures("pool")
def test_a_course_that_goes_too_far_is_complained_about(tmp_path: Path) -> None:
    write_large_course(tmp_path / "loop.gpx")
    notes = read_notes(NOTES + 'course = "loop"\n', name="day.notes.toml")
    settings = limit_reading(most_memory_mb=LITTLE_MB)
    course = load_course(
        notes, courses=tmp_path, read=lambda path: read_line_isolated(path, settings=settings)
    )
    assert course.line is None
    assert (course.complaint or "").startswith(f"loop.gpx: {TOO_MUCH}")
    # The page goes without it.
    assert load_line_isolated("loop", courses=tmp_path, settings=settings) is None


@pytest.mark.usefixtures("pool")
def test_a_course_cannot_read_other_files(tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("50.0")
    (tmp_path / "loop.gpx").write_text(
        f'<!DOCTYPE gpx [<!ENTITY x SYSTEM "file://{tmp_path}/secret">]>'
        '<gpx version="1.1" creator="t"><rte><name>&x;</name><rtept lat="50" lon="8"/></rte></gpx>'
    )
    notes = read_notes(NOTES + 'course = "loop"\n', name="day.notes.toml")
    course = load_course(
        notes,
        courses=tmp_path,
        read=lambda path: read_line_isolated(path, settings=limit_reading()),
    )
    assert course.complaint is not None
    assert course.complaint.startswith("loop.gpx: it declares a document type")
