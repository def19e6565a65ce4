"""Devices that are described late or renamed: no ghosts, and what named them still counts."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from tests.unit.processing.test_notes_change import MONDAY, TUESDAY, line, write_export

if TYPE_CHECKING:
    from tests.unit.processing.test_notes_change import Line

__all__ = ["line"]

DEVICE = '[[device]]\nid = "{id}"\nname = "{name}"\nrole = "test"\nmatch = [{{filename = "*w*"}}]\n'


def write_notes(word: str, *, end_pct: int = 87) -> str:
    return (
        f"start = {MONDAY.isoformat()}\n[setup.{word}]\nbattery_start_pct = 90\n"
        f'battery_end_pct = {end_pct}\nwrist = "left"\n'
    )


def list_devices(line: Line) -> list[object]:
    return [row[0] for row in line.ask("SELECT device_id FROM devices ORDER BY 1")]


def test_a_device_that_is_described_after_its_first_drop_leaves_no_ghost(line: Line) -> None:
    line.home.devices.unlink()
    line.run(w__csv=write_export(MONDAY))
    assert list_devices(line) == ["unnamed"]
    line.home.devices.write_text(DEVICE.format(id="maple", name="Maple"))
    line.run()
    assert list_devices(line) == ["maple"]
    assert line.ask("SELECT DISTINCT device_id FROM recordings") == [("maple",)]


def test_a_renamed_device_keeps_its_setups_by_its_former_id(line: Line) -> None:
    line.home.devices.write_text(DEVICE.format(id="maple-x", name="Maple"))
    line.run(w__csv=write_export(MONDAY), a__notes__toml=write_notes("maple-x"))
    assert line.find_rate("20260504") == pytest.approx(6.0)
    line.home.devices.write_text(DEVICE.format(id="maple", name="Maple") + 'was = ["maple-x"]\n')
    _, summary = line.run()
    assert summary.complaints == ()
    assert list_devices(line) == ["maple"]
    assert line.ask("SELECT DISTINCT device_id FROM setups") == [("maple",)]
    assert line.ask(
        "SELECT DISTINCT device_id FROM latest_results WHERE metric = 'battery_rate_pct_per_h' "
        "AND value IS NOT NULL"
    ) == [("maple",)]


def test_notes_that_name_an_id_of_the_past_are_told_where_its_recordings_are(line: Line) -> None:
    line.home.devices.write_text(DEVICE.format(id="maple-x", name="Maple"))
    line.run(w__csv=write_export(MONDAY), a__notes__toml=write_notes("maple-x"))
    line.home.devices.write_text(DEVICE.format(id="maple", name="Maple"))
    _, summary = line.run()
    (complaint,) = summary.complaints
    assert complaint.startswith("a.notes.toml, line 2: the setup counts for nothing: the device")
    assert "'maple-x' no longer exists: its recordings are those of maple now" in complaint
    assert 'was = ["maple-x"] under maple' in complaint
    assert line.ask("SELECT * FROM setups") == []
    # Days later, with notes that come anew: the store remembers.
    _, summary = line.run(b__notes__toml=write_notes("maple-x", end_pct=85))
    assert "'maple-x' no longer exists: its recordings are those of maple" in summary.complaints[0]


def test_a_display_name_works_where_an_id_does(line: Line) -> None:
    line.home.devices.write_text(DEVICE.format(id="maple", name="Maple X"))
    line.run(w__csv=write_export(MONDAY), a__notes__toml=write_notes('"maple x"'))
    assert line.ask("SELECT DISTINCT device_id FROM setups") == [("maple",)]
    assert line.find_rate("20260504") == pytest.approx(6.0)


def test_a_name_that_two_devices_bear_is_not_guessed(line: Line) -> None:
    twice = DEVICE.format(id="maple", name="Maple X") + '[[device]]\nid = "elm"\nname = "Maple X"\n'
    line.home.devices.write_text(twice)
    _, summary = line.run(w__csv=write_export(MONDAY), a__notes__toml=write_notes('"Maple X"'))
    assert "'Maple X' is the name of elm and maple; write the id" in summary.complaints[0]
    assert line.ask("SELECT * FROM setups") == []


def test_an_automatic_device_keeps_its_id_over_runs_and_a_second_one_gets_another(
    line: Line,
) -> None:
    line.home.devices.unlink()
    line.run(w__csv=write_export(MONDAY))
    line.run(v__csv=write_export(TUESDAY))
    line.run(evening_oak_17__csv=write_export(TUESDAY + timedelta(days=1)))
    assert list_devices(line) == ["evening-oak", "unnamed", "unnamed-2"]
    rows = line.ask("SELECT device_id, name FROM devices ORDER BY 1")
    assert rows[1:] == [("unnamed", "w.csv"), ("unnamed-2", "v.csv")]
    line.run()
    assert list_devices(line) == ["evening-oak", "unnamed", "unnamed-2"]


def test_an_id_that_is_given_to_another_device_leaves_the_automatic_one(line: Line) -> None:
    line.home.devices.unlink()
    line.run(w__csv=write_export(MONDAY))
    line.home.devices.write_text('[[device]]\nid = "unnamed"\nname = "Taken"\n')
    line.run()
    assert list_devices(line) == ["unnamed-2"]
