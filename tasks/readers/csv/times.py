"""From the time cells of a CSV to UTC microseconds, or to microseconds since its start."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.core.errors import NoClockError
from tasks.core.recording import Remark, TimeBasis
from tasks.core.units import MICROSECONDS_PER_SECOND
from tasks.core.zones import REMEDY, name_basis, open_zone
from tasks.readers.csv.cells import find_missing, parse_numbers
from tasks.readers.csv.zones import place_local_times

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from config.layouts import LayoutTime
    from tasks.core.zones import Zone
    from tasks.readers.csv.clocks import BlockStart

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
#: No wearable that writes CSV is older; an unset clock usually shows an earlier year, and a
#: count of milliseconds read as seconds a much later one (common practice, no source).
_EARLIEST_S: Final = datetime(1990, 1, 1, tzinfo=UTC).timestamp()
_LATEST_S: Final = datetime(2100, 1, 1, tzinfo=UTC).timestamp()
#: The longest elapsed time that is believed (common practice, no source).
_LONGEST_S: Final = 14 * 86_400.0
#: Elapsed times that begin later than this may be times of day (common practice, no source).
_LATE_START_S: Final = 600.0
_HALF_DAY_S: Final = 43_200.0

_STAMP: Final = (
    r"[0-9]{4}(?:-[0-9]{2}-[0-9]{2}|[0-9]{4})[T ]\s*"
    r"[0-9]{2}(?::[0-9]{2}(?::[0-9]{2}(?:[.,][0-9]{1,9})?)?|"
    r"[0-9]{2}(?:[0-9]{2}(?:[.,][0-9]{1,9})?)?)"
    r"\s*(Z|z|UTC|GMT|[+-][0-9]{2}(?::?[0-9]{2})?)?"
)
_OFFSET: Final = r"(Z|[+-][0-9]{2}(?::?[0-9]{2})?)$"
_CLOCK: Final = r"(?:(?P<h>[0-9]+):)?(?P<m>[0-9]{1,2}):(?P<s>[0-9]{1,2}(?:[.,][0-9]+)?)"
_NAME_STAMP: Final = re.compile(
    r"(?<![0-9])([0-9]{4})([-_.]?)([0-9]{2})\2([0-9]{2})(?:T|[ _-]+(?:at[ _-]+)?)"
    r"([0-9]{2})[-:_.h]?([0-9]{2})(?:[-:_.m]?([0-9]{2}))?(?:\.[0-9]+)?"
    r"(Z|[+-][0-9]{2}:?[0-9]{2})?(?![0-9])"
)
#: The half of the day behind a time of twelve hours: am, A.M., p.m.
_HALF_OF_DAY: Final = re.compile(r"\s*([apAP])\.?\s?[mM]\.?$")
_SIXTY: Final = 60
#: Counts in a second, by the form of an epoch time.
_PER_SECOND: Final = {"epoch_s": 1.0, "epoch_ms": 1e3, "epoch_us": 1e6, "epoch_ns": 1e9}


@dataclass(frozen=True)
class Instants:
    """Times of all rows, shape (n_rows,): microseconds since 1970-01-01T00:00:00Z where `known`.

    With `basis` "elapsed" the first day of 1970 stands for an unknown start.
    """

    micros: NDArray[np.int64]
    known: NDArray[np.bool_]
    basis: TimeBasis
    local_offset_s: int | None = None
    remarks: tuple[Remark, ...] = ()


@dataclass(frozen=True)
class Start:
    """Where an elapsed time begins."""

    micros: int
    basis: TimeBasis
    local_offset_s: int | None = None
    remarks: tuple[Remark, ...] = ()


def read_instants(
    cells: pd.Series[str], time: LayoutTime, *, decimal: str, zone: Zone | None, name: str
) -> Instants:
    """Read stripped time `cells` in the form that the layout's `time` states.

    `zone` is that of the settings or the notes, `name` the export's. Raises: NoClockError when
    times have no offset and nobody stated a zone.
    """
    if time.form in _PER_SECOND:
        return _read_epoch(cells, decimal, per_second=_PER_SECOND[time.form])
    if time.form in {"elapsed_s", "elapsed_hms"}:
        seconds, known = read_elapsed(cells, time, decimal=decimal)
        return place_elapsed(seconds, known, name=name, zone=time.zone or zone)
    return _read_stamps(cells, time, zone=time.zone or zone, name=name)


def read_elapsed(
    cells: pd.Series[str], time: LayoutTime, *, decimal: str
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return seconds since the start, shape (n_rows,), and where they can be read."""
    is_seconds = time.form == "elapsed_s"
    seconds = parse_numbers(cells, decimal).floats if is_seconds else parse_clock(cells)
    with np.errstate(invalid="ignore"):
        return seconds, (seconds >= 0.0) & (seconds <= _LONGEST_S)


def place_by_block(
    seconds: NDArray[np.float64],
    known: NDArray[np.bool_],
    block: BlockStart,
    *,
    name: str,
    zone: Zone | None,
) -> Instants:
    """Lay `seconds` from the start that stands above the table.

    Seconds that begin late in the day are times of that day. Raises: NoClockError when there is a
    date without a time of day, or no zone.
    """
    begin_s = float(seconds[np.argmax(known)]) if known.any() else 0.0
    clock_s = None
    if block.clock is not None:
        clock_s = block.clock.hour * 3600.0 + block.clock.minute * 60.0 + block.clock.second
    is_late = begin_s > _LATE_START_S
    is_of_day = is_late and (clock_s is None or abs(begin_s - clock_s) <= _LATE_START_S)
    if not is_of_day and (clock_s is None or is_late):
        if find_start(name, zone).basis != "elapsed":
            return place_elapsed(seconds, known, name=name, zone=zone)
        raise NoClockError(
            name,
            found=f"line {block.line} holds the date {block.day}, but nothing says at which time "
            "of day its first row was recorded",
            remedy="name the file after its start, as 2026-05-02T0730Z.csv",
        )
    origin = datetime.combine(block.day, datetime.min.time())
    if is_of_day:
        past_midnight = np.diff(seconds, prepend=seconds[:1]) < -_HALF_DAY_S
        seconds = seconds + 2 * _HALF_DAY_S * np.cumsum(past_midnight)
    elif clock_s is not None:
        origin += timedelta(seconds=clock_s)
    zone = block.zone or zone
    rows = np.flatnonzero(known)
    local = (origin - _EPOCH.replace(tzinfo=None)) // timedelta(microseconds=1) + _to_micros(
        seconds[rows], known[rows]
    )
    if not zone:
        naive = _Parsed(local, np.ones(len(rows), dtype=bool))
        raise NoClockError(
            name,
            found=f"the start in line {block.line} has no offset from UTC",
            remedy=REMEDY,
            local_span=_find_span(naive),
        )
    placed = place_local_times(_to_series(local), zone)
    micros = np.zeros(len(seconds), dtype=np.int64)
    micros[rows] = placed.micros
    known = known.copy()
    known[rows] = placed.known
    offset_s = None
    if placed.known.any():
        first = int(np.argmax(placed.known))
        offset_s = int(local[first] - placed.micros[first]) // MICROSECONDS_PER_SECOND
    basis = "utc" if block.zone is not None else name_basis(zone)
    remark = Remark(f"the start was taken from line {block.line}, above the table")
    return Instants(micros, known, basis, offset_s or None, (remark, *placed.remarks))


def place_elapsed(
    seconds: NDArray[np.float64], known: NDArray[np.bool_], *, name: str, zone: Zone | None
) -> Instants:
    """Lay elapsed `seconds` from the start that the file's name gives, else from 1970-01-01."""
    start = find_start(name, zone)
    begin = float(np.min(seconds[known])) if known.any() else 0.0
    if begin > _LATE_START_S and start.basis != "elapsed":
        remark = Remark("the times do not begin near zero; the file's name does not place them")
        start = Start(0, "elapsed", None, (remark,))
    micros = start.micros + _to_micros(seconds, known)
    return Instants(micros, known, start.basis, start.local_offset_s, start.remarks)


def find_start(name: str, zone: Zone | None) -> Start:
    """Find a date with a time of day in the file `name`; without one the start is unknown."""
    stamp = _parse_name(name)
    if stamp is None:
        return Start(0, "elapsed", None, (Remark("the file holds no date; placed by its signals"),))
    if stamp.tzinfo is None and not zone:
        remark = Remark(
            "the date in the file's name has no zone and no zone is set; placed by its signals"
        )
        return Start(0, "elapsed", None, (remark,))
    basis: TimeBasis = "utc"
    if stamp.tzinfo is None and zone:
        basis, stamp = name_basis(zone), stamp.replace(tzinfo=open_zone(zone))
    offset = stamp.utcoffset() or timedelta()
    micros = (stamp.astimezone(UTC) - _EPOCH) // timedelta(microseconds=1)
    remark = Remark("the start was taken from the file's name")
    is_local = basis != "utc" or bool(offset)
    return Start(micros, basis, int(offset.total_seconds()) if is_local else None, (remark,))


def parse_clock(cells: pd.Series[str]) -> NDArray[np.float64]:
    """Read `mm:ss` or `h:mm:ss`, fractions allowed, as seconds; NaN where it is neither."""
    # The tail of the pattern must meet the end of the cell; extract alone would take a part.
    parts = cells.str.extract(rf"^{_CLOCK}$", expand=True)
    hours = parts["h"].fillna("0").to_numpy(dtype=object).astype(np.float64)
    minutes = parts["m"].fillna("nan").to_numpy(dtype=object).astype(np.float64)
    text = parts["s"].fillna("nan").str.replace(",", ".", regex=False)
    seconds = text.to_numpy(dtype=object).astype(np.float64)
    with np.errstate(invalid="ignore"):
        valid = (minutes < _SIXTY) & (seconds < _SIXTY)
    return np.where(valid, hours * 3600.0 + minutes * 60.0 + seconds, np.nan)


def _read_epoch(cells: pd.Series[str], decimal: str, *, per_second: float) -> Instants:
    seconds = parse_numbers(cells, decimal).floats / per_second
    with np.errstate(invalid="ignore"):
        known = (seconds >= _EARLIEST_S) & (seconds < _LATEST_S)
    return Instants(_to_micros(seconds, known), known, "utc")


def _read_stamps(
    cells: pd.Series[str], time: LayoutTime, *, zone: Zone | None, name: str
) -> Instants:
    aware, naive = _parse_formats(cells, time.formats) if time.formats else _parse_iso(cells)
    micros = np.zeros(len(cells), dtype=np.int64)
    known = aware.known | naive.known
    micros[aware.known] = aware.micros[aware.known]
    basis: TimeBasis = "utc"
    offset_s = aware.offset_s
    remarks: tuple[Remark, ...] = ()
    if naive.known.any() and time.form == "utc":
        micros[naive.known] = naive.micros[naive.known]
    elif naive.known.any():
        if not zone:
            raise NoClockError(
                name,
                found=f"the time {cells[int(np.argmax(naive.known))]!r} has no offset from UTC",
                remedy=REMEDY,
                local_span=_find_span(naive),
            )
        rows = np.flatnonzero(naive.known)
        placed = place_local_times(_to_series(naive.micros[rows]), zone)
        micros[rows] = placed.micros
        known[rows] = placed.known
        basis, remarks = name_basis(zone), placed.remarks
        if placed.known.any():
            first = int(np.argmax(placed.known))
            offset_s = int(naive.micros[rows][first] - placed.micros[first]) // 1_000_000
    seconds = micros / MICROSECONDS_PER_SECOND
    known &= (seconds >= _EARLIEST_S) & (seconds < _LATEST_S)
    return Instants(micros, known, basis, offset_s, remarks)


@dataclass(frozen=True)
class _Parsed:
    micros: NDArray[np.int64]
    known: NDArray[np.bool_]
    offset_s: int | None = None


def _find_span(naive: _Parsed) -> tuple[datetime, datetime] | None:
    """Return the first and the last of naive times that can be; None when none of them can."""
    seconds = naive.micros[naive.known] / MICROSECONDS_PER_SECOND
    micros = naive.micros[naive.known][(seconds >= _EARLIEST_S) & (seconds < _LATEST_S)]
    if not len(micros):
        return None
    first, last = (
        _EPOCH.replace(tzinfo=None) + timedelta(microseconds=int(one))
        for one in (micros.min(), micros.max())
    )
    return first, last


def _parse_iso(cells: pd.Series[str]) -> tuple[_Parsed, _Parsed]:
    """Read ISO 8601 stamps; those with an offset and those without are given apart."""
    fits = cells.str.fullmatch(_STAMP).to_numpy(dtype=bool)
    texts = _tidy(cells.where(fits, ""))
    clock = texts.str.slice(8)  # the dashes of the date are no sign of an offset
    has_offset = clock.str.contains(r"[0-9](?:Z|[+-][0-9]{2}(?::?[0-9]{2})?)$").to_numpy(bool)
    aware = _convert(texts, fits & has_offset, format_="ISO8601", utc=True)
    naive = _convert(texts, fits & ~has_offset, format_="ISO8601", utc=False)
    offset_s = _find_offset(str(texts[int(np.argmax(aware.known))])) if aware.known.any() else None
    return _Parsed(aware.micros, aware.known, offset_s), naive


def _tidy(texts: pd.Series[str]) -> pd.Series[str]:
    """Bring the spellings that the library does not take into the one that it does."""
    odd = texts.str.contains(r"[UGz,]|\s\s|\s[Z+-]").to_numpy(bool)
    if not odd.any():
        return texts
    few = texts[odd].str.replace(r"\s*(?:UTC|GMT|z)$", "Z", regex=True)
    few = few.str.replace(r"\s+(Z|[+-])", r"\1", regex=True)
    few = few.str.replace(r"\s+", "T", regex=True).str.replace(",", ".", regex=False)
    tidy = texts.copy()
    tidy[odd] = few
    return tidy


def _parse_formats(cells: pd.Series[str], formats: tuple[str, ...]) -> tuple[_Parsed, _Parsed]:
    """Read stamps in the first of `formats` that fits each."""
    micros = {True: np.zeros(len(cells), np.int64), False: np.zeros(len(cells), np.int64)}
    known = {True: np.zeros(len(cells), bool), False: np.zeros(len(cells), bool)}
    left = ~find_missing(cells, ())
    offset_s = None
    if any("%p" in format_ for format_ in formats):
        cells = cells.str.replace(_HALF_OF_DAY, r" \1M", regex=True)
    for format_ in formats:
        is_aware = "%z" in format_
        parsed = _convert(cells, left, format_=format_, utc=is_aware)
        micros[is_aware][parsed.known] = parsed.micros[parsed.known]
        known[is_aware] |= parsed.known
        left &= ~parsed.known
        if is_aware and parsed.known.any() and offset_s is None:
            offset_s = _find_offset(str(cells[int(np.argmax(parsed.known))]))
    return _Parsed(micros[True], known[True], offset_s), _Parsed(micros[False], known[False])


def _convert(
    texts: pd.Series[str], where: NDArray[np.bool_], *, format_: str, utc: bool
) -> _Parsed:
    import pandas as pd  # noqa: PLC0415 - slow to import, and most commands read no CSV

    micros = np.zeros(len(texts), dtype=np.int64)
    known = np.zeros(len(texts), dtype=bool)
    if where.any():
        stamps = pd.to_datetime(texts[where], format=format_, utc=utc, errors="coerce")
        if utc:
            stamps = stamps.dt.tz_localize(None)
        values = stamps.to_numpy().astype("datetime64[us]")
        known[where] = ~np.isnat(values)
        micros[known] = values[~np.isnat(values)].astype(np.int64)
    return _Parsed(micros, known)


def _to_series(micros: NDArray[np.int64]) -> pd.Series[pd.Timestamp]:
    import pandas as pd  # noqa: PLC0415 - slow to import, and most commands read no CSV

    return pd.Series(micros.astype("datetime64[us]"))


def _to_micros(seconds: NDArray[np.float64], known: NDArray[np.bool_]) -> NDArray[np.int64]:
    finite = np.where(known, seconds, 0.0)
    return np.round(finite * MICROSECONDS_PER_SECOND).astype(np.int64)


def _find_offset(stamp: str) -> int | None:
    """Return the offset that a stamp ends in, in seconds; None for Z, which names no place."""
    match = re.search(_OFFSET, stamp)
    if match is None or match[1] == "Z":
        return None
    return _parse_offset(match[1])


def _parse_offset(text: str) -> int:
    digits = text[1:].replace(":", "").ljust(4, "0")
    seconds = int(digits[:2]) * 3600 + int(digits[2:]) * 60
    return -seconds if text[0] == "-" else seconds


def _parse_name(name: str) -> datetime | None:
    for match in _NAME_STAMP.finditer(name):
        year, _, month, day, hour, minute, second, offset = match.groups()
        zone = None
        if offset == "Z":
            zone = UTC
        elif offset:
            zone = timezone(timedelta(seconds=_parse_offset(offset)))
        try:
            stamp = datetime(
                int(year), int(month), int(day), int(hour), int(minute), int(second or 0),
                tzinfo=zone,
            )  # fmt: skip
        except ValueError:
            continue
        if _EARLIEST_S <= stamp.replace(tzinfo=UTC).timestamp() < _LATEST_S:
            return stamp
    return None
