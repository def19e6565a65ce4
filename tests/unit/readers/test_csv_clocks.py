"""CSV times: clocks of twelve hours, fine epochs, and what a file says beside seconds elapsed."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest

from tasks.core.errors import ExportRefusedError, NoClockError, UnknownLayoutError
from tasks.core.reading import read_export
from tasks.core.recording import ExportFile
from tasks.core.registers import ReadOptions

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tasks.core.recording import Recording

    Read = Callable[..., Recording]

FIRST_UTC = datetime(2026, 5, 2, 7, 30, tzinfo=UTC)


@pytest.fixture
def read(tmp_path: Path) -> Read:
    def read_text(text: str, *, zone: str | None = "UTC", name: str = "a.csv") -> Recording:
        path = tmp_path / "content"
        path.write_text(text)
        folder = tmp_path / "columns"
        options = ReadOptions(zone=zone, layout_folders=(folder,))
        (recording,) = read_export(ExportFile(path, name), options)
        return recording

    return read_text


#: Header and cells of one instant, 2026-05-02T07:30:00Z.
SAME_INSTANT = [
    # 1777707000 s by `date -u -d 2026-05-02T07:30 +%s`.
    ("timestamp", "1777707000000000"),
    ("timestamp", "1777707000000000000"),
    ("time (us)", "1777707000000000"),
    ("timestamp_ns", "1777707000000000000"),
    ("time", "2026-05-02 07:30:00 AM"),
    ("time", "2026-05-02 7:30 a.m."),
    ("Timestamp", "02.05.2026 07:30:00 AM"),
    ("date;time", "2026-05-02;07:30:00 AM"),
    ("date;time", "2026-05-02;7:30:00am"),
]


@pytest.mark.parametrize(("title", "cell"), SAME_INSTANT)
def test_a_time_may_be_of_twelve_hours_or_a_fine_epoch(title: str, cell: str, read: Read) -> None:
    recording = read(f"{title};hr\n{cell};70\n")
    assert recording.start_utc == FIRST_UTC


def test_noon_and_midnight_of_twelve_hours(read: Read) -> None:
    recording = read("time,hr\n2026-05-02 12:00:00 AM,70\n2026-05-02 12:00:00 PM,70\n")
    assert recording.start_utc == datetime(2026, 5, 2, tzinfo=UTC)
    assert recording.end_utc == datetime(2026, 5, 2, 12, tzinfo=UTC)


def test_a_date_with_slashes_is_read_where_one_order_only_is_a_date(read: Read) -> None:
    for cell in ("5/22/2026 7:30:00 AM", "22/05/2026 07:30:00", '"5/22/2026, 7:30:00 AM"'):
        recording = read(f"time,hr\n{cell},70\n")
        assert recording.start_utc == datetime(2026, 5, 22, 7, 30, tzinfo=UTC)


@pytest.mark.parametrize("zone", ["UTC", None])
def test_a_date_that_can_be_read_in_two_orders_is_refused(zone: str | None, read: Read) -> None:
    with pytest.raises(UnknownLayoutError, match="day-first and month-first") as caught:
        read("time,hr\n5/2/2026 7:30:00 AM,70\n", zone=zone)
    assert "# CHECK: the day may stand first" in caught.value.proposal


def test_the_proposal_for_two_orders_decides_them(read: Read, tmp_path: Path) -> None:
    text = "time,hr\n5/2/2026 7:30:00 AM,70\n"
    with pytest.raises(UnknownLayoutError) as caught:
        read(text)
    (tmp_path / "columns").mkdir()
    (tmp_path / "columns" / "own.toml").write_text(caught.value.proposal)
    assert read(text).start_utc == FIRST_UTC


# --- seconds elapsed beside a clock ------------------------------------------------------------
#: Tables that count from their start while another column says when that was.
BESIDE = {
    "intervals": "timestamp,rr\n2026-05-02T07:30:00Z,800\n2026-05-02T07:30:01Z,810\n",
    "seconds": "seconds,moment,hr\n0,2026-05-02T07:30:00,70\n1,2026-05-02T07:30:01,71\n",
    "time of day": "seconds,wall clock,hr\n0,07:30:00,70\n1,07:30:01,71\n",
    "half of the day": "t,seen,hr\n0,7:30:00 AM,70\n1,7:30:01 AM,71\n",
    "epoch": "elapsed,device ms,hr\n0:00,1777707000000,70\n0:01,1777707001000,71\n",
    "dotted": "seconds;Tag;hr\n0;02.05.2026;70\n1;02.05.2026;71\n",
}


@pytest.mark.parametrize("text", BESIDE.values(), ids=BESIDE)
def test_rows_that_show_their_time_are_never_laid_into_1970(text: str, read: Read) -> None:
    with pytest.raises(UnknownLayoutError, match="shows dates or times of day") as caught:
        read(text)
    assert "[[column]]" in caught.value.proposal


def test_a_time_that_can_be_read_goes_before_seconds_elapsed(read: Read) -> None:
    recording = read("seconds,timestamp,hr\n0,2026-05-02T07:30:00Z,70\n1,2026-05-02T07:30:01Z,71\n")
    assert recording.start_utc == FIRST_UTC


def test_other_clocks_of_laps_are_no_time_of_day(read: Read) -> None:
    recording = read("seconds,lap time,hr\n0,00:00:00,70\n1,00:00:01,71\n")
    assert recording.header.time_basis == "elapsed"


#: Lines above a table of seconds that say when it began.
ABOVE = {
    "one line": "Start: 2026-05-02 07:30:00Z\n",
    "two lines": "Device;Rowan\nDate;2026-05-02\nStart time;07:30:00\n",
    "dotted": "# recorded on 02.05.2026 07:30\n",
    "half of the day": "Date: 2026-05-02, 7:30 AM\nExported: 2026-05-09 12:00\n",
    "with offset": "start 2026-05-02T09:30:00+02:00\n",
}


@pytest.mark.parametrize("above", ABOVE.values(), ids=ABOVE)
def test_a_start_above_the_table_places_its_seconds(above: str, read: Read) -> None:
    recording = read(f"{above}\nseconds;hr\n0;70\n5;71\n")
    assert recording.start_utc == FIRST_UTC
    assert (recording.end_utc - recording.start_utc).total_seconds() == 5.0
    assert recording.header.time_basis in {"utc", "zone"}
    assert any("above the table" in remark.text for remark in recording.remarks)


def test_a_start_above_the_table_without_zone_waits_for_notes(read: Read) -> None:
    with pytest.raises(NoClockError) as caught:
        read("Date: 2026-05-02 07:30:00\nseconds,hr\n0,70\n5,71\n", zone=None)
    assert caught.value.local_span == (datetime(2026, 5, 2, 7, 30), datetime(2026, 5, 2, 7, 30, 5))  # noqa: DTZ001 - local times


def test_times_of_day_below_a_date_are_of_that_day(read: Read) -> None:
    recording = read("Date: 2026-05-02\ntime,hr\n23:59:59,70\n0:00:01,71\n")
    assert recording.start_utc == datetime(2026, 5, 2, 23, 59, 59, tzinfo=UTC)
    assert recording.end_utc == datetime(2026, 5, 3, 0, 0, 1, tzinfo=UTC)


@pytest.mark.parametrize(
    ("above", "says"),
    [
        ("Date: 2026-05-02", "nothing says at which time of day"),
        ("Date: 5/2/2026", "can be read in two ways"),
        ("Date: 2026-05-02\nStart: 2026-05-03 07:00:00", "more than one date"),
    ],
)
def test_half_a_start_above_the_table_is_refused(above: str, says: str, read: Read) -> None:
    with pytest.raises(ExportRefusedError, match=says):
        read(f"{above}\nseconds,hr\n0,70\n5,71\n")


def test_dates_of_an_export_or_a_birthday_are_no_start(read: Read) -> None:
    recording = read("Exported 2026-05-09 12:00:00\nborn: 1990-01-01\nseconds,hr\n0,70\n5,71\n")
    assert recording.header.time_basis == "elapsed"
