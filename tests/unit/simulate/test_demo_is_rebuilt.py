"""The demo that is committed is the one that the simulator writes, byte for byte."""

import json
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from tests.simulate.__main__ import DEMO_FOLDER, DEMO_MANIFEST, REPOSITORY
from tests.simulate.demo import write_demo


def read_all(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="module")
def rebuilt(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    place = tmp_path_factory.mktemp("demo")
    folder, manifest = place / "inbox", place / "manifest.json"
    # Another process: nothing that this one has drawn or loaded can be in the bytes.
    subprocess.run(
        [sys.executable, "-m", "tests.simulate", "demo", "--out", str(folder),
         "--manifest", str(manifest)],
        check=True, cwd=REPOSITORY,
    )  # fmt: skip
    return folder, manifest


def test_the_committed_demo_is_rebuilt_byte_for_byte(rebuilt: tuple[Path, Path]) -> None:
    fresh, committed = read_all(rebuilt[0]), read_all(DEMO_FOLDER)
    assert sorted(fresh) == sorted(committed)
    assert [name for name in fresh if fresh[name] != committed[name]] == []


def test_the_committed_manifest_is_rebuilt_byte_for_byte(rebuilt: tuple[Path, Path]) -> None:
    assert rebuilt[1].read_bytes() == DEMO_MANIFEST.read_bytes()


def test_the_demo_is_smaller_than_six_megabytes() -> None:
    assert sum(len(content) for content in read_all(DEMO_FOLDER).values()) < 6_000_000


def test_a_file_that_no_longer_belongs_to_the_demo_is_removed(tmp_path: Path) -> None:
    (tmp_path / "old.fit").write_bytes(b"x")
    write_demo(tmp_path)
    assert not (tmp_path / "old.fit").exists()


def test_every_recording_of_the_manifest_is_in_the_demo() -> None:
    manifest = json.loads(DEMO_MANIFEST.read_text(encoding="utf-8"))
    names = {
        recording["file"] for workout in manifest["workouts"] for recording in workout["recordings"]
    }
    exports = {
        name for name in read_all(DEMO_FOLDER) if not name.endswith(".toml") and "/" not in name
    }
    assert names | {manifest["damaged"]} == exports
    assert len(manifest["workouts"]) == 8


def test_every_workout_was_recorded_by_four_or_five_devices() -> None:
    manifest = json.loads(DEMO_MANIFEST.read_text(encoding="utf-8"))
    counts = [
        len({recording["device_id"] for recording in workout["recordings"]})
        for workout in manifest["workouts"]
    ]
    assert set(counts) == {4, 5}


def test_notes_and_devices_are_sound_toml() -> None:
    parsed = {
        path.name: tomllib.loads(path.read_text(encoding="utf-8"))
        for path in DEMO_FOLDER.glob("*.toml")
    }
    assert len(parsed) == 9
    known = {device["id"] for device in parsed["devices.toml"]["device"]}
    for name, notes in parsed.items():
        if name != "devices.toml":
            assert set(notes.get("setup", {})) <= known
            assert notes["start"].utcoffset() is not None
