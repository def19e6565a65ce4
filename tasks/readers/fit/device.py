"""Which unit recorded a FIT file, what it and its sensors say of their batteries."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from fitparse.profile import FIELD_TYPES

from tasks.readers.fit.fields import (
    AUX_BATTERY,
    BATTERY_104,
    CREATOR_INDEX,
    DEVICE_INFO,
    FILE_CREATOR,
    FILE_ID,
    LOCAL_BAROMETER,
    LOCAL_SOURCE,
    SENSOR_KINDS,
    VIRTUAL_MANUFACTURERS,
)

if TYPE_CHECKING:
    from tasks.readers.fit.gather import Gathered, Named

RECORDER: Final = "recorder"
#: The maker whose product numbers fitparse's profile names.
_GARMIN: Final = 1


@dataclass(frozen=True)
class DeviceFacts:
    """What a file says of the unit that recorded it; None where it says nothing."""

    manufacturer: str | None
    product: str | None
    creator: str | None
    serial: str | None
    firmware: str | None
    has_barometer: bool
    is_virtual: bool


@dataclass(frozen=True)
class BatteryReading:
    """One battery reading; `seconds` counts from the FIT epoch."""

    seconds: int
    battery_pct: float | None
    battery_v: float | None
    battery_source: str
    battery_of: str


def describe_device(gathered: Gathered) -> DeviceFacts:
    """Return the facts about the recording unit, from file_id, device_info and file_creator."""
    file_id = _merge(gathered.messages[FILE_ID])
    infos = gathered.messages[DEVICE_INFO]
    own = _merge([info for info in infos if info.get("device_index") == CREATOR_INDEX])
    creator = _merge(gathered.messages[FILE_CREATOR])
    number = _first(file_id.get("manufacturer"), own.get("manufacturer"))
    product_number = _first(file_id.get("product"), own.get("product"))
    serial = _first(file_id.get("serial_number"), own.get("serial_number"))
    name = _first(file_id.get("product_name"), own.get("product_name"))
    manufacturer = _word("manufacturer", number)
    product = name if name is not None else _name_product(number, product_number)
    return DeviceFacts(
        manufacturer=manufacturer,
        product=product,
        creator=name or " ".join(word for word in (manufacturer, product) if word) or None,
        serial=None if serial is None else str(serial),
        firmware=_read_firmware(own, creator),
        has_barometer=any(
            info.get("source_type") == LOCAL_SOURCE and info.get("device_type") == LOCAL_BAROMETER
            for info in infos
        ),
        is_virtual=number in VIRTUAL_MANUFACTURERS,
    )


def list_battery(gathered: Gathered) -> list[BatteryReading]:
    """Return all battery readings in order of time, the recorder's and those of its sensors."""
    readings = [
        *_read_device_infos(gathered.messages[DEVICE_INFO]),
        *_read_auxiliary(gathered),
        *(
            _make_reading(message, source="message 104", of=RECORDER)
            for message in gathered.messages[BATTERY_104]
        ),
        *(
            BatteryReading(
                seconds,
                value if column == "battery_pct" else None,
                value if column == "battery_v" else None,
                "developer field",
                RECORDER,
            )
            for seconds, column, value in gathered.developer_battery
        ),
    ]
    plausible = [_keep_plausible(reading) for reading in readings if reading is not None]
    found = [
        reading
        for reading in plausible
        if reading.battery_pct is not None or reading.battery_v is not None
    ]
    return sorted(found, key=lambda reading: reading.seconds)


def _read_device_infos(infos: Sequence[Named]) -> Iterator[BatteryReading | None]:
    for info in infos:
        yield _make_reading(info, source="device_info", of=_name_owner(info))


def _read_auxiliary(gathered: Gathered) -> Iterator[BatteryReading | None]:
    owners = {
        info["device_index"]: _name_owner(info)
        for info in gathered.messages[DEVICE_INFO]
        if "device_index" in info
    }
    for message in gathered.messages[AUX_BATTERY]:
        index = message.get("device_index")
        of = RECORDER if index == CREATOR_INDEX else owners.get(index, f"sensor {index}")
        if "battery_identifier" in message:
            of = f"{of}, battery {message['battery_identifier']}"
        yield _make_reading(message, source="device_aux_battery_info", of=of)


def _make_reading(message: Named, *, source: str, of: str) -> BatteryReading | None:
    seconds = message.get("timestamp")
    if seconds is None:
        return None
    level, voltage = message.get("battery_level"), message.get("battery_voltage")
    return BatteryReading(int(seconds), level, voltage, source, of)


def _keep_plausible(reading: BatteryReading) -> BatteryReading:
    """Take out a level beyond 100 % and a voltage of nothing: both are ways to say "unknown"."""
    level, voltage = reading.battery_pct, reading.battery_v
    return BatteryReading(
        reading.seconds,
        level if level is not None and 0 <= level <= 100 else None,  # noqa: PLR2004 - per cent
        voltage if voltage is not None and voltage > 0 else None,
        reading.battery_source,
        reading.battery_of,
    )


def _name_owner(info: Named) -> str:
    if info.get("device_index") == CREATOR_INDEX:
        return RECORDER
    name = _first(info.get("product_name"), info.get("descriptor"))
    kind = SENSOR_KINDS.get(info.get("device_type", -1), "sensor")
    unit = _first(info.get("serial_number"), info.get("ant_device_number"))
    if unit is None:
        unit = info.get("device_index")
    words = (name or kind, None if unit is None else str(unit))
    return " ".join(word for word in words if word)


def _read_firmware(own: Named, creator: Named) -> str | None:
    version = own.get("software_version")
    if version is not None:
        return f"{version:.2f}"
    plain = creator.get("software_version")
    return None if plain is None else str(plain)


def _name_product(manufacturer: object, product: object) -> str | None:
    if product is None:
        return None
    return _word("garmin_product", product) if manufacturer == _GARMIN else str(product)


def _word(kind: str, number: object) -> str | None:
    """Return fitparse's word for `number`, or the number as text where it knows none."""
    if number is None:
        return None
    return str(FIELD_TYPES[kind].values.get(number, number))


def _merge(messages: Sequence[Named]) -> Named:
    """Return the first value of each field over several messages of one kind."""
    merged: dict[str, Any] = {}
    for message in reversed(messages):
        merged |= message
    return merged


def _first(*values: Any) -> Any:  # noqa: ANN401 - numbers or text
    return next((value for value in values if value is not None), None)
