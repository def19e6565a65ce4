"""Settings: one frozen model; values from `defaults.toml`, overridden by a home's `coworn.toml`.

Each field says in one sentence, with its unit, what it does; `config/reference/settings.md`
is made from that.
"""

from __future__ import annotations

import hashlib
import json
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Annotated, Any, Literal
from zoneinfo import ZoneInfo

from pydantic import (
    BeforeValidator,
    Field,
    ValidationError,
    field_validator,
)

from config.backup import BackupSettings  # noqa: TC001 - pydantic resolves it at run time
from config.consensus import ConsensusSettings  # noqa: TC001 - pydantic resolves it at run time
from config.export import ExportSettings  # noqa: TC001 - pydantic resolves it at run time
from config.heart_rate import HeartRateSettings  # noqa: TC001 - pydantic resolves it at run time
from config.lines import TomlSyntaxError, find_line, map_lines, parse_toml
from config.notify import NotifySettings  # noqa: TC001 - pydantic needs it
from config.position import (  # noqa: TC001 - pydantic resolves them at run time
    ElevationSettings,
    PositionSettings,
)
from config.report import ReportSettings  # noqa: TC001 - pydantic resolves it at run time
from config.section import NotNegative, Positive, PositiveInt, Section, Share, make_tuple
from config.verdicts import VerdictSettings  # noqa: TC001 - pydantic resolves it at run time

if TYPE_CHECKING:
    from pathlib import Path


class SettingsFileError(ValueError):
    """A settings file cannot be used; the message says why, `line` where (None: unknown)."""

    def __init__(self, message: str, *, line: int | None = None) -> None:
        self.line = line
        super().__init__(message)


class InboxSettings(Section):
    """How the inbox is watched."""

    quiet_s: NotNegative = Field(
        description="Time for which size and stamp of a file must not change before it is taken [s]"
    )
    rescan_s: Positive = Field(
        description="Time between two scans when no event came, and at the most [s]"
    )
    polling: bool = Field(
        description="Look at the folder again and again instead of waiting for events; for network "
        "drives"
    )
    patience_s: Positive = Field(
        description="Time after which a file that never became whole is taken as it is [s]"
    )
    group_s: NotNegative = Field(
        description="Longest time that whole files wait for others that are still arriving [s]"
    )


class ArchiveSettings(Section):
    """Limits for zip and gzip archives."""

    max_expanded_mb: Positive = Field(
        description="Size that an archive may expand to; a larger one is refused [MB]"
    )
    max_members: PositiveInt = Field(description="Files that an archive may hold")


class ReadSettings(Section):
    """Limits for reading one file, which is done in a process of its own."""

    longest_s: Positive = Field(
        description="Time after which reading an export, notes, an archive or a course is stopped "
        "and the file refused [s]"
    )
    most_memory_mb: Positive = Field(
        description="Memory that reading one of them may take; a file that needs more is refused "
        "[MB]"
    )


class TimeSettings(Section):
    """Zones."""

    zone: str = Field(
        description="IANA zone of times that have none; empty: the offset of notes, else refused"
    )
    nightly_at: Annotated[str, Field(pattern=r"^([01]\d|2[0-3]):[0-5]\d$")] = Field(
        description="Local time of day of the nightly run [hh:mm]"
    )

    @field_validator("zone")
    @classmethod
    def _check_zone(cls, zone: str) -> str:
        if zone:
            try:
                ZoneInfo(zone)
            except (KeyError, ValueError, OSError) as error:
                raise ValueError(f"there is no zone {zone!r}") from error
        return zone


class RunSettings(Section):
    """How the work is spread."""

    runner: Literal["threads", "processes", "dask"] = Field(
        description="What runs the tasks of a backfill"
    )
    workers: PositiveInt = Field(description="How many tasks run at once")
    dask_address: str = Field(
        description="Address of a running Dask scheduler; empty: a local one for the run"
    )
    batch_files: PositiveInt = Field(description="Files per task in a backfill")
    backfill_files: PositiveInt = Field(
        description="Number of files in one drop from which it is handled as a backfill"
    )
    lock_wait_s: Positive = Field(
        description="Time to wait for another run on the same home to finish [s]"
    )


class StoreSettings(Section):
    """Published copies and backups."""

    keep_published: PositiveInt = Field(description="Published copies that are kept")
    keep_backups: PositiveInt = Field(description="Backups that are kept")


class PairSettings(Section):
    """Which recordings are one workout."""

    min_overlap_share: Share = Field(
        description="Overlap, as a share of the shorter recording, from which two are one workout"
    )
    max_apart_m: Positive = Field(
        description="Median distance beyond which two tracks are never one workout [m]"
    )
    max_piece_gap_s: Positive = Field(
        description="Gap up to which pieces of one unit are one recording [s]"
    )
    max_clock_shift_h: Positive = Field(
        description="Largest clock error, in whole quarter hours, that is looked for [h]"
    )
    shift_max_apart_m: Positive = Field(
        description="Median distance below which two tracks confirm a clock shift [m]"
    )
    shift_min_correlation: Share = Field(
        description="Correlation from which a signal confirms a clock shift"
    )
    shift_min_overlap_s: Positive = Field(
        description="Overlap from which a signal may confirm a clock shift [s]"
    )


class AlignSettings(Section):
    """Clock offsets and the common grid."""

    max_offset_s: Positive = Field(description="Largest clock offset that is looked for [s]")
    clear_offset_s: Positive = Field(
        description="Offset between two tracks from which GNSS clocks are not believed [s]"
    )
    sensor_delay_s: NotNegative = Field(
        description="Delay that a heart-rate sensor can have; an offset within it, found by heart "
        "rate through a third device, is not taken for one of the clock [s]"
    )
    usual_delay_s: NotNegative = Field(
        description="Delay that heart rate of an optical sensor commonly has; an offset of one "
        "trusted clock against another, found by heart rate, is not taken for one of the clock "
        "where this explains it [s]"
    )
    min_confidence: Share = Field(
        description="Confidence from which an offset found by a signal is applied"
    )
    max_gap_heart_rate_s: NotNegative = Field(
        description="Gap over which heart rate is interpolated [s]"
    )
    max_gap_position_s: NotNegative = Field(
        description="Gap over which position and all other channels are interpolated [s]"
    )


class DetectionSettings(Section):
    """Starts that a device found by itself."""

    backdated_s: Positive = Field(
        description="Time from which first samples without a measured heart rate and at one even "
        "speed are taken as written afterwards [s]"
    )


class IndoorSettings(Section):
    """Distance without satellites."""

    pace_edges_min_per_km: Annotated[tuple[Positive, ...], BeforeValidator(make_tuple)] = Field(
        description="Edges of the pace bands [min/km]"
    )
    band_share: Share = Field(
        description="Share of the moving time that must lie in one pace band before a distance "
        "that is only known as a whole counts for that band"
    )

    @field_validator("pace_edges_min_per_km")
    @classmethod
    def _check_edges(cls, edges: tuple[float, ...]) -> tuple[float, ...]:
        if list(edges) != sorted(set(edges)):
            raise ValueError("edges of bands rise from one to the next")
        return edges


class SwimmingSettings(Section):
    """Pool swimming."""

    rest_s: Positive = Field(description="Time at the wall from which it is a rest [s]")
    hr_gap_s: Positive = Field(description="Time without heart rate from which it is a gap [s]")
    push_off_s: Positive = Field(
        description="Time after a push-off in which a gap that begins is put down to it [s]"
    )


class BatterySettings(Section):
    """Comparisons of battery use."""

    min_shared_range_pct: Annotated[float, Field(ge=0, le=100)] = Field(
        description="Share of the narrower range of levels that both must have used before two "
        "rates compare without a warning [%]"
    )


class Settings(Section):
    """Everything that can be set."""

    inbox: InboxSettings
    archive: ArchiveSettings
    read: ReadSettings
    time: TimeSettings
    run: RunSettings
    store: StoreSettings
    pair: PairSettings
    align: AlignSettings
    heart_rate: HeartRateSettings
    position: PositionSettings
    elevation: ElevationSettings
    consensus: ConsensusSettings
    detection: DetectionSettings
    indoor: IndoorSettings
    swimming: SwimmingSettings
    battery: BatterySettings
    verdicts: VerdictSettings
    report: ReportSettings
    export: ExportSettings
    notify: NotifySettings
    backup: BackupSettings

    @property
    def hash_of_values(self) -> str:
        """Twelve hex digits that change when a setting changes that results depend on."""
        parts = self.model_dump(mode="json", exclude=set(NOT_IN_RESULTS))
        text = json.dumps(parts, sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:12]


#: Sections that no number of a workout depends on.
NOT_IN_RESULTS = (
    "inbox",
    "archive",
    "read",
    "time",
    "run",
    "store",
    "verdicts",
    "report",
    "export",
    "notify",
    "backup",
)


def load_settings(path: Path | None = None) -> Settings:
    """Read the defaults and, over them, the settings file at `path` if it exists.

    Raises: SettingsFileError.
    """
    values = _read_defaults()
    if path is None or not path.exists():
        return Settings.model_validate(values)
    text = path.read_text(encoding="utf-8-sig")
    try:
        own = parse_toml(text)
    except TomlSyntaxError as error:
        raise SettingsFileError(str(error), line=error.line) from error
    merged = _merge(values, own)
    try:
        return Settings.model_validate(merged)
    except ValidationError as error:
        raise _describe(error, text) from error


@cache
def _defaults_text() -> str:
    return resources.files("config").joinpath("defaults.toml").read_text(encoding="utf-8")


def _read_defaults() -> dict[str, Any]:
    return parse_toml(_defaults_text())


def _merge(base: dict[str, Any], over: dict[str, Any]) -> dict[str, Any]:
    merged = dict(base)
    for key, value in over.items():
        below = merged.get(key)
        if isinstance(value, dict) and isinstance(below, dict):
            merged[key] = _merge(below, value)
        else:
            merged[key] = value
    return merged


def _describe(error: ValidationError, text: str) -> SettingsFileError:
    first = error.errors()[0]
    key = ".".join(str(part) for part in first["loc"])
    if first["type"] == "extra_forbidden":
        message = f"unknown setting {key!r}"
    else:
        reason = first["msg"].removeprefix("Value error, ")
        message = f"{key} = {first['input']!r}: {reason[:1].lower()}{reason[1:]}"
    return SettingsFileError(message, line=find_line(map_lines(text), first["loc"]))
