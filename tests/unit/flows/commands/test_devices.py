"""`coworn devices`: entries for what nobody described, which the reader of devices.toml takes."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from config.devices import load_devices
from config.home import Home
from tasks.core.durable import replace_text
from tasks.store import connect_for_reading
from tests.commands import run_coworn

ROOT = Path(__file__).resolve().parents[4]
DEMO = ROOT / "inbox_demo"
RIDE = "2025-11-30-mixed-ride-"


def coworn(*arguments: object) -> tuple[int, str]:
    """Run a command in a process of its own; return exit code and output."""
    done = run_coworn(*arguments)
    return done.returncode, done.stdout


@pytest.fixture(scope="module")
def dropped(tmp_path_factory: pytest.TempPathFactory) -> Home:
    """A watch in a folder, a strap, and a CSV that names no device; nothing is described."""
    root = tmp_path_factory.mktemp("first-drop")
    drop = root / "drop"
    (drop / "watch").mkdir(parents=True)
    shutil.copyfile(DEMO / f"{RIDE}alder-2.fit", drop / "watch" / "ride.fit")
    for name in ("hazel.fit", "rowan.csv"):
        shutil.copyfile(DEMO / f"{RIDE}{name}", drop / f"{RIDE}{name}")
    home = Home(root / "home")
    assert coworn("ingest", drop, "--home", home.root, "--quiet")[0] == 0
    return home


def ask(home: Home, query: str) -> list[tuple[object, ...]]:
    connection = connect_for_reading(home)
    try:
        return list(connection.execute(query).fetchall())
    finally:
        connection.close()


def test_devices_are_called_by_what_their_files_know(dropped: Home) -> None:
    assert ask(dropped, "SELECT device_id FROM devices ORDER BY 1") == [
        ("alder-2",),
        ("hazel",),
        ("mixed-ride-rowan",),
    ]


def test_the_proposed_entries_name_the_same_devices_and_the_strap_a_reference(
    dropped: Home,
) -> None:
    home = Home(dropped.root.parent / "written")
    shutil.copytree(dropped.root, home.root, symlinks=True)
    home.devices.write_text("# my devices\n", encoding="utf-8")
    code, shown = coworn("devices", "--home", home.root)
    assert code == 0
    assert home.devices.read_text() == "# my devices\n"
    assert coworn("devices", "--write", "--home", home.root)[0] == 0
    text = home.devices.read_text()
    assert text.startswith("# my devices\n\n[[device]]\n")
    assert text.removeprefix("# my devices\n\n").strip() in shown
    devices = {device.id: device for device in load_devices(home.devices)}
    assert {key: (one.role, one.site, one.heart_rate) for key, one in devices.items()} == {
        "alder-2": ("test", "wrist", "optical"),
        "hazel": ("reference", "chest", "ecg"),
        "mixed-ride-rowan": ("reference", "arm", "optical"),
    }
    assert devices["alder-2"].match[0].serial == 4012345678
    assert devices["mixed-ride-rowan"].match[0].filename == "*mixed-ride-rowan*"
    assert coworn("nightly", "--home", home.root, "--quiet")[0] == 0
    assert ask(home, "SELECT device_id FROM devices ORDER BY 1") == [(one,) for one in devices]
    assert ask(home, "SELECT count(*) FROM recordings WHERE known_by = 'none'") == [(0,)]
    reference = "SELECT DISTINCT reference FROM main_results WHERE metric = 'hr_mae_bpm' "
    assert ask(home, reference + "AND device_id = 'alder-2'") == [("hazel",)]
    code, shown = coworn("devices", "--write", "--home", home.root)
    assert (code, "every device is described; nothing was added" in shown) == (0, True)
    assert home.devices.read_text() == text


def test_the_page_says_that_no_reference_is_named(dropped: Home) -> None:
    (page,) = (dropped.report / "workouts").glob("*.html")
    assert "No reference is named: the devices are compared with each other" in page.read_text()


def test_a_text_that_cannot_be_read_again_leaves_the_file_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "devices.toml"
    path.write_text("before")
    with pytest.raises(ValueError, match=r"[Ee]xpected"):
        replace_text(path, "[[device", check=load_devices)
    assert path.read_text() == "before"
    assert list(tmp_path.iterdir()) == [path]
