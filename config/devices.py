"""Devices: what `devices.toml` says of each physical unit, and which unit an export is of."""

from __future__ import annotations

import fnmatch
import hashlib
import tomllib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

if TYPE_CHECKING:
    from pathlib import Path

Role = Literal["test", "predecessor", "reference", "peer"]
Site = Literal["wrist", "chest", "arm", "handlebar", "foot", "pocket", "other"]
HeartRateKind = Literal["ecg", "optical", "none"]
ReferenceChannel = Literal["heart_rate", "position", "distance", "altitude"]

#: The order in which matching rules are tried.
RULES = ("serial", "folder", "filename", "creator")


class DevicesFileError(ValueError):
    """`devices.toml` cannot be used; the message says why, `line` where (None: unknown)."""

    def __init__(self, message: str, *, line: int | None = None) -> None:
        self.line = line
        super().__init__(message)


class MatchRule(BaseModel):
    """One rule: exactly one of its fields is set. Text rules are shell patterns, case ignored."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    serial: int | str | None = None
    folder: str | None = None
    filename: str | None = None
    creator: str | None = None


class Device(BaseModel):
    """One physical unit."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    id: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]*$")]
    name: str
    role: Role = "peer"
    site: Site = "other"
    heart_rate: HeartRateKind = "optical"
    claimed_gnss_hours: Annotated[float, Field(gt=0)] | None = None
    reference_for: tuple[ReferenceChannel, ...] | None = None
    match: tuple[MatchRule, ...] = ()

    def is_reference_for(self, channel: ReferenceChannel) -> bool:
        """Say whether this device is a reference of `channel`."""
        if self.role != "reference":
            return False
        return self.reference_for is None or channel in self.reference_for


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
    text = path.read_text(encoding="utf-8")
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DevicesFileError(str(error)) from error
    unknown = sorted(set(raw) - {"device"})
    if unknown:
        raise DevicesFileError(f"unknown key {unknown[0]!r}; devices are [[device]] tables")
    devices = tuple(
        _parse_device(entry, line=line)
        for entry, line in zip(raw.get("device", []), _find_tables(text), strict=False)
    )
    identifiers = [device.id for device in devices]
    for identifier in identifiers:
        if identifiers.count(identifier) > 1:
            raise DevicesFileError(f"device id {identifier!r} stands twice")
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


def _parse_device(entry: dict[str, Any], *, line: int) -> Device:
    try:
        return Device.model_validate(entry)
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(str(part) for part in first["loc"]) or "device"
        found = "" if first["type"] == "missing" else f" ({first['input']!r})"
        name = entry.get("id", "?")
        raise DevicesFileError(f"device {name}: {key}{found}: {first['msg']}", line=line) from error


def _find_tables(text: str) -> list[int]:
    """Give the line of each [[device]] header, from 1."""
    return [
        number
        for number, line in enumerate(text.splitlines(), start=1)
        if line.replace(" ", "").startswith("[[device]]")
    ]


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
