"""Writes the demo: exports, notes, devices, a course, a damaged file; and its manifest of truth."""

import json
from collections.abc import Sequence
from datetime import datetime, timedelta, timezone
from pathlib import Path

import numpy as np

from tests.simulate.demo_day import Day, Worn
from tests.simulate.demo_devices import BIRCH, DEVICES_TOML
from tests.simulate.demo_story import STORY
from tests.simulate.demo_workouts import SEED, ride_mixed
from tests.simulate.devices import Recorded, record
from tests.simulate.effects_other import EarlyStop
from tests.simulate.formats import write_export
from tests.simulate.manifest import Entry, format_instant
from tests.simulate.places import Place
from tests.simulate.write_fit import write_fit

LOCAL = timezone(timedelta(hours=1))
DAMAGED_NAME = "2025-11-30-birch-damaged.fit"


def build_demo(
    days: Sequence[Day] | None = None, *, seed: int = SEED
) -> tuple[dict[str, bytes], dict[str, object]]:
    """Return every file of the demo by its relative name, and the manifest.

    Other `days` and another `seed` tell another story.
    """
    days = [tell() for tell in STORY] if days is None else days
    files: dict[str, bytes] = {"devices.toml": DEVICES_TOML.encode()}
    workouts: list[dict[str, object]] = []
    for day in days:
        recordings = [(worn, record(worn.device, day.workout, seed)) for worn in day.worn]
        exports = []
        for worn, recorded in recordings:
            for form in worn.formats:
                name = _name_export(day, worn, form)
                files[name] = write_export(recorded, form)
                exports.append((name, recorded))
        files[f"{_stem(day)}.notes.toml"] = write_notes(day).encode()
        workouts.append(describe(day, exports))
    trail = next(day for day in days if day.course).workout.place
    files["courses/forest-trail.gpx"] = write_course("forest-trail", trail)
    files[DAMAGED_NAME] = write_damaged()
    manifest = {
        "seed": seed,
        "note": "Truth of the demo. Times are true times; a device's clock may differ from them.",
        "damaged": DAMAGED_NAME,
        "workouts": workouts,
    }
    return dict(sorted(files.items())), manifest


def write_demo(folder: Path, manifest_file: Path | None = None) -> int:
    """Rewrite the demo's folder byte for byte; files that no longer belong to it are removed.

    Returns the number of bytes written.
    """
    files, manifest = build_demo()
    for old in sorted(folder.rglob("*")):
        if old.is_file() and old.relative_to(folder).as_posix() not in files:
            old.unlink()
    for name, content in files.items():
        target = folder / name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(content)
    if manifest_file is not None:
        text = json.dumps(manifest, indent=1, ensure_ascii=False)
        manifest_file.write_text(text + "\n", encoding="utf-8", newline="\n")
    return sum(len(content) for content in files.values())


def write_notes(day: Day) -> str:
    """Return the notes of a workout as TOML."""
    local = day.workout.start_utc.astimezone(LOCAL)
    lines = [
        f"start = {local.isoformat(timespec='seconds')}",
        f'activity = "{day.workout.activity}"',
        f'place = "{day.place}"',
    ]
    if day.course:
        lines.append(f'course = "{day.course}"')
    if day.truth:
        lines += ["", "[truth]"]
        for key, value in day.truth.items():
            plain = value if key == "start_utc" else json.dumps(value)
            lines.append(f"{key} = {plain}")
    for span in day.workout.segments:
        lines += ["", "[[segment]]", f'name = "{span.name}"']
        lines += [f'from = "{_clock(span.start_s)}"', f'to = "{_clock(span.end_s)}"']
    for worn in day.worn:
        if worn.setup:
            lines += ["", f"[setup.{worn.device.device_id}]"]
            lines += [f"{key} = {json.dumps(value)}" for key, value in worn.setup.items()]
    return "\n".join(lines) + "\n"


def write_course(name: str, place: Place) -> bytes:
    """Return the true line of a place as a GPX track without times, one point every 2 m."""
    if place.path is None:
        raise ValueError(f"{name}: a place indoors has no course")
    path = place.path
    along = np.arange(0.0, path.length_m, 2.0)
    latitude, longitude = place.to_degrees(*path.locate(along))
    points = "".join(
        f'<trkpt lat="{at:.7f}" lon="{beside:.7f}"><ele>{height:.1f}</ele></trkpt>\n'
        for at, beside, height in zip(
            latitude.tolist(), longitude.tolist(), path.climb(along).tolist(), strict=True
        )
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<gpx version="1.1" creator="surveyed line" xmlns="http://www.topografix.com/GPX/1/1">\n'
        f"<trk><name>{name}</name><trkseg>\n{points}</trkseg></trk></gpx>\n"
    ).encode()


def write_damaged() -> bytes:
    """Return four minutes of a ride as FIT, with a few bits flipped and the length unchanged."""
    ride = ride_mixed()
    short = BIRCH.with_effects(EarlyStop(ride.duration_s - 240.0))
    content = bytearray(write_fit(record(short, ride, SEED)))
    for at in (2500, 4801, 6002):
        content[at] ^= 0x5A
    return bytes(content)


def describe(day: Day, exports: list[tuple[str, Recorded]]) -> dict[str, object]:
    """Return what is true of one workout, and what was done to each recording."""
    workout = day.workout
    start = workout.start_utc
    return {
        "workout": workout.name,
        "activity": workout.activity,
        "place": day.place,
        "start_utc": format_instant(start, 0.0),
        "end_utc": format_instant(start, workout.duration_s),
        "distance_m": round(float(workout.distance_m[-1]), 3),
        "ascent_m": round(workout.true_ascent_m(), 2),
        "mean_heart_rate_bpm": round(float(workout.heart_rate_bpm.mean()), 3),
        "lengths": len(workout.pool_lengths),
        "segments": [
            {"name": span.name, "start_s": span.start_s, "end_s": span.end_s}
            for span in workout.segments
        ],
        "recordings": [
            {
                "file": name,
                "device_id": recorded.device.device_id,
                "clock_ahead_s": recorded.device.clock.ahead_s,
                "clock_zone_s": recorded.device.clock.zone_s,
                "device_distance_m": _last(recorded, "distance_m"),
                "device_ascent_m": recorded.totals.get("ascent_m"),
                "device_lengths": len(recorded.lengths),
                "effects": [_as_json(entry, start) for entry in recorded.entries],
            }
            for name, recorded in exports
        ],
    }


def _as_json(entry: Entry, start_utc: datetime) -> dict[str, object]:
    return entry.as_json(start_utc)


def _last(recorded: Recorded, channel: str) -> float | None:
    return round(float(recorded.channels[channel][-1]), 2) if recorded.has(channel) else None


def _stem(day: Day) -> str:
    return f"{day.workout.start_utc:%Y-%m-%d}-{day.workout.name.replace(' ', '-')}"


def _name_export(day: Day, worn: Worn, form: str) -> str:
    kind, _, suffix = form.rpartition(".")
    device = worn.device.device_id
    if kind == "elapsed":
        # The file itself knows no date: its name does.
        return f"{device}-{day.workout.start_utc:%Y%m%dT%H%M%SZ}.{suffix}"
    return f"{_stem(day)}-{device}.{suffix}"


def _clock(seconds: float) -> str:
    whole = round(seconds)
    hours, rest = divmod(whole, 3600)
    text = f"{rest // 60:02d}:{rest % 60:02d}"
    return f"{hours}:{text}" if hours else text
