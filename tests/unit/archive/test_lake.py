"""The lake gives back what was written, whole, and cleans up after runs that died."""

from __future__ import annotations

import os
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from tasks.archive import lake as lake_module
from tasks.archive.lake import (
    ensure_lake,
    has_recording,
    list_recordings,
    read_recording,
    remove_pairs,
    remove_recording,
    sweep,
    write_pairs,
    write_recording,
)
from tasks.core.recording import Header, Recording, Remark
from tasks.tables.arrow import make_empty, make_table
from tasks.tables.tables import (
    BATTERY,
    BEATS,
    EVENTS,
    LAKE_TABLES,
    LAPS,
    LENGTHS,
    PAIRS,
    RECORDING_TABLES,
    SAMPLES,
)

if TYPE_CHECKING:
    from pathlib import Path

START_US = 1_750_000_000_000_000


def make_recording() -> Recording:
    times = [START_US, START_US + 1_000_000]
    return Recording(
        header=Header("fit", "fitparse 1.2.0", serial="42", local_offset_s=7200),
        start_utc=datetime(2025, 6, 15, 15, 6, 40, tzinfo=UTC),
        end_utc=datetime(2025, 6, 15, 15, 6, 41, 5, tzinfo=UTC),
        samples=make_table(SAMPLES, {"time_utc": times, "heart_rate_bpm": [100.0, None]}),
        laps=make_table(LAPS, {"lap": [0], "start_utc": [START_US], "trigger": ["manual"]}),
        lengths=make_empty(LENGTHS),
        beats=make_empty(BEATS),
        battery=make_empty(BATTERY),
        events=make_empty(EVENTS),
        remarks=(Remark("values of speed_mps were too high", 3),),
    )


def test_a_recording_comes_back_as_it_was_written(tmp_path: Path) -> None:
    recording = make_recording()
    write_recording(recording, "abc-0", lake=tmp_path)
    again = read_recording("abc-0", lake=tmp_path)
    assert again.header == recording.header
    assert (again.start_utc, again.end_utc) == (recording.start_utc, recording.end_utc)
    assert again.remarks == recording.remarks
    for table in RECORDING_TABLES:
        assert getattr(again, table.name).equals(getattr(recording, table.name)), table.name


def test_units_and_meaning_stand_in_the_file(tmp_path: Path) -> None:
    write_recording(make_recording(), "abc-0", lake=tmp_path)
    schema = pq.read_schema(tmp_path / "samples/recording_id=abc-0/samples.parquet")
    assert schema.field("heart_rate_bpm").metadata[b"unit"] == b"bpm"
    assert schema.field("time_utc").type == pa.timestamp("us", tz="UTC")
    assert b"sample" in schema.metadata[b"grain"]


def test_samples_are_compressed_with_zstd(tmp_path: Path) -> None:
    write_recording(make_recording(), "abc-0", lake=tmp_path)
    file = pq.ParquetFile(tmp_path / "samples/recording_id=abc-0/samples.parquet")
    assert file.metadata.row_group(0).column(0).compression == "ZSTD"


def test_writing_again_replaces_also_tables_that_have_no_rows_any_more(tmp_path: Path) -> None:
    write_recording(make_recording(), "abc-0", lake=tmp_path)
    write_recording(replace(make_recording(), laps=make_empty(LAPS)), "abc-0", lake=tmp_path)
    assert read_recording("abc-0", lake=tmp_path).laps.num_rows == 0


def test_a_removed_recording_leaves_no_file(tmp_path: Path) -> None:
    write_recording(make_recording(), "abc-0", lake=tmp_path)
    assert has_recording("abc-0", lake=tmp_path)
    remove_recording("abc-0", lake=tmp_path)
    assert not has_recording("abc-0", lake=tmp_path)
    assert not list(tmp_path.rglob("*abc-0*"))
    remove_recording("abc-0", lake=tmp_path)


def test_an_unknown_recording_is_a_lookup_error(tmp_path: Path) -> None:
    with pytest.raises(LookupError, match="abc-0 is not in the lake"):
        read_recording("abc-0", lake=tmp_path)


@pytest.mark.parametrize("key", ["../x", "", "a/b", ".hidden", "a b"])
def test_an_id_that_is_no_file_name_is_refused(key: str, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="cannot be part of a file name"):
        write_recording(make_recording(), key, lake=tmp_path)


def test_a_failed_write_leaves_the_old_file_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_recording(make_recording(), "abc-0", lake=tmp_path)

    def fail(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(lake_module.os, "fsync", fail)
    changed = replace(make_recording(), header=Header("gpx", "x"))
    with pytest.raises(OSError, match="No space"):
        write_recording(changed, "abc-0", lake=tmp_path)
    monkeypatch.undo()
    assert read_recording("abc-0", lake=tmp_path).header.format == "fit"
    assert not list(tmp_path.rglob("*.building"))


def test_columns_that_a_later_version_adds_are_missing_in_old_files(tmp_path: Path) -> None:
    write_recording(make_recording(), "abc-0", lake=tmp_path)
    path = tmp_path / "samples/recording_id=abc-0/samples.parquet"
    with pq.ParquetFile(path) as file:
        rows = file.read()
    pq.write_table(rows.drop_columns(["pressure_pa"]), path)
    again = read_recording("abc-0", lake=tmp_path)
    assert again.samples.column_names == list(SAMPLES.column_names)
    assert again.samples.column("pressure_pa").null_count == 2


def test_every_table_of_an_empty_lake_answers_a_query(tmp_path: Path) -> None:
    ensure_lake(tmp_path)
    ensure_lake(tmp_path)
    for table in LAKE_TABLES:
        pattern = f"{tmp_path}/{table.name}/*/*.parquet"
        count = duckdb.execute(
            "select count(*) from read_parquet(?, hive_partitioning = true)", [pattern]
        ).fetchone()
        assert count == (0,), table.name
    assert list_recordings(tmp_path) == ()


def test_a_query_sees_the_recording_id_and_every_row(tmp_path: Path) -> None:
    ensure_lake(tmp_path)
    write_recording(make_recording(), "abc-0", lake=tmp_path)
    rows = duckdb.execute(
        "select recording_id, heart_rate_bpm from read_parquet(?, hive_partitioning = true) "
        "order by time_utc",
        [f"{tmp_path}/samples/*/*.parquet"],
    ).fetchall()
    assert rows == [("abc-0", 100.0), ("abc-0", None)]
    assert list_recordings(tmp_path) == ("abc-0",)


def test_pairs_are_replaced_and_removed(tmp_path: Path) -> None:
    pairs = make_table(PAIRS, {"time_utc": [START_US], "recording_id": ["abc-0"]})
    path = tmp_path / "pairs/workout_id=20250615T1506Z-abcdef/pairs.parquet"
    write_pairs(pairs, "20250615T1506Z-abcdef", lake=tmp_path)
    assert path.exists()
    write_pairs(make_empty(PAIRS), "20250615T1506Z-abcdef", lake=tmp_path)
    assert not path.exists()
    write_pairs(pairs, "20250615T1506Z-abcdef", lake=tmp_path)
    remove_pairs("20250615T1506Z-abcdef", lake=tmp_path)
    assert not path.exists()


def test_sweep_removes_what_a_dead_run_left_and_nothing_that_is_young(tmp_path: Path) -> None:
    write_recording(make_recording(), "abc-0", lake=tmp_path)
    write_recording(make_recording(), "dead-0", lake=tmp_path)
    (tmp_path / "samples/recording_id=dead-0/samples.parquet").unlink()
    old = tmp_path / "samples/recording_id=abc-0/.samples.parquet.0a.building"
    young = tmp_path / "samples/recording_id=abc-0/.samples.parquet.0b.building"
    orphan = tmp_path / "laps/recording_id=dead-0/laps.parquet"
    for path in (old, young):
        path.write_bytes(b"half")
    for path in (old, orphan):
        os.utime(path, (0, 0))
    assert sweep(tmp_path) == (
        "laps/recording_id=dead-0/laps.parquet",
        "samples/recording_id=abc-0/.samples.parquet.0a.building",
    )
    assert young.exists()
    assert has_recording("abc-0", lake=tmp_path)


def test_sweep_of_a_lake_that_is_not_there_does_nothing(tmp_path: Path) -> None:
    assert sweep(tmp_path / "lake") == ()
