"""Proposes entries of `devices.toml` for devices that nobody described: facts, then guesses."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from config.devices import AmbiguousDeviceError, Traits, identify_device
from tasks.archive.lake import read_recording
from tasks.core.errors import CowornError
from tasks.processing.automatic import find_word
from tasks.tables.fetch import fetch_rows

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    import duckdb

    from config.devices import Device
    from tasks.core.recording import Recording

#: Words in names of products, folders and files (common practice, no source).
_STRAP: Final = re.compile(r"strap|chest|belt|hrm|ecg", re.IGNORECASE)
_BICYCLE: Final = re.compile(r"bike|handlebar|head.?unit|computer", re.IGNORECASE)
_PHONE: Final = re.compile(r"phone|mobile|\bapp\b", re.IGNORECASE)
_OWN_MOTION: Final = ("latitude_deg", "speed_mps", "distance_m")


_UNNAMED: Final = """
SELECT recordings.recording_id, recordings.device_id, devices.name AS device, files.name AS file,
  recordings.serial, recordings.creator, files.folder
FROM recordings LEFT JOIN devices USING (device_id) LEFT JOIN files USING (file_id)
WHERE known_by = 'none'
ORDER BY recordings.device_id, files.received_at, files.name
"""


@dataclass(frozen=True)
class UnknownDevice:
    """A device that nobody described, with what its exports show; `files` the newest last."""

    device_id: str
    name: str
    recording_id: str
    files: tuple[str, ...]
    serial: str | None = None
    folder: str | None = None
    creator: str | None = None


@dataclass(frozen=True)
class Proposal:
    """An entry of `devices.toml`: the id of the device, and the text."""

    device_id: str
    text: str


def list_undescribed(
    connection: duckdb.DuckDBPyConnection, devices: tuple[Device, ...]
) -> list[dict[str, Any]]:
    """Return a row for each recording that no entry of `devices` names, as they stand now.

    Also before a run has renamed what an entry that was just written describes.
    """
    return [row for row in fetch_rows(connection, _UNNAMED) if not _is_described(row, devices)]


def _is_described(row: Mapping[str, Any], devices: tuple[Device, ...]) -> bool:
    traits = Traits(row["serial"], row["folder"], row["file"] or "", row["creator"])
    try:
        return identify_device(traits, devices).rule != "none"
    except AmbiguousDeviceError:
        return False


def propose_devices(
    unknown: Sequence[UnknownDevice], devices: Sequence[Device], *, lake: Path
) -> list[Proposal]:
    """Return an entry for each unknown device; ids stay, so that nothing else changes by it."""
    taken = {word for device in devices for word in (device.id, *device.was)}
    has_test = any(device.role == "test" for device in devices)
    proposals: list[Proposal] = []
    for one in unknown:
        traits, why = _guess(one, lake=lake)
        if "role" not in traits:
            traits["role"] = "peer" if has_test else "test"
            why += "; roles are test (what you judge), predecessor, peer, reference"
            has_test = True
        device_id = _choose_id(one, taken)
        taken.add(device_id)
        proposals.append(Proposal(device_id, _write(one, device_id, traits, why)))
    return proposals


def _choose_id(one: UnknownDevice, taken: set[str]) -> str:
    number, chosen = 1, one.device_id
    while chosen in taken:
        number += 1
        chosen = f"{one.device_id}-{number}"
    return chosen


def _guess(one: UnknownDevice, *, lake: Path) -> tuple[dict[str, str], str]:
    said = " ".join(filter(None, (one.name, one.folder, one.creator, one.files[-1])))
    recording = _open(one.recording_id, lake=lake)
    has_rate = recording is not None and _holds(recording, "heart_rate_bpm")
    moves = recording is None or any(_holds(recording, channel) for channel in _OWN_MOTION)
    has_beats = recording is not None and recording.beats.num_rows > 0
    if has_rate and (_STRAP.search(said) or (has_beats and not moves)):
        strap = {"role": "reference", "site": "chest", "heart_rate": "ecg"}
        return strap, "a chest strap: the reference for heart rate"
    if has_rate and not moves:
        band = {"role": "reference", "site": "arm", "heart_rate": "optical"}
        return band, 'heart rate only; a chest strap is site = "chest", heart_rate = "ecg"'
    if _PHONE.search(said):
        return {"site": "pocket", "heart_rate": "none"}, "a phone"
    if _BICYCLE.search(said):
        return {"site": "handlebar", "heart_rate": "none"}, "a bicycle computer"
    if has_rate:
        return {"site": "wrist", "heart_rate": "optical"}, "a watch"
    return {"site": "other", "heart_rate": "none"}, "no heart rate recorded"


def _open(recording_id: str, *, lake: Path) -> Recording | None:
    try:
        return read_recording(recording_id, lake=lake)
    except (CowornError, OSError):
        return None


def _holds(recording: Recording, channel: str) -> bool:
    column = recording.samples.column(channel)
    return bool(column.null_count < len(column))


def _write(one: UnknownDevice, device_id: str, traits: dict[str, str], why: str) -> str:
    return "\n".join(
        [
            "[[device]]",
            f"id = {_quote(device_id)}",
            f"name = {_quote(_choose_name(one))}",
            f"# guessed: {why}",
            *(f"{key} = {_quote(traits[key])}" for key in ("role", "site", "heart_rate")),
            f"match = [ {{{_write_rule(one)}}} ]",
        ]
    )


def _choose_name(one: UnknownDevice) -> str:
    word = find_word(one.files[-1]) if one.name in one.files else None
    return one.name if word is None else re.sub("[-_ ]+", " ", word).capitalize()


def _write_rule(one: UnknownDevice) -> str:
    if one.serial is not None:
        return f"serial = {one.serial if _is_number(one.serial) else _quote(one.serial)}"
    for rule, value in (("folder", one.folder), ("creator", one.creator)):
        if value:
            return f"{rule} = {_quote(_escape_pattern(value))}"
    word = find_word(one.files[-1])
    return f"filename = {_quote(f'*{word}*' if word else _escape_pattern(one.files[-1]))}"


def _is_number(serial: str) -> bool:
    return serial.isascii() and serial.isdigit() and str(int(serial)) == serial


def _escape_pattern(text: str) -> str:
    return "".join(f"[{letter}]" if letter in "*?[" else letter for letter in text)


def _quote(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)
