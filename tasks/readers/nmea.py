"""NMEA 0183: the sentences that GNSS receivers write, logged as text.

Sentences with the same time of day make one sample. Dates come from RMC and ZDA; a sentence whose
checksum is wrong is left out. Accuracy comes from GST, where the receiver says it; HDOP is no
accuracy in metres and is only counted.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from importlib.metadata import version
from math import hypot, isfinite, nan
from statistics import median
from typing import TYPE_CHECKING, Any, Final

from pynmeagps import GET, VALCKSUM, NMEAReader
from pynmeagps.exceptions import NMEAMessageError, NMEAParseError, NMEAStreamError, NMEATypeError

from tasks.core.errors import DamagedError, NoClockError
from tasks.core.instants import to_microseconds
from tasks.core.recording import ExportFile, Header, Recording, Remark
from tasks.core.registers import ReadOptions, reader
from tasks.core.satellites import count_qualities
from tasks.tables.recordings import build_recording

if TYPE_CHECKING:
    from pathlib import Path

#: Words of the fix quality of GGA. Source: NMEA 0183, sentence GGA.
_QUALITIES: Final = {
    1: "GNSS alone",
    2: "DGNSS",
    3: "PPS",
    4: "RTK, fixed",
    5: "RTK, float",
    6: "dead reckoning",
    7: "manual input",
    8: "a simulator",
}
_KNOTS_TO_MPS: Final = 1852.0 / 3600.0
_KMH_TO_MPS: Final = 1.0 / 3.6
_HALF_DAY: Final = timedelta(hours=12)
_SENTENCE: Final = re.compile(rb"\$[A-Z]{2}[A-Z]{3},[^\r\n$*]*(?:\*[0-9A-Fa-f]{2})?")
_WANTED: Final = frozenset({"GGA", "RMC", "VTG", "ZDA", "GST", "GLL", "GNS"})
_ERRORS: Final = (
    NMEAMessageError,
    NMEAParseError,
    NMEAStreamError,
    NMEATypeError,
    ValueError,
    TypeError,
    KeyError,
    IndexError,
)


def _sniff(head: bytes) -> bool:
    return b"\x00" not in head and _SENTENCE.match(head.lstrip(b"\xef\xbb\xbf \t\r\n")) is not None


def _is_complete(path: Path) -> bool:
    return path.read_bytes().rstrip(b" \t").endswith((b"\n", b"\r"))


@reader(
    "nmea",
    suffixes=(".nmea", ".nma"),
    sniff=_sniff,
    is_complete=_is_complete,
    source="NMEA 0183, sentences GGA, RMC, VTG, GST and ZDA with their checksums",
)
def read_nmea(export: ExportFile, options: ReadOptions) -> tuple[Recording, ...]:  # noqa: ARG001
    """Read positions, speed and course, one sample for each time.

    Parameters
    ----------
    export
        The file, its name and its hash.
    options
        Not used: NMEA times are UTC.

    Returns
    -------
    tuple[Recording, ...]
        One. Sentences without a fix are left out; the kinds of fixes are remarked.

    Raises
    ------
    NoClockError
        No sentence states a date.
    DamagedError
        More than half of the sentences have a wrong checksum.
    """
    log = _Log()
    for found in _SENTENCE.finditer(export.path.read_bytes()):
        log.take(found.group())
    if log.n_damaged > log.n_read:
        raise DamagedError(
            export.name,
            found=f"{log.n_damaged} of {log.n_damaged + log.n_read} sentences have a wrong "
            "checksum or cannot be read",
            remedy="log the sentences again, or take them from the receiver's own memory",
        )
    if log.epochs and log.day is None:
        raise NoClockError(
            export.name,
            found="its sentences have times of day and no date",
            remedy="let the receiver write RMC or ZDA as well",
        )
    return (log.build(export.name),)


@dataclass
class _Epoch:
    """What the sentences of one time say."""

    of_day: time
    day: date | None
    values: dict[str, float] = field(default_factory=dict)
    quality: int | None = None
    has_fix: bool = True


@dataclass
class _Log:
    """The sentences so far."""

    epochs: list[_Epoch] = field(default_factory=list)
    day: date | None = None
    n_read: int = 0
    n_damaged: int = 0
    n_unchecked: int = 0
    hdops: list[float] = field(default_factory=list)

    def take(self, sentence: bytes) -> None:
        """Take one sentence in."""
        kind = sentence[3:6].decode("ascii")
        if kind not in _WANTED:
            return
        if b"*" not in sentence:
            self.n_unchecked += 1
            checksum = 0
            for byte in sentence[1:]:
                checksum ^= byte
            sentence += b"*%02X" % checksum
        try:
            said: Any = NMEAReader.parse(sentence + b"\r\n", msgmode=GET, validate=VALCKSUM)
        except _ERRORS:
            self.n_damaged += 1
            return
        self.n_read += 1
        epoch = self._find_epoch(said, kind)
        if epoch is not None:
            self._fill(epoch, said, kind)

    def _find_epoch(self, said: Any, kind: str) -> _Epoch | None:  # noqa: ANN401 - the library's
        """Return the epoch that a sentence belongs to; VTG has no time and joins the last one."""
        if kind == "VTG":
            return self.epochs[-1] if self.epochs else None
        of_day = getattr(said, "time", None)
        if not isinstance(of_day, time):
            return None
        last = self.epochs[-1] if self.epochs else None
        if last is None or last.of_day != of_day:
            if last is not None and self.day is not None and _is_next_day(last.of_day, of_day):
                self.day += timedelta(days=1)
            last = _Epoch(of_day, self.day)
            self.epochs.append(last)
        stated = _read_date(said, kind)
        if stated is not None:
            self.day = last.day = stated
        return last

    def _fill(self, epoch: _Epoch, said: Any, kind: str) -> None:  # noqa: ANN401 - see above
        values: dict[str, Any] = {}
        if kind in {"GGA", "RMC", "GLL", "GNS"}:
            values = {"latitude_deg": said.lat, "longitude_deg": said.lon}
        if kind == "GGA":
            epoch.quality = _read_quality(said.quality)
            epoch.has_fix = epoch.quality not in {None, 0}
            values["altitude_m"] = said.alt
            if isfinite(hdop := _read_number(said.HDOP)):
                self.hdops.append(hdop)
        elif kind == "RMC":
            epoch.has_fix = epoch.has_fix and said.status == "A"
            values["speed_mps"] = _read_number(said.spd) * _KNOTS_TO_MPS
            values["course_deg"] = said.cog
        elif kind == "VTG":
            speed_mps = _read_number(said.sogk) * _KMH_TO_MPS
            values = {"speed_mps": speed_mps, "course_deg": said.cogt}
        elif kind == "GST":
            values = {
                "position_accuracy_m": hypot(_read_number(said.stdLat), _read_number(said.stdLong))
            }
        for name, value in values.items():
            number = _read_number(value)
            if isfinite(number):
                # RMC rounds less than VTG; the first of a time stays.
                epoch.values.setdefault(name, number)

    def build(self, name: str) -> Recording:
        """Return the recording. Raises: NothingRecordedError, NoClockError."""
        first_day = next((epoch.day for epoch in self.epochs if epoch.day is not None), None)
        fixed = [epoch for epoch in self.epochs if epoch.has_fix and epoch.values]
        micros = [
            to_microseconds(datetime.combine(epoch.day or first_day or date.min, epoch.of_day, UTC))
            for epoch in fixed
        ]
        wanted = (
            "latitude_deg",
            "longitude_deg",
            "altitude_m",
            "speed_mps",
            "course_deg",
            "position_accuracy_m",
        )
        columns = {key: [epoch.values.get(key, nan) for epoch in fixed] for key in wanted}
        header = Header(
            format="nmea", reader=f"pynmeagps {version('pynmeagps')}", altitude_kind="gnss"
        )
        remarks = self._list_remarks(fixed)
        return build_recording(header, micros, columns, name=name, remarks=remarks)

    def _list_remarks(self, fixed: list[_Epoch]) -> list[Remark]:
        remarks = list(
            count_qualities(
                _QUALITIES.get(epoch.quality, "a way that is not named")
                for epoch in fixed
                if epoch.quality is not None
            )
        )
        if self.hdops:
            remarks.append(
                Remark(f"dilution of precision (HDOP) {median(self.hdops):g}", len(self.hdops))
            )
        found = (
            ("times without a fix were left out", len(self.epochs) - len(fixed)),
            ("sentences with a wrong checksum were left out", self.n_damaged),
            ("sentences without a checksum were taken as they are", self.n_unchecked),
        )
        return remarks + [Remark(text, count) for text, count in found if count]


def _is_next_day(before: time, after: time) -> bool:
    """Say whether the time of day jumped back by more than half a day: midnight was passed."""
    day = date(2000, 1, 1)
    return datetime.combine(day, before) - datetime.combine(day, after) > _HALF_DAY


def _read_date(said: Any, kind: str) -> date | None:  # noqa: ANN401 - the library's
    """Return the date that RMC or ZDA states."""
    if kind == "RMC":
        stated = getattr(said, "date", None)
        return stated if isinstance(stated, date) else None
    if kind == "ZDA":
        try:
            return date(int(said.year), int(said.month), int(said.day))
        except (TypeError, ValueError):
            return None
    return None


def _read_quality(value: object) -> int | None:
    number = _read_number(value)
    return int(number) if isfinite(number) else None


def _read_number(value: object) -> float:
    """Return a field as a number, NaN where it is empty."""
    try:
        return float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return nan
