"""devices.toml: what it may say, the line of every fault, and which device an export is of."""

from __future__ import annotations

import itertools
import re
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.devices import (
    AmbiguousDeviceError,
    Device,
    DevicesFileError,
    MatchRule,
    Traits,
    identify_device,
    load_devices,
)

if TYPE_CHECKING:
    from pathlib import Path

ALDER = '[[device]]\nid = "alder-2"\nname = "Alder 2"\n'
#: The example of the interface.
WHOLE = f"""{ALDER}role = "test"
site = "wrist"
heart_rate = "optical"
claimed_gnss_hours = 6.0
match = [ {{serial = 4012345678}}, {{folder = "alder-2"}}, {{filename = "*alder2*"}}, {{creator = "Alder*"}} ]
[[device]]
id = "oak"
name = "Oak strap"
role = "reference"
site = "chest"
heart_rate = "ecg"
reference_for = ["heart_rate"]
"""  # noqa: E501 - the line stands like this in the interface


def load(folder: Path, text: str) -> tuple[Device, ...]:
    path = folder / "devices.toml"
    path.write_text(text, encoding="utf-8")
    return load_devices(path)


def test_the_whole_example_is_read(tmp_path: Path) -> None:
    alder, oak = load(tmp_path, WHOLE)
    assert (alder.id, alder.name, alder.role, alder.site) == ("alder-2", "Alder 2", "test", "wrist")
    assert (alder.heart_rate, alder.claimed_gnss_hours) == ("optical", 6.0)
    assert [rule.model_dump(exclude_none=True) for rule in alder.match] == [
        {"serial": 4012345678},
        {"folder": "alder-2"},
        {"filename": "*alder2*"},
        {"creator": "Alder*"},
    ]
    assert oak.reference_for == ("heart_rate",)


def test_no_file_and_an_empty_file_mean_no_devices(tmp_path: Path) -> None:
    assert load_devices(tmp_path / "devices.toml") == ()
    assert load(tmp_path, "\ufeff# none yet\n") == ()


def test_id_and_name_are_enough(tmp_path: Path) -> None:
    (device,) = load(tmp_path, ALDER)
    assert (device.role, device.reference_for, device.match) == ("peer", None, ())


def test_a_device_is_reference_only_for_what_it_says() -> None:
    strap = Device(id="oak", name="Oak", role="reference", reference_for=("heart_rate",))
    assert strap.is_reference_for("heart_rate")
    assert not strap.is_reference_for("position")
    every = Device(id="elm", name="Elm", role="reference")
    assert every.is_reference_for("position")
    assert not Device(id="fir", name="Fir", role="test").is_reference_for("position")
    for site in ("chest", "arm"):
        band = Device(id="ash", name="Ash", role="reference", site=site)
        assert band.channels_as_reference == ("heart_rate",)


#: What is wrong, text, line, a part of the message.
BAD = [
    ("no toml", f"{ALDER}site = wrist\n", 4, "invalid value"),
    ("unknown table", f"{ALDER}[devices]\n", 4, "unknown key 'devices'"),
    ("unknown key", f"{ALDER}colour = 1\n", 4, "colour: no key of a device"),
    ("one bracket", '[device]\nid = "a"\n', 1, "with two brackets"),
    ("a number", "device = 3\n", 1, "with two brackets"),
    ("no id", f'{ALDER}\n[[device]]\nname = "x"\n', 5, "id: field required"),
    ("no name", '[[device]]\nid = "alder-2"\n', 1, "name: field required"),
    ("empty name", '[[device]]\nid = "alder-2"\nname = ""\n', 3, "name ('')"),
    ("id with blanks", ALDER.replace("alder-2", "Alder 2"), 2, "id ('Alder 2')"),
    ("id of our own", ALDER.replace("alder-2", "truth"), 2, "a meaning of its own"),
    ("id twice", ALDER + ALDER, 5, "device id 'alder-2' stands twice"),
    ("role", f'{ALDER}role = "tset"\n', 4, "role ('tset'): input should be 'test', 'predecessor'"),
    ("site", f'{ALDER}site = "ankle"\n', 4, "site ('ankle')"),
    ("heart rate", f'{ALDER}heart_rate = "eg"\n', 4, "heart_rate ('eg')"),
    ("hours", f"{ALDER}claimed_gnss_hours = 0\n", 4, "claimed_gnss_hours (0)"),
    ("endless", f"{ALDER}claimed_gnss_hours = inf\n", 4, "claimed_gnss_hours (inf)"),
    ("true hours", f"{ALDER}claimed_gnss_hours = true\n", 4, "claimed_gnss_hours (True)"),
    ("text hours", f'{ALDER}claimed_gnss_hours = "6"\n', 4, "claimed_gnss_hours ('6')"),
    ("channel", f'{ALDER}reference_for = [\n"speed"]\n', 5, "reference_for.0 ('speed')"),
    ("no list", f"{ALDER}match = 3\n", 4, "match (3)"),
    ("empty rule", f"{ALDER}match = [{{}}]\n", 4, "a rule has one of the keys serial, folder"),
    ("two in one", f'{ALDER}match = [{{serial = 1, folder = "a"}}]\n', 4, "not 2"),
    ("rule key", f"{ALDER}match = [{{colour = 1}}]\n", 4, "match.0.colour: no key"),
    (
        "true serial",
        f"{ALDER}match = [\n{{serial = 1}},\n{{serial = true}}]\n",
        6,
        "match.1.serial",
    ),
    ("folder", f"{ALDER}match = [{{folder = 3}}]\n", 4, "match.0.folder (3)"),
]


@pytest.mark.parametrize(
    ("text", "line", "message"), [case[1:] for case in BAD], ids=[case[0] for case in BAD]
)
def test_a_fault_in_the_file_is_refused_with_its_line(
    text: str, line: int, message: str, tmp_path: Path
) -> None:
    with pytest.raises(DevicesFileError, match=re.escape(message)) as caught:
        load(tmp_path, text)
    assert caught.value.line == line
    assert "\n" not in str(caught.value)


def test_other_encodings_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "devices.toml"
    path.write_bytes(ALDER.replace("Alder", "Ä").encode("cp1252"))
    with pytest.raises(DevicesFileError, match="UTF-8"):
        load_devices(path)


# --- which device -------------------------------------------------------------------------------
def make(identifier: str, **rule: int | str) -> Device:
    match = (MatchRule.model_validate(rule),)
    return Device(id=identifier, name=identifier, match=match)


EXPORT = Traits(
    serial="4012345678", folder="alder-2", filename="run_alder2.fit", creator="Alder 2 v4"
)
BY_RULE = {
    "serial": make("by-serial", serial=4012345678),
    "folder": make("by-folder", folder="ALDER-?"),
    "filename": make("by-filename", filename="*Alder2*"),
    "creator": make("by-creator", creator="alder*"),
}


@pytest.mark.parametrize("rule", BY_RULE)
def test_each_rule_alone_finds_its_device_whatever_the_case(rule: str) -> None:
    found = identify_device(EXPORT, (make("other", folder="elm"), BY_RULE[rule]))
    assert (found.device.id, found.rule) == (f"by-{rule}", rule)


@pytest.mark.parametrize("order", list(itertools.permutations(BY_RULE)))
def test_rules_are_tried_serial_folder_filename_creator(order: tuple[str, ...]) -> None:
    devices = [BY_RULE[rule] for rule in order]
    for rule in ("serial", "folder", "filename", "creator"):
        assert identify_device(EXPORT, tuple(devices)).rule == rule
        devices.remove(BY_RULE[rule])
    assert identify_device(EXPORT, tuple(devices)).rule == "none"


@pytest.mark.parametrize("serial", [4012345678, "4012345678"])
def test_a_serial_may_be_a_number_or_a_text(serial: int | str) -> None:
    assert identify_device(EXPORT, (make("a", serial=serial),)).rule == "serial"


def test_a_serial_is_no_pattern() -> None:
    assert identify_device(EXPORT, (make("a", serial="*"),)).rule == "none"


def test_two_devices_that_match_by_one_rule_are_both_named() -> None:
    devices = (make("alder-2", folder="alder*"), make("alder-3", folder="*-2"))
    with pytest.raises(AmbiguousDeviceError, match="alder-2 and alder-3 both match by folder"):
        identify_device(EXPORT, devices)


def test_an_earlier_rule_settles_what_a_later_one_leaves_open() -> None:
    devices = (make("a", folder="alder*"), make("b", folder="*-2"), make("c", serial=4012345678))
    assert identify_device(EXPORT, devices).device.id == "c"


def test_an_export_of_no_known_device_gets_an_automatic_peer() -> None:
    found = identify_device(EXPORT, ())
    assert found.rule == "none"
    assert re.fullmatch("unknown-[0-9a-f]{8}", found.device.id)
    assert (found.device.role, found.device.name) == ("peer", "Alder 2 v4")


NOTHING = Traits(serial=None, folder=None, filename="a.csv", creator=None)


@given(st.text(), st.text())
def test_a_unit_with_a_serial_is_one_device_in_any_file_and_folder(name: str, folder: str) -> None:
    first = Traits("7", None, "a.fit", "Alder", manufacturer="1", product="2")
    other = Traits("7", folder, name, "Alder", manufacturer="1", product="2")
    assert identify_device(first, ()).device.id == identify_device(other, ()).device.id


def test_units_that_show_different_traits_are_different_devices() -> None:
    exports = (
        Traits("7", None, "a.fit", None, manufacturer="1", product="2"),
        Traits("8", None, "a.fit", None, manufacturer="1", product="2"),
        Traits(None, "oak", "a.fit", None, manufacturer="1", product="2"),
        Traits(None, "elm", "a.fit", None, manufacturer="1", product="2"),
        NOTHING,
        Traits(serial=None, folder=None, filename="b.csv", creator=None),
    )
    ids = {identify_device(traits, ()).device.id for traits in exports}
    assert len(ids) == len(exports)


def test_a_former_id_belongs_to_one_device_and_is_no_living_one(tmp_path: Path) -> None:
    oak = '[[device]]\nid = "oak"\nname = "Oak"\n'
    (alder,) = load(tmp_path, f'{ALDER}was = ["maple-x", "old"]\n')
    assert alder.was == ("maple-x", "old")
    with pytest.raises(DevicesFileError, match="'oak' is still the id of a device") as caught:
        load(tmp_path, f'{ALDER}was = ["oak"]\n{oak}')
    assert caught.value.line == 4
    with pytest.raises(DevicesFileError, match="'old' stands under alder-2, too") as caught:
        load(tmp_path, f'{ALDER}was = ["old"]\n{oak}was = ["old"]\n')
    assert caught.value.line == 8
