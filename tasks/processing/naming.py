"""Which device a word in the notes means: its id, an id that it had before, or its name."""

from __future__ import annotations

import difflib
from collections import defaultdict
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from config.devices import Identified

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from config.devices import Device
    from tasks.core.notes import Notes
    from tasks.processing.known import KnownRecording
    from tasks.processing.plan import Plan


@dataclass(frozen=True)
class DeviceWords:
    """What devices are called: `ids` by the word, names in lower case; `shared` names of several.

    `former` maps the id of a device that no longer exists to the one that has its recordings.
    """

    ids: Mapping[str, str]
    shared: Mapping[str, tuple[str, ...]]
    former: Mapping[str, str | None]

    def find(self, word: str) -> str | None:
        """Return the id of the device that `word` means, None for none or several."""
        return self.ids.get(word) or self.ids.get(word.strip().casefold())

    def explain(self, word: str) -> str:
        """Say why `word` means no device, and what to do."""
        several = self.shared.get(word.strip().casefold())
        if several:
            return f"{word!r} is the name of {' and '.join(several)}; write the id"
        if word in self.former:
            heir = self.former[word]
            if heir is None:
                return (
                    f"the device {word!r} no longer exists; write the id that it has now, or "
                    f'was = ["{word}"] under that device in devices.toml'
                )
            return (
                f"the device {word!r} no longer exists: its recordings are those of {heir} now; "
                f'write was = ["{word}"] under {heir} in devices.toml, or {heir} in the notes'
            )
        near = difflib.get_close_matches(word.strip().casefold(), self.ids, n=1)
        hint = f"did you mean {near[0]!r}? " if near else ""
        return (
            f"{word!r} is no known device; {hint}add it to devices.toml or correct its name "
            "(coworn devices lists them)"
        )


def collect_words(
    devices: Sequence[Device],
    automatic: Iterable[tuple[str, str]],
    former: Mapping[str, str | None],
) -> DeviceWords:
    """Return the words for `devices`, and for the id and name of each of the `automatic` ones."""
    by_name: dict[str, set[str]] = defaultdict(set)
    ids: dict[str, str] = {}
    for device_id, name in (*automatic, *((one.id, one.name) for one in devices)):
        ids[device_id] = device_id
        by_name[name.strip().casefold()].add(device_id)
    for device in devices:
        ids |= dict.fromkeys(device.was, device.id)
    names = {name: next(iter(found)) for name, found in by_name.items() if len(found) == 1}
    shared = {name: tuple(sorted(found)) for name, found in by_name.items() if len(found) > 1}
    return DeviceWords({**names, **ids}, shared, former)


def name_owners(
    recordings: Sequence[KnownRecording], notes: Sequence[Notes], devices: Sequence[Device]
) -> tuple[KnownRecording, ...]:
    """Return the recordings; those that notes give to a described device are of that device."""
    owners = {one: word for said in notes for one, word in said.owners.items()}
    if not owners:
        return tuple(recordings)
    words = collect_words(devices, (), {})
    by_id = {device.id: device for device in devices}
    return tuple(
        known
        if (device := by_id.get(words.find(owners.get(known.recording_id, "")) or "")) is None
        else replace(known, identified=Identified(device, "notes"))
        for known in recordings
    )


def resolve_devices(notes: Sequence[Notes], words: DeviceWords) -> tuple[Notes, ...]:
    """Return the notes with ids in place of names and former ids; unknown words stay."""
    return tuple(_resolve(one, words) for one in notes)


def _resolve(notes: Notes, words: DeviceWords) -> Notes:
    means = {word: words.find(word) or word for word in notes.setup}
    exclusions = tuple(
        replace(one, device=words.find(one.device) or one.device) if one.device else one
        for one in notes.exclusions
    )
    if exclusions != notes.exclusions:
        lines = dict(notes.lines)
        for before, after in zip(notes.exclusions, exclusions, strict=True):
            lines[f"exclude.{after.device}"] = notes.lines.get(f"exclude.{before.device}", 1)
        notes = replace(notes, exclusions=exclusions, lines=lines)
    if all(word == device_id for word, device_id in means.items()):
        return notes
    setup: dict[str, Mapping[str, str | float | bool]] = {}
    lines = dict(notes.lines)
    # What stands under the id itself goes before what stands under a name or a former id.
    for word in sorted(means, key=lambda word: word == means[word]):
        setup[means[word]] = {**setup.get(means[word], {}), **notes.setup[word]}
        lines[f"setup.{means[word]}"] = notes.lines.get(f"setup.{word}", 1)
    ordered = {device_id: setup[device_id] for device_id in dict.fromkeys(means.values())}
    return replace(notes, setup=ordered, lines=lines)


def check_devices(made: Plan, words: DeviceWords) -> Iterator[str]:
    """Say which setups are of devices that nobody knows: they would be lost in silence."""
    for planned in made.workouts:
        if planned.notes is None:
            continue
        here = {recording.device.id for recording in planned.recordings}
        for device_id in planned.notes.setup:
            if device_id not in here and words.find(device_id) is None:
                yield (
                    f"{planned.notes.locate(f'setup.{device_id}')}: the setup counts for nothing: "
                    f"{words.explain(device_id)}"
                )
