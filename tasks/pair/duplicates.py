"""Two exports of one recording: recognised by the unit that made them, or by their samples.

Beware of two units that show one strap: their heart rates are nearly equal, all else differs.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.maths.geodesy import compute_distances_m, compute_path_length_m
from tasks.maths.resample import round_to_seconds
from tasks.pair.library import find_overlap_share
from tasks.tables.arrow import read_floats, read_micros
from tasks.tables.tables import SAMPLES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tasks.core.recording import Recording
    from tasks.pair.library import Library, Placed

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

#: Share of the shared seconds in which two exports of one recording are equal (common practice).
_EQUAL_SHARE: Final = 0.95
#: The same for heart rate alone, which two units may take from one strap.
_EQUAL_SHARE_ALONE: Final = 0.995
#: Share of equal heart rates below which they come from two sensors (common practice).
_ONE_SENSOR_SHARE: Final = 0.5
#: Median difference of heart rates from which recordings under one device are of two units
#: (common practice, no source): an export may smooth, two sensors agree worse.
_TWO_UNITS_BPM: Final = 2.0
#: Rounding of formats: six decimals of a degree are up to 0.08 m.
_EQUAL_DISTANCE_M: Final = 0.3
#: Channels of a unit's own sensors, with the rounding that formats do to them. Speed is missing:
#: programs derive it anew on export.
_OWN: Final = {"altitude_m": 0.26, "distance_m": 1.0, "temperature_degc": 0.51}
#: Channels that may come from a sensor that several units hear.
_SHARED: Final = {"heart_rate_bpm": 0.51, "power_w": 0.51, "cadence_rpm": 0.51}
#: Equal values must also vary, or they prove nothing.
_LEAST_SD: Final = {
    "altitude_m": 1.0,
    "distance_m": 50.0,
    "temperature_degc": 0.5,
    "heart_rate_bpm": 3.0,
    "power_w": 10.0,
    "cadence_rpm": 3.0,
}
#: Seconds, and share of the shorter one's seconds, that must be shared.
_LEAST_SHARED_S: Final = 30
_LEAST_SHARED: Final = 0.25
_LEAST_WAY_M: Final = 50.0
#: What rounding stamps to seconds in another way may move a sample by [s].
_LAGS_S: Final = (0.0, -1.0, 1.0)
#: Evenly spread places at which tracks are compared.
_PLACES_COMPARED: Final = 500
#: Ends of two exports of one recording of heart rate alone lie this close [s].
_SAME_END_S: Final = 2.0
_FORMATS: Final = ("fit", "tcx", "gpx", "csv")


def are_one_unit(first: Placed, second: Placed, library: Library) -> bool | None:
    """Say whether two exports are of one unit; None where their headers do not tell.

    Different serial numbers mean two units, whatever a rule of `devices.toml` says of one of
    them; the same device means one, unless the name is ours and rests on no serial number: two
    units of one product look alike then.
    """
    serials = [_read_serial(one, library) for one in (first, second)]
    if None not in serials and serials[0] != serials[1]:
        return False
    if first.candidate.device_id != second.candidate.device_id:
        return None
    is_ours = not first.candidate.is_described
    return None if is_ours and None in serials else True


def _read_serial(placed: Placed, library: Library) -> str | None:
    key = ("serial", placed.recording_id)
    return library.once(key, lambda: library.open(placed.recording_id).recording.header.serial)


def are_duplicates(first: Placed, second: Placed, library: Library, *, min_share: float) -> bool:
    """Say whether two recordings of one time are exports of one recording."""
    if find_overlap_share(first, second) < min_share:
        return False
    verdict = are_one_unit(first, second, library)
    shifts = (first.recording_id, second.recording_id, first.shift_s, second.shift_s)
    if verdict is None:
        key = ("equal samples", *shifts)
        return library.once(key, lambda: have_equal_samples(first, second, library))
    if verdict and None in [_read_serial(one, library) for one in (first, second)]:
        # A rule of devices.toml may catch two units.
        key = ("two sensors", *shifts)
        return not library.once(key, lambda: contradict(first, second, library))
    return verdict


def measure_richness(placed: Placed, library: Library) -> tuple[int, int, str]:
    """Return a key that is greater for the richer recording: values held, then the format."""
    key = ("richness", placed.recording_id)
    count, rank = library.once(key, lambda: _measure_richness(placed, library))
    return count, -rank, placed.recording_id


def _measure_richness(placed: Placed, library: Library) -> tuple[int, int]:
    recording = library.open(placed.recording_id).recording
    rank = _FORMATS.index(recording.header.format) if recording.header.format in _FORMATS else 9
    return _count_values(recording), rank


def _count_values(recording: Recording) -> int:
    names = [column.name for column in SAMPLES.columns if column.kind == "float"]
    samples = recording.samples
    held = sum(samples.num_rows - samples.column(name).null_count for name in names)
    others = (recording.beats, recording.lengths, recording.battery)
    return int(held + sum(table.num_rows for table in others))


@dataclass(frozen=True)
class _Shared:
    """Rows of two recordings that lie on the same whole seconds, and whether their ends agree."""

    first: Recording
    second: Recording
    first_rows: Integers
    second_rows: Integers
    has_same_ends: bool

    def read(self, channel: str) -> tuple[Floats, Floats]:
        """Return a channel of both where both have a value."""
        one = read_floats(self.first.samples, channel)[self.first_rows]
        other = read_floats(self.second.samples, channel)[self.second_rows]
        both = np.isfinite(one) & np.isfinite(other)
        return one[both], other[both]


def have_equal_samples(first: Placed, second: Placed, library: Library) -> bool:
    """Say whether the samples of two recordings are the same, up to the rounding of formats.

    Real positions decide, unless heart rates differ: a unit may take its positions from another
    one that is worn with it. Without positions every channel that varies must agree, one of the
    unit's own sensors among them; heart rate, power and cadence, which two units may take from
    one sensor, must be equal nearly always and begin and end together.
    """
    shared = _find_shared(first, second, library)
    if shared is None:
        return False
    by_position = _compare_positions(first, second, library)
    if by_position is not None:
        lagged = [_find_shared(first, second, library, lag) for lag in _LAGS_S]
        return by_position and any(one and not _have_two_sensors(one) for one in lagged)
    equal = {channel: _compare(shared, channel) for channel in (*_OWN, *_SHARED)}
    known = {channel: share for channel, share in equal.items() if share is not None}
    if any(share < _EQUAL_SHARE for share in known.values()):
        return False
    if any(channel in _OWN for channel in known):
        return True
    # Only what several units can hear is left: demand more, and the same ends.
    return bool(known) and shared.has_same_ends and min(known.values()) >= _EQUAL_SHARE_ALONE


def contradict(first: Placed, second: Placed, library: Library) -> bool:
    """Say whether the heart rates of two recordings of one time come from two sensors.

    Positions do not decide: an export that is a second off lies metres away.
    """
    shared = _find_shared(first, second, library)
    if shared is None or not _have_two_sensors(shared):
        return False
    one, other = shared.read("heart_rate_bpm")
    return float(np.median(np.abs(one - other))) >= _TWO_UNITS_BPM


def _find_shared(
    first: Placed, second: Placed, library: Library, lag_s: float = 0.0
) -> _Shared | None:
    one = library.open(first.recording_id).recording
    other = library.open(second.recording_id).recording
    seconds, rows = _find_seconds(one, first.shift_s)
    other_seconds, other_rows = _find_seconds(other, second.shift_s + lag_s)
    common, at, other_at = np.intersect1d(seconds, other_seconds, return_indices=True)
    fewest = max(_LEAST_SHARED_S, _LEAST_SHARED * min(seconds.size, other_seconds.size))
    if common.size < fewest:
        return None
    ends = (first.start_s - second.start_s, first.end_s - second.end_s)
    has_same_ends = max(abs(end) for end in ends) <= _SAME_END_S
    return _Shared(one, other, rows[at], other_rows[other_at], has_same_ends)


def _find_seconds(recording: Recording, shift_s: float) -> tuple[Integers, Integers]:
    """Return the distinct whole seconds with a sample, and the first row of each."""
    micros = read_micros(recording.samples).astype(np.int64) + round(shift_s * 1e6)
    seconds, rows = np.unique(round_to_seconds(micros), return_index=True)
    return seconds, rows


def _compare_positions(first: Placed, second: Placed, library: Library) -> bool | None:
    """Say whether real positions are equal; None where they cannot be compared.

    A program that rounds stamps another way moves fixes by a second: each is looked for a second
    before and behind, too.
    """
    shares = [_share_positions(_find_shared(first, second, library, lag)) for lag in _LAGS_S]
    known = [share for share in shares if share is not None]
    return sum(known) >= _EQUAL_SHARE if known else None


def _share_positions(shared: _Shared | None) -> float | None:
    """Return the share of shared seconds with equal places; None where that proves nothing.

    Places that do not move prove nothing: a unit may show one for hours.
    """
    if shared is None:
        return None
    headers = (shared.first.header, shared.second.header)
    if any(header.position_kind != "gnss" for header in headers):
        return None
    latitude, other_latitude = shared.read("latitude_deg")
    longitude, other_longitude = shared.read("longitude_deg")
    if latitude.size < _LEAST_SHARED_S:
        return None
    some = slice(None, None, max(1, latitude.size // _PLACES_COMPARED))
    latitude, longitude = latitude[some], longitude[some]
    other_latitude, other_longitude = other_latitude[some], other_longitude[some]
    if compute_path_length_m(latitude, longitude) < _LEAST_WAY_M:
        return None
    apart = compute_distances_m(latitude, longitude, other_latitude, other_longitude)
    return float(np.mean(apart <= _EQUAL_DISTANCE_M))


def _have_two_sensors(shared: _Shared) -> bool:
    """Say whether two heart rates of one time come from two sensors.

    Programs that export a recording anew keep the values, or move few of them by a second; two
    sensors that agree well show the same whole number less than half of the time.
    """
    share = _compare(shared, "heart_rate_bpm")
    return share is not None and share < _ONE_SENSOR_SHARE


def _compare(shared: _Shared, channel: str) -> float | None:
    """Return the share of shared seconds with equal values; None where that would prove nothing."""
    one, other = shared.read(channel)
    if one.size < _LEAST_SHARED_S or min(one.std(), other.std()) < _LEAST_SD[channel]:
        return None
    return float(np.mean(np.abs(one - other) <= {**_OWN, **_SHARED}[channel]))
