"""The package as a whole: what it describes, what it claims, and when it is not written."""

from __future__ import annotations

import csv
import functools
import gzip
import io
import json
from contextlib import closing
from typing import TYPE_CHECKING, Any

import pytest

from config.settings import Settings, load_settings
from tasks.archive.lake import read_rows
from tasks.core.errors import CowornError
from tasks.package import Written, write_package
from tasks.package.parts import PARTS, Part
from tasks.store import connect_for_reading
from tasks.tables.arrow import make_empty
from tasks.tables.tables import SAMPLES, Table
from tasks.workout.courses import load_line

if TYPE_CHECKING:
    from pathlib import Path

    import pyarrow as pa

    from config.home import Home


def make_settings(**export: str) -> Settings:
    default = load_settings()
    return default.model_copy(update={"export": default.export.model_copy(update=export)})


def write(home: Home, place: Path, **changes: Any) -> Written:  # noqa: ANN401 - whatever is passed on
    facts = {
        "settings": load_settings(),
        "read_rows": functools.partial(read_rows, lake=home.lake),
        "key": b"a secret of the tests",
        "load_line": functools.partial(load_line, courses=home.courses),
        **changes,
    }
    with closing(connect_for_reading(home)) as connection:
        return write_package(connection, place, **facts)


def read_descriptor(place: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((place / "datapackage.json").read_text(encoding="utf-8"))
    return found


def test_every_file_is_described_and_every_described_file_is_there(
    home: Home, tmp_path: Path
) -> None:
    written = write(home, tmp_path / "out")
    there = {
        path.relative_to(tmp_path / "out").as_posix()
        for path in (tmp_path / "out").rglob("*")
        if path.is_file()
    }
    described = {one["path"] for one in read_descriptor(tmp_path / "out")["resources"]}
    assert there == described | {"datapackage.json", "README.md"}
    assert written.n_tables == len(PARTS)
    # A pool has no satellites.
    assert (written.n_tracks, written.n_courses) == (0, 0)


def test_the_same_store_gives_the_same_bytes_also_over_the_earlier_package(
    home: Home, tmp_path: Path
) -> None:
    places = [tmp_path / "first", tmp_path / "second", tmp_path / "first"]
    written = [write(home, place) for place in places]
    assert written[0] == written[1] == written[2]
    for path in sorted(places[0].rglob("*")):
        if path.is_file():
            twin = places[1] / path.relative_to(places[0])
            assert path.read_bytes() == twin.read_bytes(), path.name


def test_created_is_when_the_newest_run_that_gave_a_number_ended(
    home: Home, tmp_path: Path
) -> None:
    write(home, tmp_path / "out")
    with closing(connect_for_reading(home)) as connection:
        ((newest,),) = connection.execute(
            "SELECT strftime(max(ended_at), '%Y-%m-%dT%H:%M:%SZ') FROM runs"
        ).fetchall()
    descriptor = read_descriptor(tmp_path / "out")
    assert descriptor["created"] == newest
    year, month, day = (int(part) for part in newest[:10].split("-"))
    assert descriptor["version"].startswith(f"{year}.{month}.{day}+")


def test_no_licence_is_claimed_unless_the_settings_name_one(home: Home, tmp_path: Path) -> None:
    write(home, tmp_path / "none")
    assert "licenses" not in read_descriptor(tmp_path / "none")
    assert "None is claimed" in (tmp_path / "none" / "README.md").read_text(encoding="utf-8")
    chosen = make_settings(licence="CC-BY-4.0", title="Winter watches", name="winter-watches")
    write(home, tmp_path / "one", settings=chosen)
    descriptor = read_descriptor(tmp_path / "one")
    assert descriptor["licenses"] == [{"name": "CC-BY-4.0"}]
    assert [descriptor["name"], descriptor["title"]] == ["winter-watches", "Winter watches"]
    assert "CC-BY-4.0" in (tmp_path / "one" / "README.md").read_text(encoding="utf-8")


def test_nothing_is_invented_about_people_and_sources(home: Home, tmp_path: Path) -> None:
    write(home, tmp_path / "out")
    assert {"sources", "contributors", "homepage", "image"} & set(
        read_descriptor(tmp_path / "out")
    ) == set()


def test_the_caution_stands_in_the_description_and_in_the_readme(
    home: Home, tmp_path: Path
) -> None:
    write(home, tmp_path / "out")
    for text in (
        read_descriptor(tmp_path / "out")["description"],
        (tmp_path / "out" / "README.md").read_text(encoding="utf-8"),
    ):
        assert "no medical advice" in text


def test_a_recording_that_the_lake_lacks_leaves_the_earlier_package_alone(
    home: Home, tmp_path: Path
) -> None:
    place = tmp_path / "out"
    write(home, place)
    before = {path: path.read_bytes() for path in place.rglob("*") if path.is_file()}

    def lose_samples(table: Table, key: str) -> pa.Table:
        return make_empty(table) if table is SAMPLES else read_rows(table, key, lake=home.lake)

    with pytest.raises(CowornError, match="not in the lake; run coworn rebuild"):
        write(home, place, read_rows=lose_samples)
    assert {path: path.read_bytes() for path in place.rglob("*") if path.is_file()} == before
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_progress_runs_from_the_first_reading_to_the_last(home: Home, tmp_path: Path) -> None:
    told: list[tuple[int, int]] = []
    write(home, tmp_path / "out", tell=lambda done, total: told.append((done, total)))
    total = told[0][1]
    assert told == [(number, total) for number in range(1, total + 1)]


@pytest.mark.parametrize("part", PARTS, ids=lambda part: part.name)
def test_each_column_has_one_meaning_and_keys_point_to_keys(part: Part) -> None:
    parts = {one.name: one for one in PARTS}
    assert len(set(part.column_names)) == len(part.columns)
    assert set(part.key) | set(part.unique) <= set(part.column_names)
    for link in part.links:
        assert link.column in part.column_names
        assert parts[link.part].key == (link.key,)


def test_what_leads_to_a_person_or_a_file_is_no_column() -> None:
    names = {name for part in PARTS for name in part.column_names}
    assert names.isdisjoint(
        {
            *("file_id", "notes_file_id", "fingerprint", "serial", "creator", "folder", "inside"),
            *("notes_text", "remarks", "known_by", "event_data"),
        }
    )
    assert {part.name for part in PARTS}.isdisjoint({"files", "notes", "events"})


def test_no_id_leads_back_to_an_original_and_every_link_still_holds(
    home: Home, tmp_path: Path
) -> None:
    write(home, tmp_path / "out")
    with closing(connect_for_reading(home)) as connection:
        found = connection.execute("SELECT recording_id, workout_id FROM recordings").fetchall()
    data = tmp_path / "out" / "data"
    tables: dict[str, list[dict[str, str]]] = {}
    for path in (tmp_path / "out").rglob("*"):
        if path.is_file():
            raw = path.read_bytes()
            text = (gzip.decompress(raw) if path.suffix == ".gz" else raw).decode()
            for recording_id, workout_id in found:
                assert recording_id[:16] not in text, path.name
                assert workout_id is None or workout_id not in text, path.name
            if path.parent == data:
                name = path.name.partition(".")[0]
                tables[name] = list(csv.DictReader(io.StringIO(text, newline="")))
    recordings = {row["recording_id"] for row in tables["recordings"]}
    assert len(recordings) == len(found)
    for part in PARTS:
        for link in part.links:
            keys = {row[link.key] for row in tables[link.part]}
            assert {row[link.column] for row in tables[part.name]} <= keys | {""}, part.name


def test_another_home_has_other_ids(home: Home, tmp_path: Path) -> None:
    write(home, tmp_path / "one")
    write(home, tmp_path / "two", key=b"another secret")
    one, two = (
        (tmp_path / name / "data" / "recordings.csv").read_text() for name in ("one", "two")
    )
    assert one != two
    assert one.count("\n") == two.count("\n")
