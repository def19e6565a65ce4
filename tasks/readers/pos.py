"""Position solutions as text, `.pos`: what survey receivers and their post-processing write.

Lines that begin with `%` say what the columns are; the last of them names these. Quality and
standard deviations stand beside each position, so that a reference can say how good it is.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from math import hypot, nan
from typing import TYPE_CHECKING, Final

from tasks.core.errors import DamagedError, NothingRecordedError
from tasks.core.instants import to_microseconds
from tasks.core.recording import ExportFile, Header, Recording, Remark
from tasks.core.registers import ReadOptions, reader
from tasks.core.satellites import count_qualities, from_gps_week, gps_to_utc
from tasks.tables.recordings import build_recording

if TYPE_CHECKING:
    from pathlib import Path

#: Words of the column Q, 1 to 6.
_QUALITIES: Final = {
    "1": "RTK, fixed",
    "2": "RTK, float",
    "3": "SBAS",
    "4": "DGPS",
    "5": "single",
    "6": "precise point positioning",
}
_LATITUDE, _LONGITUDE, _HEIGHT = "latitude(deg)", "longitude(deg)", "height(m)"
_SIGMAS: Final = ("sdn(m)", "sde(m)")
_TIME_SYSTEMS: Final = ("utc", "gpst")
_TITLES: Final = re.compile(rb"(?mi)^%.*(latitude\(|x-ecef\(|e-baseline\()")
_WEEK: Final = re.compile(r"\d{3,4}")


def _sniff(head: bytes) -> bool:
    return head.lstrip(b"\xef\xbb\xbf").startswith(b"%") and _TITLES.search(head) is not None


def _is_complete(path: Path) -> bool:
    """Say whether the last line is ended; a cut inside the last number cannot be seen."""
    data = path.read_bytes()
    return bool(data.strip()) and data.endswith((b"\n", b"\r"))


@reader(
    "pos",
    suffixes=(".pos",),
    sniff=_sniff,
    is_complete=_is_complete,
    source="position solution text with % header lines: columns named by the file itself, "
    "qualities 1 to 6; GPS time to UTC by IERS Bulletin C",
)
def read_pos(export: ExportFile, options: ReadOptions) -> tuple[Recording, ...]:  # noqa: ARG001
    """Read positions in degrees with their quality and accuracy.

    Parameters
    ----------
    export
        The file, its name and its hash.
    options
        Not used: the file states its time system.

    Returns
    -------
    tuple[Recording, ...]
        One. `position_accuracy_m` is the root of the summed squares of the standard deviations
        north and east; how many positions are of which quality is remarked.

    Raises
    ------
    NothingRecordedError
        Positions that are no degrees (baselines, earth-centred), or none at all.
    DamagedError
        More than half of the lines cannot be read, or the time system is none that is known.
    """
    lines = export.path.read_text(encoding="utf-8", errors="replace").splitlines()
    titles, system = _read_titles(lines, export.name)
    rows: list[_Row] = []
    first_bad: tuple[int, str] | None = None
    n_bad = 0
    for number, line in enumerate(lines, start=1):
        if not line.strip() or line.lstrip("\ufeff").startswith("%"):
            continue
        row = _read_row(line, titles, is_gps=system == "gpst")
        if row is None:
            n_bad += 1
            first_bad = first_bad or (number, line.strip()[:60])
        else:
            rows.append(row)
    if first_bad is not None and n_bad > len(rows):
        raise DamagedError(
            export.name,
            found=f"line {first_bad[0]} cannot be read ({first_bad[1]!r}); {n_bad} of "
            f"{n_bad + len(rows)} lines cannot",
            remedy="write the solution again",
        )
    remarks = list(count_qualities(row.quality for row in rows))
    if n_bad:
        remarks.append(Remark("lines that cannot be read were left out", n_bad))
    header = Header(format="pos", reader="coworn", altitude_kind="gnss")
    columns = {
        "latitude_deg": [row.latitude_deg for row in rows],
        "longitude_deg": [row.longitude_deg for row in rows],
        "altitude_m": [row.height_m for row in rows],
        "position_accuracy_m": [row.accuracy_m for row in rows],
    }
    return (
        build_recording(
            header, [row.micros for row in rows], columns, name=export.name, remarks=remarks
        ),
    )


@dataclass(frozen=True)
class _Row:
    micros: int
    latitude_deg: float
    longitude_deg: float
    height_m: float
    accuracy_m: float
    quality: str


def _read_titles(lines: list[str], name: str) -> tuple[list[str], str]:
    """Return the titles of the columns behind the time, in lower case, and the time system."""
    titled = [line for line in lines if line.startswith("%") and _TITLES.search(line.encode())]
    words = re.split(r"[\s,;]+", titled[-1].lstrip("%").strip().lower()) if titled else []
    system = next((word for word in words if word in {*_TIME_SYSTEMS, "jst"}), "")
    titles = words[words.index(system) + 1 :] if system else words
    if not {_LATITUDE, _LONGITUDE} <= set(titles):
        raise NothingRecordedError(
            name,
            found="its positions are no latitudes and longitudes in decimal degrees "
            f"({' '.join(titles[:3])})",
            remedy="write the solution again as latitude, longitude and height in degrees",
        )
    if system not in _TIME_SYSTEMS:
        raise DamagedError(
            name,
            found=f"its times are in {system.upper() or 'a system that it does not name'}",
            remedy="write the solution again with times in UTC or GPST",
        )
    return titles, system


def _read_row(line: str, titles: list[str], *, is_gps: bool) -> _Row | None:
    cells = [cell for cell in re.split(r"[\s,;]+", line.strip()) if cell]
    if len(cells) < 2 + len(titles):
        return None
    try:
        micros = _read_time(cells[0], cells[1])
        values = dict(zip(titles, cells[2:], strict=False))
        sigmas = [float(values[title]) for title in _SIGMAS if title in values]
        return _Row(
            gps_to_utc(micros) if is_gps else micros,
            float(values[_LATITUDE]),
            float(values[_LONGITUDE]),
            float(values.get(_HEIGHT, nan)),
            hypot(*sigmas) if len(sigmas) == len(_SIGMAS) else nan,
            _QUALITIES.get(values.get("q", ""), "a way that is not named"),
        )
    except (ValueError, OverflowError):
        return None


def _read_time(first: str, second: str) -> int:
    """Return a date and a time of day, or a week and its second, as microseconds."""
    if _WEEK.fullmatch(first):
        return from_gps_week(int(first), float(second))
    date = datetime.strptime(first, "%Y/%m/%d").replace(tzinfo=UTC)
    hours, minutes, seconds = second.split(":")
    of_day_s = int(hours) * 3600 + int(minutes) * 60 + float(seconds)
    if not 0.0 <= of_day_s <= 86_400.0:  # noqa: PLR2004 - seconds of a day
        raise ValueError(second)
    return to_microseconds(date) + round(of_day_s * 1e6)
