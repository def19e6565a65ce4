"""What is known of each recording before its samples are opened."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

from config.devices import AmbiguousDeviceError, Device, Identified, Traits, identify_device
from tasks.archive.lake import LakeFacts, read_facts

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping, Sequence
    from pathlib import Path

    from tasks.core.file_records import FileRecord
    from tasks.core.recording import Header


@dataclass(frozen=True)
class KnownRecording:
    """One recording: its file, its header, its span on the device's own clock, its device.

    `workout_id` is the workout that it was last given to, None for a new one; `clock_shift_s` the
    shift that was found then.
    """

    recording_id: str
    file: FileRecord
    header: Header
    start_utc: datetime
    end_utc: datetime
    n_samples: int
    remarks: str | None
    identified: Identified
    workout_id: str | None = None
    clock_shift_s: float = 0.0

    @property
    def device(self) -> Device:
        """The unit that recorded it."""
        return self.identified.device

    @property
    def is_part(self) -> bool:
        """Whether it is a part of a recording that notes split."""
        return (self.header.part or "").startswith(("from ", "to "))

    @property
    def placed_start_utc(self) -> datetime:
        """Start on the UTC axis, with the shift that was found last."""
        return self.start_utc + timedelta(seconds=self.clock_shift_s)

    @property
    def placed_end_utc(self) -> datetime:
        """End on the UTC axis, with the shift that was found last."""
        return self.end_utc + timedelta(seconds=self.clock_shift_s)


@dataclass(frozen=True)
class Collected:
    """Recordings and, one line each, what is wrong with the rules that name their devices."""

    recordings: tuple[KnownRecording, ...]
    complaints: tuple[str, ...] = ()


def collect_recordings(
    files: Iterable[FileRecord],
    stored: Mapping[str, Mapping[str, Any]],
    *,
    lake: Path,
    devices: Sequence[Device],
    wanted: Sequence[tuple[datetime, datetime]] | None = None,
    workouts: Mapping[str, str | None] | None = None,
    always: Collection[str] = (),
) -> Collected:
    """Describe every recording of `files`, or those that lie in one of the `wanted` spans.

    `stored` holds the rows of the table `recordings` by id; `workouts` the workout that each
    recording was last given to, which outlives the store. A recording that the store does not
    know yet is always described, and so is one whose place on the UTC axis is not known, and those
    of `always`, which may have left the place that the store knows.
    """
    recordings: list[KnownRecording] = []
    complaints: list[str] = []
    for file in files:
        for recording_id in file.recording_ids:
            row = stored.get(recording_id)
            if recording_id not in always and wanted is not None and not _is_wanted(row, wanted):
                continue
            try:
                known, complaint = _describe(recording_id, file, row, lake=lake, devices=devices)
            except LookupError as error:
                complaints.append(
                    f"{file.name}: {error}, and could not be read again; it is left out"
                )
                continue
            if workouts is not None and known.workout_id is None:
                known = replace(known, workout_id=workouts.get(recording_id))
            recordings.append(known)
            if complaint is not None:
                complaints.append(complaint)
    return Collected(tuple(recordings), tuple(complaints))


def _is_wanted(row: Mapping[str, Any] | None, wanted: Sequence[tuple[datetime, datetime]]) -> bool:
    if row is None or (row["time_basis"] == "elapsed" and not row["clock_shift_s"]):
        return True
    shift = timedelta(seconds=row["clock_shift_s"] or 0.0)
    begin, end = row["start_utc"] + shift, row["end_utc"] + shift
    return any(begin <= late and end >= early for early, late in wanted)


def _describe(
    recording_id: str,
    file: FileRecord,
    row: Mapping[str, Any] | None,
    *,
    lake: Path,
    devices: Sequence[Device],
) -> tuple[KnownRecording, str | None]:
    facts = read_facts(recording_id, lake=lake)
    identified, complaint = _identify(file, facts.header, tuple(devices))
    known = KnownRecording(
        recording_id=recording_id,
        file=file,
        header=facts.header,
        start_utc=facts.start_utc.astimezone(UTC),
        end_utc=facts.end_utc.astimezone(UTC),
        n_samples=facts.n_samples,
        remarks=_word_remarks(facts),
        identified=identified,
        workout_id=None if row is None else row["workout_id"],
        clock_shift_s=0.0 if row is None else row["clock_shift_s"] or 0.0,
    )
    return known, complaint


def _word_remarks(facts: LakeFacts) -> str | None:
    lines = [
        remark.text if remark.count == 1 else f"{remark.text} ({remark.count} times)"
        for remark in facts.remarks
    ]
    return "\n".join(lines) or None


def _identify(
    file: FileRecord, header: Header, devices: tuple[Device, ...]
) -> tuple[Identified, str | None]:
    traits = Traits(
        serial=header.serial,
        folder=file.folder,
        filename=file.name,
        creator=header.creator,
        manufacturer=header.manufacturer,
        product=header.product,
    )
    try:
        return identify_device(traits, devices), None
    except AmbiguousDeviceError as error:
        # The recording stays usable under an automatic name until the rules are mended.
        return identify_device(traits, ()), f"{file.name}: {error}"
