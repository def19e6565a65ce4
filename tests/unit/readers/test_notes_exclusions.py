"""What notes set aside: every form, and the line of every fault."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from tasks.core.errors import NotesError
from tasks.core.notes import Exclusion
from tasks.readers.notes import read_all_notes, read_notes

START = "start = 2026-05-02T07:30:00+02:00\n"


def read(text: str) -> tuple[Exclusion, ...]:
    return read_notes(START + text, name="a.notes.toml").exclusions


def at(hour: int, minute: int, second: int = 0) -> datetime:
    return datetime(2026, 5, 2, hour, minute, second, tzinfo=UTC)


def test_a_device_a_domain_and_a_part_are_set_aside_with_a_reason() -> None:
    text = '[exclude.hazel]\nuntil = "07:45"\ndomain = "heart rate"\nbecause = "strap was dry"\n'
    # 05:30 UTC is the start; 7 minutes and 45 seconds later.
    assert read(text) == (Exclusion("strap was dry", "hazel", "heart_rate", None, at(5, 37, 45)),)


def test_without_a_device_the_whole_workout_is_set_aside() -> None:
    assert read('[exclude]\nbecause = "rain"\n') == (Exclusion("rain"),)


def test_whole_and_devices_stand_in_one_file_and_a_device_may_have_several() -> None:
    text = (
        '[exclude]\nbecause = "rain"\n[[exclude.oak]]\nbecause = "a"\nfrom = "10:00"\n'
        '[[exclude.oak]]\nbecause = "b"\nuntil = "01:00"\n'
    )
    assert read(text) == (
        Exclusion("rain"),
        Exclusion("a", "oak", None, at(5, 40), None),
        Exclusion("b", "oak", None, None, at(5, 31)),
    )


def test_a_list_names_its_devices_by_a_key() -> None:
    text = '[[exclude]]\ndevice = "Oak 2"\nbecause = "a"\n[[exclude]]\nbecause = "b"\n'
    assert read(text) == (Exclusion("a", "Oak 2"), Exclusion("b"))


def test_a_time_of_day_is_in_the_zone_of_the_start_and_may_lie_after_midnight() -> None:
    text = '[exclude]\nbecause = "a"\nfrom = 07:45:00\nuntil = 2026-05-02T06:00:00Z\n'
    assert read(text) == (Exclusion("a", None, None, at(5, 45), at(6, 0)),)
    late = '[exclude]\nbecause = "a"\nfrom = 00:15:00\n'
    assert read(late)[0].from_utc == datetime(2026, 5, 2, 22, 15, tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "line", "found"),
    [
        ("[exclude]\n", 2, "set aside without a reason"),
        ("exclude = 3\n", 2, "is no table"),
        ('[exclude.oak]\nbecause = ""\n', 3, "exclude.oak.because is empty"),
        ('[exclude.oak]\nbecaus = "x"\n', 3, "did you mean 'because'"),
        ('[exclude.oak]\nbecause = "x"\ndomain = "heart"\n', 4, "did you mean 'heart_rate'"),
        ('[exclude]\nbecause = "x"\nuntil = "7"\n', 4, "is no time"),
        ('[exclude]\nbecause = "x"\nuntil = "05:00"\nfrom = "06:00"\n', 4, "before it begins"),
        ("exclude = [1]\n", 2, "is no list of tables"),
    ],
)
def test_every_fault_is_named_with_its_line(text: str, line: int, found: str) -> None:
    with pytest.raises(NotesError, match=f"line {line}: .*{found}"):
        read(text)


def test_notes_that_hold_nothing_else_add_to_others() -> None:
    only = read_notes(START + '[exclude]\nbecause = "a"\n', name="a.notes.toml")
    more = read_notes(START + 'place = "track"\n[exclude]\nbecause = "a"\n', name="a.notes.toml")
    assert (only.adds, more.adds) == (True, False)


def test_the_mark_changes_with_what_is_set_aside_and_not_with_the_file() -> None:
    def mark(text: str, file_id: str) -> str:
        return read_notes(START + text, name=f"{file_id}.notes.toml", file_id=file_id).mark

    text = '[exclude]\nbecause = "a"\n'
    assert mark(text, "aa") == mark(text, "bb")
    assert len({mark(text, "aa"), mark("", "aa"), mark('note = "x"\n', "aa")}) == 3


def test_free_text_is_kept() -> None:
    text = 'note = "windy"\n[setup.oak]\nnote = "new strap"\n'
    notes = read_notes(START + text, name="a.notes.toml")
    assert (notes.note, dict(notes.setup["oak"])) == ("windy", {"note": "new strap"})


def test_a_spreadsheet_sets_aside_the_device_of_a_row_or_the_whole_workout() -> None:
    text = (
        "start,device,note,exclude because,exclude domain\n"
        "2026-05-02T07:30:00+02:00,Oak 2,new strap,was dry,heart rate\n"
        "2026-05-02T07:30:00+02:00,,windy,,\n"
        "2026-05-03T07:30:00+02:00,,,rain,\n"
    )
    first, second = read_all_notes(text, name="a.notes.csv")
    assert first.exclusions == (Exclusion("was dry", "Oak 2", "heart_rate"),)
    assert (first.note, dict(first.setup["Oak 2"])) == ("windy", {"note": "new strap"})
    assert second.exclusions == (Exclusion("rain"),)
    with pytest.raises(NotesError, match="line 2: set aside without a reason"):
        read_all_notes("start,exclude domain\n2026-05-02T07:30:00Z,track\n", name="a.notes.csv")
