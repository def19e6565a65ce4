"""Names of devices that nobody has described: what their exports know, never a serial number."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

from config.devices import RESERVED_IDS, Identified

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from tasks.processing.known import KnownRecording

#: Rule under which a device is known that `devices.toml` does not name.
AUTOMATIC_RULE: Final = "none"
_UNNAMED: Final = "unnamed"
_LONGEST: Final = 32
_WORDS: Final = re.compile(r"[A-Za-z][A-Za-z0-9]*(?:[-_ ][A-Za-z][A-Za-z0-9]*)*")
_LEAST_LETTERS: Final = 3


@dataclass
class AutomaticNames:
    """Ids of automatic devices by what tells the units apart; an id stays once it is dealt.

    `known` are those of earlier runs, `taken` the ids and former ids of `devices.toml`. `dealt`
    collects what is new.
    """

    known: Mapping[str, str] = field(default_factory=dict)
    taken: frozenset[str] = frozenset()
    dealt: dict[str, str] = field(default_factory=dict)

    def find(self, key: str, base: str) -> str:
        """Return the id of the unit `key`: a new one begins with `base`, as an id is written."""
        held = self.dealt.get(key) or self.known.get(key)
        if held is not None and held not in self.taken:
            return held
        used = {*self.taken, *self.known.values(), *self.dealt.values(), *RESERVED_IDS}
        slug = make_slug(base)
        number = 1
        chosen = slug
        while chosen in used:
            number += 1
            chosen = f"{slug}-{number}"
        self.dealt[key] = chosen
        return chosen


def make_slug(text: str) -> str:
    """Return `text` as a device id is written: a-z, 0-9 and -."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain)[:_LONGEST].strip("-") or _UNNAMED


def find_word(file_name: str) -> str | None:
    """Return the longest run of words in the name of a file, without dates and numbers."""
    stem = file_name.rpartition(".")[0] or file_name
    words = [word for word in _WORDS.findall(stem) if len(word) >= _LEAST_LETTERS]
    return max(words, key=len, default=None)


def name_automatic(
    recordings: Iterable[KnownRecording], names: AutomaticNames
) -> tuple[KnownRecording, ...]:
    """Return the recordings; those of devices that nobody described have their readable ids."""
    return tuple(
        replace(known, identified=_name(known, names))
        if known.identified.rule == AUTOMATIC_RULE
        else known
        for known in recordings
    )


def _name(known: KnownRecording, names: AutomaticNames) -> Identified:
    device, header = known.device, known.header
    said = header.creator or header.product or known.file.folder or find_word(known.file.name)
    readable = names.find(device.id, said or _UNNAMED)
    name = device.name
    if header.serial is None and known.file.folder and known.file.folder != name:
        name = f"{name} ({known.file.folder})"
    return Identified(device.model_copy(update={"id": readable, "name": name}), AUTOMATIC_RULE)
