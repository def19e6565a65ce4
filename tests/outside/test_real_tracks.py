"""Real walks and hikes: leg lengths of four receivers, ascents at several thresholds.

Sources of the files: source archives of tracklib 0.8.4.2 (data/sep/raw: walks with up to five
receivers, the turns of one of them written down by hand) and gpxpy 1.6.2 (test_files). Nothing of
them is kept here.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import gpxpy
import numpy as np
import pytest

from config.devices import Device
from config.settings import load_settings
from tasks.align import align_workout
from tasks.core.notes import NamedSegment, Notes
from tasks.core.reading import read_export
from tasks.core.recording import ExportFile, Recording
from tasks.core.registers import ReadOptions
from tasks.maths.elevation import accumulate_climb
from tasks.metrics.track.compared import Deviation, compare_tracks
from tasks.normalise import normalise_recording
from tasks.pair import Candidate, pair_recordings
from tasks.processing.measure import measure_workout
from tasks.workout.case import Case, Segment, Workout
from tasks.workout.references import choose_references

RegistryArchive = Callable[..., Path]
SETTINGS = load_settings()
RECEIVERS = ("polar", "garmin", "keymaze", "telephone")
# Of the walk of 20 legs: mean and spread (population SD) of the summed fixes of a leg [m], in the
# order of RECEIVERS. Source: an independent script on the same files. The telephone gives a fix
# every 9 s: its leg over a turn belongs to both sides by time. Left out of both, as the script did
# with 304.0 and 15.5 m, each leg of the walk lacks 10 m of the polar's 314.5 m. Source of the
# telephone's line: a second script, geographiclib and interpolation of the summed way.
LEGS_M = {
    "polar": (314.5, 20.7),
    "garmin": (350.7, 40.4),
    "keymaze": (301.3, 28.8),
    "telephone": (314.2, 14.4),
}


def read_recordings(path: Path) -> list[Recording]:
    export = ExportFile(path, path.name)
    return [
        normalise_recording(recording, name=path.name)
        for recording in read_export(export, ReadOptions())
    ]


# --- twenty legs ------------------------------------------------------------------------------
@pytest.fixture(scope="module")
def walk_folder(registry_archive: RegistryArchive) -> Path:
    folder = registry_archive("tracklib==0.8.4.2", kind="sdist")
    return next(path for path in folder.rglob("data/sep/raw") if path.is_dir())


def read_legs(path: Path) -> tuple[NamedSegment, ...]:
    """Read the turns, which were written down in local time, two hours ahead of UTC."""
    found = re.findall(r"(\d\d/\d\d/\d{4} \d\d:\d\d:\d\d)\s+(\d\d/\S+ \S+)", path.read_text())
    ends = [
        [
            datetime.strptime(stamp, "%d/%m/%Y %H:%M:%S").replace(tzinfo=UTC) - timedelta(hours=2)
            for stamp in leg
        ]
        for leg in found
    ]
    return tuple(
        NamedSegment(f"leg {number}", from_utc=begin, to_utc=end)
        for number, (begin, end) in enumerate(ends, start=1)
    )


@pytest.fixture(scope="module")
def walk(walk_folder: Path) -> Workout:
    recordings = {name: read_recordings(walk_folder / f"FC_{name}.gpx")[0] for name in RECEIVERS}
    candidates = [
        Candidate(
            recording_id=name,
            device_id=name,
            start_utc=recording.start_utc,
            end_utc=recording.end_utc,
            sport=recording.header.sport,
            time_basis=recording.header.time_basis,
            position_kind=recording.header.position_kind,
            file_name=f"FC_{name}.gpx",
            n_samples=recording.samples.num_rows,
        )
        for name, recording in recordings.items()
    ]
    (workout,) = pair_recordings(candidates, recordings.__getitem__, settings=SETTINGS.pair)
    aligned = align_workout(
        "walk",
        recordings,
        workout=workout,
        devices={name: Device(id=name, name=name) for name in RECEIVERS},
        settings=SETTINGS,
    )
    legs = read_legs(walk_folder / "timestamp_FC.txt")
    first = legs[0].from_utc
    assert first is not None
    return Workout(
        workout_id="walk",
        grid=aligned.grid,
        activity="walking",
        place="outdoors",
        subjects=aligned.subjects,
        notes=Notes(first, segments=legs, name="walk.notes.toml"),
        settings=SETTINGS,
    )


@pytest.fixture(scope="module")
def leg_lengths_m(walk: Workout) -> dict[str, list[float]]:
    lengths: dict[str, list[float]] = {name: [] for name in RECEIVERS}
    for row in measure_workout(walk).results.to_pylist():
        if row["metric"] == "distance_summed_m" and row["segment"].startswith("leg "):
            lengths[row["device_id"]].append(row["value"])
    return lengths


@pytest.mark.parametrize("name", RECEIVERS)
def test_legs_are_as_long_as_another_program_found(
    leg_lengths_m: dict[str, list[float]], name: str
) -> None:
    lengths = np.array(leg_lengths_m[name])
    mean_m, spread_m = LEGS_M[name]
    assert lengths.size == 20
    # The script cut at stamps, we at whole seconds after alignment: a few metres a leg at most.
    assert lengths.mean() == pytest.approx(mean_m, rel=0.05)
    assert lengths.std() == pytest.approx(spread_m, rel=0.05)


def test_the_walk_is_matched_in_order_though_it_goes_to_and_fro(walk: Workout) -> None:
    """Ten times there and back on one path: each fix must lie on the leg of its own time."""
    test = next(one for one in walk.subjects if one.device.id == "garmin")
    other = next(one for one in walk.subjects if one.device.id == "polar")
    two = replace(walk, subjects=(test, other), memo={})
    (reference,) = choose_references(two, test, "position").references
    whole = Segment("all", other.covered.copy())
    found = compare_tracks(Case(two, test, reference, whole))
    assert isinstance(found, Deviation)
    line_seconds = found.match.line.seconds
    assert line_seconds is not None
    fixes = found.match.fixes
    passed = np.interp(found.match.matched.along_m, found.match.line.along_m, line_seconds)
    apart_s = np.abs(passed - fixes.seconds)[found.chosen]
    # At 1.3 m/s under trees, where the receivers disagree by 10 to 20 m.
    assert np.median(apart_s) < 10.0
    legs = read_leg_numbers(walk, passed[found.chosen]) - read_leg_numbers(
        walk, fixes.seconds[found.chosen]
    )
    # Near a turn the leg before and the leg after are both right; two legs apart never is.
    assert np.abs(legs).max() <= 1
    assert np.mean(legs == 0) > 0.9


def read_leg_numbers(walk: Workout, seconds: np.ndarray) -> np.ndarray:
    assert walk.notes is not None
    begins = [leg.from_utc.timestamp() for leg in walk.notes.segments if leg.from_utc]
    return np.searchsorted(np.array(begins), seconds, side="right")


# --- ascents ----------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("name", "track", "ascents_m"),
    # Ascent of a track's first segment at 0, 1, 3, 5 and 10 m. Source: computed twice, apart from
    # this project and from each other. Read by gpxpy: the clock of one of them stood in 1901.
    [
        ("korita-zbevnica.gpx", 1, (552, 529, 492, 467, 421)),
        ("Mojstrovka.gpx", 0, (483, 480, 469, 467, 467)),
    ],
)
def test_hikes_climb_what_two_other_programs_found(
    registry_archive: RegistryArchive, name: str, track: int, ascents_m: tuple[int, ...]
) -> None:
    folder = registry_archive("gpxpy==1.6.2", kind="sdist")
    (path,) = folder.rglob(name)
    points = gpxpy.parse(path.read_bytes()).tracks[track].segments[0].points
    heights = np.array([np.nan if one.elevation is None else one.elevation for one in points])
    found = [accumulate_climb(heights, threshold_m=h).ascent_m for h in (0.0, 1.0, 3.0, 5.0, 10.0)]
    assert [round(ascent) for ascent in found] == list(ascents_m)
