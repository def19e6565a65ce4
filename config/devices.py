"""Devices: what `devices.toml` says of each physical unit, and which unit an export is of."""

from __future__ import annotations

import fnmatch
import hashlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, Final, Literal, Self, get_args

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StrictInt,
    StrictStr,
    ValidationError,
    field_validator,
    model_validator,
)

from config.lines import KeyPath, TomlSyntaxError, find_line, map_lines, parse_toml

if TYPE_CHECKING:
    from pathlib import Path

Role = Literal["test", "predecessor", "reference", "peer"]
Site = Literal["wrist", "chest", "arm", "handlebar", "foot", "pocket", "other"]
HeartRateKind = Literal["ecg", "optical", "none"]
ReferenceChannel = Literal["heart_rate", "position", "distance", "altitude"]

#: Sites of sensors that are worn for heart rate.
STRAP_SITES: Final = ("chest", "arm")
#: The order in which matching rules are tried.
RULES = ("serial", "folder", "filename", "creator")
#: Words that stand in the column `reference` or `against` of results beside device ids.
RESERVED_IDS = ("truth", "consensus", "criterion")


class DevicesFileError(ValueError):
    """`devices.toml` cannot be used; the message says why, `line` where (None: unknown)."""

    def __init__(self, message: str, *, line: int | None = None) -> None:
        self.line = line
        super().__init__(message)


class MatchRule(BaseModel):
    """One rule: exactly one of its fields is set. Text rules are shell patterns, case ignored."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    serial: StrictInt | StrictStr | None = None
    folder: str | None = None
    filename: str | None = None
    creator: str | None = None

    @model_validator(mode="after")
    def _check_single(self) -> Self:
        n_set = sum(getattr(self, rule) is not None for rule in RULES)
        if n_set != 1:
            raise ValueError(f"a rule has one of the keys {', '.join(RULES)}, not {n_set}")
        return self


def _make_tuple(value: object) -> object:
    """Let a TOML array stand for a tuple, also where types are strict."""
    return tuple(value) if isinstance(value, list) else value


class Device(BaseModel):
    """One physical unit."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    id: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]*$")]
    name: Annotated[str, Field(min_length=1)]
    role: Role = "peer"
    site: Site = "other"
    heart_rate: HeartRateKind = "optical"
    claimed_gnss_hours: Annotated[float, Field(gt=0, allow_inf_nan=False)] | None = None
    reference_for: Annotated[tuple[ReferenceChannel, ...], BeforeValidator(_make_tuple)] | None = (
        None
    )
    match: Annotated[tuple[MatchRule, ...], BeforeValidator(_make_tuple)] = ()
    #: Ids that this unit had before; notes and setups that name them are of it.
    was: Annotated[tuple[str, ...], BeforeValidator(_make_tuple)] = ()

    @field_validator("id")
    @classmethod
    def _check_id(cls, identifier: str) -> str:
        if identifier in RESERVED_IDS:
            raise ValueError("this word has a meaning of its own in the results")
        return identifier

    @property
    def is_strap(self) -> bool:
        """Whether it is worn at the chest or the arm, as sensors of heart rate are."""
        return self.site in STRAP_SITES

    @property
    def channels_as_reference(self) -> tuple[ReferenceChannel, ...]:
        """What it is a reference of.

        Without `reference_for`: a strap of heart rate only (a foot pod inside it knows no speed
        to be trusted), any other reference of all that it recorded.
        """
        if self.role != "reference":
            return ()
        if self.reference_for is not None:
            return self.reference_for
        return ("heart_rate",) if self.is_strap else get_args(ReferenceChannel)

    def is_reference_for(self, channel: ReferenceChannel) -> bool:
        """Say whether this device is a reference of `channel`."""
        return channel in self.channels_as_reference


@dataclass(frozen=True)
class Traits:
    """What an export shows of the unit that made it."""

    serial: str | None
    folder: str | None
    filename: str
    creator: str | None
    manufacturer: str | None = None
    product: str | None = None


@dataclass(frozen=True)
class Identified:
    """The device of an export, and the rule that named it ("none" for an automatic device)."""

    device: Device
    rule: str


class AmbiguousDeviceError(ValueError):
    """Two devices claim one export."""


def load_devices(path: Path) -> tuple[Device, ...]:
    """Read `devices.toml`; a file that is not there means no devices.

    Raises: DevicesFileError.
    """
    if not path.exists():
        return ()
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise DevicesFileError("this is no text in UTF-8") from error
    try:
        raw = parse_toml(text)
    except TomlSyntaxError as error:
        raise DevicesFileError(str(error), line=error.line) from error
    lines = map_lines(text)
    for key in raw:
        if key != "device":
            raise DevicesFileError(
                f"unknown key {key!r}; devices are [[device]] tables",
                line=find_line(lines, (key,)),
            )
    entries = raw.get("device", [])
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise DevicesFileError(
            "devices are [[device]] tables, with two brackets", line=find_line(lines, ("device",))
        )
    devices = tuple(
        _parse_device(entry, number=number, lines=lines) for number, entry in enumerate(entries)
    )
    _refuse_double_ids(devices, lines)
    _refuse_double_former_ids(devices, lines)
    return devices


def identify_device(traits: Traits, devices: tuple[Device, ...]) -> Identified:
    """Find the device that `traits` belong to; none gives an automatic one.

    Rules are tried in the order serial, folder, filename, creator over all devices.
    Raises: AmbiguousDeviceError when two devices match by the same rule.
    """
    for rule in RULES:
        matches = [device for device in devices if _matches(device, rule, traits)]
        if len(matches) > 1:
            names = " and ".join(device.id for device in matches)
            raise AmbiguousDeviceError(
                f"the devices {names} both match by {rule}; make one of the rules in devices.toml "
                "narrower"
            )
        if matches:
            return Identified(matches[0], rule)
    return Identified(_make_automatic(traits), "none")


def _refuse_double_ids(devices: tuple[Device, ...], lines: dict[KeyPath, int]) -> None:
    seen: set[str] = set()
    for number, device in enumerate(devices):
        if device.id in seen:
            raise DevicesFileError(
                f"device id {device.id!r} stands twice",
                line=find_line(lines, ("device", number, "id")),
            )
        seen.add(device.id)


def _refuse_double_former_ids(devices: tuple[Device, ...], lines: dict[KeyPath, int]) -> None:
    """Refuse a former id that is still the id of a device, or the former id of two."""
    living = {device.id for device in devices}
    seen: dict[str, str] = {}
    for number, device in enumerate(devices):
        for former in device.was:
            found = ""
            if former in living:
                found = f"{former!r} is still the id of a device; remove it from one of the places"
            elif former in seen and seen[former] != device.id:
                found = f"{former!r} stands under {seen[former]}, too; remove it from one of them"
            if found:
                raise DevicesFileError(
                    f"device {device.id}: was: {found}",
                    line=find_line(lines, ("device", number, "was")),
                )
            seen[former] = device.id


def _parse_device(entry: dict[str, Any], *, number: int, lines: dict[KeyPath, int]) -> Device:
    try:
        return Device.model_validate(entry)
    except ValidationError as error:
        first = error.errors()[0]
        place = first["loc"]
        if first["type"] != "missing":
            # Behind the key of a union stands which of its types was tried.
            while place and ("device", number, *place) not in lines:
                place = place[:-1]
        key = ".".join(str(part) for part in place) or "device"
        message = first["msg"].removeprefix("Value error, ")
        message = f"{message[:1].lower()}{message[1:]}"
        found = "" if first["type"] in {"missing", "extra_forbidden"} else f" ({first['input']!r})"
        if first["type"] == "extra_forbidden":
            message = "no key of a device"
        raise DevicesFileError(
            f"device {entry.get('id', '?')}: {key}{found}: {message}",
            line=find_line(lines, ("device", number, *place)),
        ) from error


def _matches(device: Device, rule: str, traits: Traits) -> bool:
    found = getattr(traits, rule)
    if found is None:
        return False
    wanted = [getattr(match, rule) for match in device.match]
    if rule == "serial":
        return str(found) in {str(serial) for serial in wanted if serial is not None}
    return any(
        fnmatch.fnmatchcase(str(found).casefold(), pattern.casefold())
        for pattern in wanted
        if pattern is not None
    )


def _make_automatic(traits: Traits) -> Device:
    """Make a device from what the export shows; the same unit always gets the same id.

    Without a serial number, two units of one product cannot be told apart; a folder can.
    """
    facts = [traits.manufacturer or "", traits.product or "", traits.serial or ""]
    if traits.serial is None:
        facts += [traits.folder or "", traits.creator or ""]
    if not any(facts):
        facts.append(traits.filename)
    digest = hashlib.sha256("\x1f".join(facts).encode()).hexdigest()[:8]
    name = traits.creator or traits.product or traits.folder or traits.filename
    return Device(id=f"unknown-{digest}", name=name, role="peer")
