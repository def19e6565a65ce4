"""Our table of field numbers against the profiles of two decoders."""

from __future__ import annotations

import fitdecode.profile
import fitparse.profile
import pytest

from tasks.readers.fit import fields

#: Not in fitparse's profile of 2019; fitdecode's newer one has them.
ONLY_NEWER = {(fields.DEVICE_INFO, 32), *((fields.AUX_BATTERY, n) for n in (0, 1, 3, 253))}
#: In no public profile.
NOWHERE = {fields.BATTERY_104}
#: Kept in ticks by us on purpose.
UNSCALED = {(fields.HR, "event_timestamp"), (fields.HRV, "time")}

CASES = [
    (message, field)
    for message, by_number in fields.WANTED.items()
    if message not in NOWHERE
    for field in by_number.values()
]


@pytest.mark.parametrize(("message", "field"), CASES)
def test_number_name_and_scale_are_those_of_the_profiles(message: int, field: fields.Field) -> None:
    known = 0
    for profile in (fitparse.profile, fitdecode.profile):
        theirs = profile.MESSAGE_TYPES.get(message)
        if theirs is None or field.number not in theirs.fields:
            assert profile is fitparse.profile
            assert (message, field.number) in ONLY_NEWER
            continue
        known += 1
        their_field = theirs.fields[field.number]
        assert their_field.name == field.name
        if (message, field.name) not in UNSCALED:
            assert (their_field.scale or 1) == field.scale
            assert (their_field.offset or 0) == field.offset
    assert known


@pytest.mark.parametrize(
    ("kind", "ours"),
    [
        ("sport", fields.SPORTS),
        ("sub_sport", fields.SUB_SPORTS),
        ("length_type", fields.LENGTH_KINDS),
        ("event", fields.EVENTS),
    ],
)
def test_our_words_are_those_of_the_profile(kind: str, ours: dict[int, str]) -> None:
    theirs = fitdecode.profile.FIELD_TYPES[kind].enum
    assert {number: theirs[number] for number in ours} == ours


def test_strokes_are_those_of_the_profile_save_the_short_form_of_medley() -> None:
    theirs = fitdecode.profile.FIELD_TYPES["swim_stroke"].enum
    assert {number: theirs[number] for number in fields.STROKES} == fields.STROKES | {6: "im"}


def test_makers_of_virtual_rides_are_who_we_mean() -> None:
    theirs = fitdecode.profile.FIELD_TYPES["manufacturer"].enum
    named = {theirs[number] for number in fields.VIRTUAL_MANUFACTURERS}
    assert named == {
        "bkool",
        "zwift_byte",
        "zwift",
        "trainer_road",
        "the_sufferfest",
        "virtualtraining",
        "mywhoosh",
    }


def test_a_local_barometer_and_the_creator_have_the_profile_s_numbers() -> None:
    types = fitdecode.profile.FIELD_TYPES
    assert types["source_type"].enum[fields.LOCAL_SOURCE] == "local"
    assert types["local_device_type"].enum[fields.LOCAL_BAROMETER] == "barometer"
    assert types["device_index"].enum[fields.CREATOR_INDEX] == "creator"


def test_planned_files_are_those_of_the_profile() -> None:
    theirs = fitdecode.profile.FIELD_TYPES["file"].enum
    assert {theirs[number] for number in fields.PLANNED_FILE_TYPES} == {
        "workout",
        "course",
        "segment",
    }
