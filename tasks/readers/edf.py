"""EDF and EDF+: electrocardiograms, from which heart beats are taken; the reference of studies.

The libraries for that are an extra (`ecg`): edfio reads the file, sleepecg finds the beats.
"""

from __future__ import annotations

import re
import warnings
from datetime import datetime, timedelta
from importlib.metadata import version
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.errors import DamagedError, NothingRecordedError, ReaderFailedError
from tasks.core.recording import ExportFile, Header, Recording, Remark
from tasks.core.registers import ReadOptions, reader
from tasks.core.zones import StampClock
from tasks.tables.arrow import make_table
from tasks.tables.recordings import build_recording
from tasks.tables.tables import BEATS

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

#: What a signal of an electrocardiogram is called. EDF+ has "ECG" as its type of signal.
_ECG: Final = re.compile(r"\b(ecg|ekg)\b", re.IGNORECASE)
_HEADER_BYTES: Final = 256
#: Below this rate the place of a beat is not good enough for intervals between beats: at 125 Hz
#: it is known to 4 ms (common practice, no source).
_LOWEST_HZ: Final = 100.0
#: Intervals that no heart makes are no neighbours: a beat was missed, or the signal was lost.
_SHORTEST_S, _LONGEST_S = 0.25, 3.0
_FEWEST_BEATS: Final = 3


def _sniff(head: bytes) -> bool:
    if len(head) < _HEADER_BYTES or not head.startswith(b"0       "):
        return False
    return re.fullmatch(rb"[0-9.]{8}[0-9.]{8}[0-9 ]{8}", head[168:192]) is not None


def _is_complete(path: Path) -> bool:
    """Say whether the file is as long as its header says; -1 records: still being written."""
    with path.open("rb") as file:
        head = file.read(_HEADER_BYTES)
        try:
            n_signals, n_records = int(head[252:256]), int(head[236:244])
            fields = file.read(n_signals * 256)
            counts = fields[n_signals * 216 : n_signals * 224]
            per_record = sum(int(counts[8 * n : 8 * n + 8]) for n in range(n_signals))
        except ValueError:
            return True
    wanted = _HEADER_BYTES * (n_signals + 1) + n_records * per_record * 2
    return n_records >= 0 and path.stat().st_size >= wanted


@reader(
    "edf",
    suffixes=(".edf",),
    sniff=_sniff,
    is_complete=_is_complete,
    source="EDF (Kemp et al. 1992, doi 10.1016/0013-4694(92)90009-7) and EDF+ (Kemp and Olivan "
    "2003, doi 10.1016/S1388-2457(03)00123-8); beats after Pan and Tompkins 1985",
)
def read_edf(export: ExportFile, options: ReadOptions) -> tuple[Recording, ...]:
    """Take the beats out of an electrocardiogram.

    Parameters
    ----------
    export
        The file, its name and its hash.
    options
        The zone: EDF has local times without one.

    Returns
    -------
    tuple[Recording, ...]
        One, with intervals between beats and no samples. Intervals outside 0.25 to 3 s are left
        out, for beats that were missed lie between them.

    Raises
    ------
    ReaderFailedError
        The extra is not installed.
    NothingRecordedError
        No signal is called ECG or EKG, it is too slow, or it holds no beats.
    NoClockError
        Nobody stated the zone.
    DamagedError
        It is no EDF, or has gaps.
    """
    signal, rate_hz, begun = _load(export)
    is_whole = _is_complete(export.path)
    clock = StampClock(export.name, options.zone)
    start = clock.read(begun.isoformat())
    end = begun + timedelta(seconds=len(signal) / rate_hz)
    clock.read(end.isoformat())
    clock.check()
    beats_s = _find_beats(signal, rate_hz, export.name)
    intervals_s = np.diff(beats_s)
    is_good = (intervals_s >= _SHORTEST_S) & (intervals_s <= _LONGEST_S)
    micros = (start or 0) + np.round(beats_s[1:] * 1e6).astype(np.int64)
    n_odd = int((~is_good).sum())
    header = Header(
        format="edf",
        reader=f"edfio {version('edfio')}, sleepecg {version('sleepecg')}",
        time_basis=clock.basis,
        status="whole" if is_whole else "partial",
        reason=None
        if is_whole
        else f"the file was cut off; {len(signal) / rate_hz:.0f} s are there",
    )
    beats = make_table(
        BEATS,
        {
            "time_utc": micros[is_good],
            "rr_s": intervals_s[is_good],
            "beat_source": ["ecg"] * int(is_good.sum()),
        },
    )
    remarks = [Remark(f"beats found in an electrocardiogram of {rate_hz:g} Hz", len(beats_s))]
    if n_odd:
        remarks.append(Remark("intervals that no heart makes were left out", n_odd))
    return (
        build_recording(
            header, micros[is_good], {}, name=export.name, remarks=remarks, beats=beats
        ),
    )


def _load(export: ExportFile) -> tuple[NDArray[np.float64], float, datetime]:
    """Return the electrocardiogram, its rate [Hz] and its local start."""
    try:
        import edfio  # noqa: PLC0415 - an extra, and slow to import
        import sleepecg  # noqa: F401, PLC0415 - asked for here, so that nothing is read in vain
    except ImportError:
        raise ReaderFailedError(
            export.name,
            found="an electrocardiogram (EDF), for which the extra ecg is not installed",
            remedy='pip install -e ".[ecg]", then drop it again',
        ) from None
    try:
        with warnings.catch_warnings():
            # A file that was cut off is partial.
            warnings.simplefilter("ignore")
            edf: Any = edfio.read_edf(export.path, lazy_load_data=False)
        signals = [one for one in edf.signals if _ECG.search(one.label)]
        begun = datetime.combine(edf.startdate, edf.starttime)
    except Exception as error:
        raise DamagedError(
            export.name,
            found=f"it cannot be read as EDF ({error})",
            remedy="export it again from the recorder",
        ) from error
    with export.path.open("rb") as file:
        is_interrupted = b"EDF+D" in file.read(_HEADER_BYTES)
    if is_interrupted:
        raise DamagedError(
            export.name,
            found="an EDF+D file, whose records have gaps between them",
            remedy="export it without gaps (EDF+C), or each part by itself",
        )
    if not signals:
        labels = ", ".join(one.label for one in edf.signals[:5])
        raise NothingRecordedError(
            export.name,
            found=f"none of its signals is called ECG ({labels})",
            remedy="export the electrocardiogram as well",
        )
    best = max(signals, key=lambda one: one.sampling_frequency)
    rate_hz = float(best.sampling_frequency)
    if rate_hz < _LOWEST_HZ:
        raise NothingRecordedError(
            export.name,
            found=f"its electrocardiogram has {rate_hz:g} Hz, too few to place beats",
            remedy=f"record it at {_LOWEST_HZ:g} Hz or more",
        )
    return np.asarray(best.data, dtype=np.float64), rate_hz, begun


def _find_beats(signal: NDArray[np.float64], rate_hz: float, name: str) -> NDArray[np.float64]:
    """Return the times of the R peaks [s since the start], shape (n,)."""
    from sleepecg.heartbeats import detect_heartbeats  # noqa: PLC0415 - an extra

    found: NDArray[np.int64] = np.asarray([], dtype=np.int64)
    if len(signal) > _FEWEST_BEATS * rate_hz and np.ptp(signal) > 0.0:
        found = np.asarray(detect_heartbeats(signal, rate_hz), dtype=np.int64)
    if len(found) < _FEWEST_BEATS:
        raise NothingRecordedError(
            name,
            found="its electrocardiogram holds no heart beats",
            remedy="look at the electrodes, and record again",
        )
    return found / rate_hz
