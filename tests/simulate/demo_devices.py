"""The five invented devices of the demo and what each of them is like on every day."""

from dataclasses import replace

from tests.simulate.devices import Device
from tests.simulate.effects_heart_rate import (
    BeatArtefacts,
    FirstOrderDelay,
    TrailingMean,
)
from tests.simulate.effects_other import SpeedBias
from tests.simulate.effects_wrist import RestlessSensor

INDOOR = ("heart_rate_bpm", "speed_mps", "distance_m", "cadence_per_min", "temperature_c")
HEART_ONLY = ("heart_rate_bpm",)
WATCH = (*INDOOR, "position", "altitude_m")
COMPUTER = (*WATCH, "power_w")

ALDER_2 = Device(
    "alder-2",
    "Alder 2",
    serial=4012345678,
    firmware="4.1",
    channels=WATCH,
    barometer=True,
    effects=(FirstOrderDelay(3.0), RestlessSensor(0.9)),
)
ALDER_2_SECOND = Device(
    "alder-2-second",
    "Alder 2",
    serial=4012345679,
    firmware="4.1",
    channels=WATCH,
    barometer=True,
    effects=(FirstOrderDelay(3.0), RestlessSensor(0.9)),
)
ALDER_1 = Device(
    "alder-1",
    "Alder 1",
    serial=3900112233,
    firmware="9.2",
    channels=WATCH,
    barometer=True,
    effects=(FirstOrderDelay(6.0), RestlessSensor(1.5)),
)
HAZEL = Device(
    "hazel",
    "Hazel",
    serial=51800042,
    firmware="2.0",
    site="chest",
    channels=HEART_ONLY,
    beats=True,
    effects=(TrailingMean(3), BeatArtefacts(3)),
)
# On foot the strap knows steps and pace as well.
HAZEL_ON_FOOT = replace(
    HAZEL,
    channels=("heart_rate_bpm", "speed_mps", "cadence_per_min"),
    effects=(*HAZEL.effects, SpeedBias(0.04)),
)
ROWAN = Device(
    "rowan",
    "Rowan",
    serial=70020311,
    firmware="1.3",
    site="arm",
    channels=HEART_ONLY,
    effects=(FirstOrderDelay(2.0), RestlessSensor(0.7)),
)
BIRCH = Device(
    "birch",
    "Birch",
    serial=88100777,
    firmware="6.0",
    site="handlebar",
    barometer=True,
    channels=tuple(name for name in COMPUTER if name != "heart_rate_bpm"),
)

DEVICES_TOML = """\
# Five invented devices, named after trees: the second Alder is tested for a winter issue.

[[device]]
id = "alder-2"
name = "Alder 2"
role = "test"
site = "wrist"
heart_rate = "optical"
claimed_gnss_hours = 18.0
match = [ {serial = 4012345678} ]

[[device]]
id = "alder-2-second"
name = "Alder 2 (second unit)"
role = "test"
site = "wrist"
heart_rate = "optical"
claimed_gnss_hours = 18.0
match = [ {serial = 4012345679} ]

[[device]]
id = "alder-1"
name = "Alder 1"
role = "predecessor"
site = "wrist"
heart_rate = "optical"
claimed_gnss_hours = 20.0
match = [ {serial = 3900112233}, {filename = "*alder-1*"} ]

[[device]]
id = "hazel"
name = "Hazel"
role = "reference"
reference_for = ["heart_rate"]
site = "chest"
heart_rate = "ecg"
match = [ {serial = 51800042}, {filename = "*hazel*"} ]

[[device]]
id = "rowan"
name = "Rowan"
role = "peer"
site = "arm"
heart_rate = "optical"
match = [ {serial = 70020311}, {filename = "*rowan*"} ]

[[device]]
id = "birch"
name = "Birch"
role = "reference"
reference_for = ["distance", "altitude"]
site = "handlebar"
heart_rate = "none"
match = [ {serial = 88100777}, {filename = "*birch*"} ]
"""
