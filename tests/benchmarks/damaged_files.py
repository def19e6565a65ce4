"""Damaged exports and what they are held to, for the fuzzers.

Small good files of every format are the seeds; `damage` cuts, flips, splices, fills, stretches and
rewrites them. `read_whole_way` takes a file all the way that a dropped one goes: completeness,
reader, normalising, or the archive or notes reader. It must end in recordings or in a refusal of
one line that names the file, within `HANG_S` and `MEMORY_MB`, and a FIT file that kept its length
but not its checksum must not give numbers.
"""

from __future__ import annotations

import contextlib
import gzip
import hashlib
import io
import math
import re
import resource
import sys
import zipfile
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

from tasks.core.errors import ExportRefusedError, NotesError
from tasks.core.reading import is_complete, read_export
from tasks.core.recording import ExportFile
from tasks.core.registers import ReadOptions
from tasks.normalise import normalise_recording
from tasks.readers.archive import expand_archive, is_archive, is_complete_archive
from tasks.readers.notes import read_notes
from tests.simulate.demo_devices import ALDER_2, HAZEL
from tests.simulate.demo_workouts import ROAD
from tests.simulate.devices import record
from tests.simulate.fit_bytes import compute_crc
from tests.simulate.formats import WRITERS, write_export
from tests.simulate.places import Place
from tests.simulate.script import Effort, perform

if TYPE_CHECKING:
    import random
    from collections.abc import Callable

REPOSITORY: Final = Path(__file__).resolve().parents[2]
HANG_S: Final = 10.0
MEMORY_MB: Final = 512.0
MAX_EXPANDED_BYTES: Final = 50_000_000
#: What numbers, times and words of text files are replaced by.
ODD_TOKENS: Final = (
    b"1e308",
    b"-1e308",
    b"1e999",
    b"nan",
    b"-0",
    b"99999999999999999999999999",
    b"0001-01-01T00:00:00Z",
    b"9999-12-31T23:59:59Z",
    b"2100-01-01T00:00:00Z",
    b"90.0",
    b"-180.0",
    b"299792458",
    b"=cmd()",
    b"<x>",
    b'"',
    b"\x00",
    b"\xff\xfe",
    b"",
)
_TOKEN: Final = re.compile(rb"[0-9][0-9.:TZ+-]*")


@dataclass(frozen=True)
class Seed:
    """A good file: its format and its name."""

    format: str
    name: str
    data: bytes


def make_seeds() -> list[Seed]:
    """Return small good files: simulated ones, those of the contract tests, archives and notes."""
    workout = perform(
        [Effort("run", 90.0, 3.0, 0.7, 85.0, 250.0)],
        name="fuzz",
        activity="running",
        place=Place("road", ROAD),
        start_utc=datetime(2026, 1, 10, 8, 0, tzinfo=UTC),
        seed=1,
    )
    seeds = []
    for form in WRITERS:
        device = HAZEL if "beats" in form else ALDER_2
        suffix = form.rpartition(".")[2]
        data = write_export(record(device, workout, 1), form)
        seeds.append(Seed(suffix, f"{form.replace('.', '-')}.{suffix}", data))
    seeds += [
        Seed(path.parent.name, path.name, path.read_bytes())
        for path in sorted((REPOSITORY / "tests" / "contract" / "files").glob("*/good*"))
        if path.suffix != ".toml"
    ]
    seeds += [
        Seed("notes", path.name, path.read_bytes())
        for path in sorted((REPOSITORY / "inbox_demo").glob("*.notes.toml"))
    ]
    inside = [seed for seed in seeds if seed.format in {"fit", "gpx"}][:3]
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for seed in inside:
            archive.writestr(f"folder/{seed.name}", seed.data)
    seeds.append(Seed("zip", "exports.zip", packed.getvalue()))
    seeds.append(Seed("gzip", "run.gpx.gz", gzip.compress(inside[-1].data, mtime=0)))
    return seeds


# --- damage -------------------------------------------------------------------------------------
def cut(data: bytearray, _other: bytes, chance: random.Random) -> bytearray:
    return data[: chance.randrange(len(data) + 1)]


def flip(data: bytearray, _other: bytes, chance: random.Random) -> bytearray:
    for _ in range(chance.choice((1, 1, 2, 8, 64))):
        data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
    return data


def fill(data: bytearray, _other: bytes, chance: random.Random) -> bytearray:
    begin = chance.randrange(len(data))
    end = min(len(data), begin + chance.choice((1, 4, 64, 4096)))
    data[begin:end] = bytes([chance.choice((0, 0, 0xFF))]) * (end - begin)
    return data


def splice(data: bytearray, other: bytes, chance: random.Random) -> bytearray:
    return data[: chance.randrange(len(data))] + other[chance.randrange(len(other)) :]


def stretch(data: bytearray, _other: bytes, chance: random.Random) -> bytearray:
    begin = chance.randrange(len(data))
    part = data[begin : begin + chance.choice((1, 8, 200))]
    return data[:begin] + part * chance.choice((2, 3, 50)) + data[begin:]


def drop_part(data: bytearray, _other: bytes, chance: random.Random) -> bytearray:
    begin = chance.randrange(len(data))
    return data[:begin] + data[begin + chance.choice((1, 2, 8, 200)) :]


def set_bytes(data: bytearray, _other: bytes, chance: random.Random) -> bytearray:
    for _ in range(chance.choice((1, 2, 5))):
        data[chance.randrange(len(data))] = chance.choice((0, 1, 0x7F, 0x80, 0xFE, 0xFF))
    return data


def rewrite(data: bytearray, _other: bytes, chance: random.Random) -> bytearray:
    """Replace some numbers and times of a text by odd ones."""
    share = chance.choice((0.002, 0.02, 0.5))

    def choose(match: re.Match[bytes]) -> bytes:
        return chance.choice(ODD_TOKENS) if chance.random() < share else match.group()

    return bytearray(_TOKEN.sub(choose, bytes(data)))


DAMAGES: Final[tuple[Callable[[bytearray, bytes, random.Random], bytearray], ...]] = (
    cut,
    flip,
    fill,
    splice,
    stretch,
    drop_part,
    set_bytes,
    rewrite,
)


def damage(seed: Seed, other: Seed, chance: random.Random) -> bytes:
    """Return `seed` with one to three damages; a FIT file may get sizes and checksums that fit."""
    data = bytearray(seed.data)
    for _ in range(chance.choice((1, 1, 2, 3))):
        data = chance.choice(DAMAGES)(data, other.data, chance)
        if not data:
            return b""
    if seed.format == "fit" and chance.random() < 0.5:
        mend_frame(data)
    return bytes(data)


def mend_frame(data: bytearray) -> None:
    """Return a FIT file the size and the checksums that fit what is in it."""
    if len(data) > 16:
        data[4:8] = (len(data) - data[0] - 2).to_bytes(4, "little", signed=True)
        if data[0] == 14:
            data[12:14] = compute_crc(bytes(data[:12])).to_bytes(2, "little")
        data[-2:] = compute_crc(bytes(data[:-2])).to_bytes(2, "little")


# --- reading ------------------------------------------------------------------------------------
def read_whole_way(path: Path, name: str, scratch: Path) -> str:
    """Take a file the whole way; return how it ended. Whatever else is raised is harm."""
    export = ExportFile(path, name, hashlib.sha256(path.read_bytes()).hexdigest())
    try:
        if name.endswith(".notes.toml"):
            try:
                text = path.read_bytes().decode("utf-8-sig")
            except UnicodeDecodeError:
                return "refused"
            read_notes(text, name=name, file_id=export.file_id)
            return "read"
        if path.stat().st_size and is_archive(path):
            is_complete_archive(path, max_expanded_bytes=MAX_EXPANDED_BYTES)
            members = expand_archive(
                export, scratch, max_expanded_bytes=MAX_EXPANDED_BYTES, max_members=100
            )
            for member in members:
                with contextlib.suppress(ExportRefusedError):
                    read_export(member, ReadOptions())
                member.path.unlink()
            return "read"
        is_complete(path, name)
        recordings = read_export(export, ReadOptions(zone="Europe/Berlin"))
        statuses = {
            normalise_recording(recording, name=name).header.status for recording in recordings
        }
    except (ExportRefusedError, NotesError) as error:
        if "\n" in str(error) or not str(error).startswith(name):
            raise AssertionError(f"a message that is not one line with the name: {error}") from None
        return "refused"
    end = "partial" if "partial" in statuses else "read"
    if end == "read" and has_wrong_checksum(path.read_bytes()):
        raise AssertionError("numbers in spite of a wrong checksum")
    return end


def has_wrong_checksum(data: bytes) -> bool:
    """Say whether these are the bytes of one whole FIT file with a checksum that does not fit."""
    if len(data) < 16 or data[8:12] != b".FIT" or data[0] not in {12, 14}:
        return False
    is_one_file = int.from_bytes(data[4:8], "little") + data[0] + 2 == len(data)
    return is_one_file and compute_crc(data) != 0


def measure_peak_mb() -> float:
    """Return the most memory that this process ever held [MB]."""
    facts = Path("/proc/self/status")
    if facts.exists():
        # What getrusage says begins with the memory of the parent.
        found = re.search(r"VmHWM:\s+(\d+) kB", facts.read_text())
        return int(found.group(1)) / 1000.0 if found else math.nan
    per_mb = 1e6 if sys.platform == "darwin" else 1e3
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / per_mb
