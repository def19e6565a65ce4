from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from config.home import Home
from config.settings import load_settings
from flows.commands.declare import Options
from flows.commands.report import report
from tasks.core.errors import CowornError, UsageError
from tasks.store import open_store, publish

if TYPE_CHECKING:
    from pathlib import Path


def test_the_command_writes_the_report_and_says_where(
    home: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    assert report(Options(home.root, quiet=False)) == 0
    assert "pages written" in capsys.readouterr().out
    assert (home.report / "index.html").exists()
    figures = {path.name for path in (home.report / "figures").rglob("*-light.png")}
    assert {"heart_rate-wide-light.png", "track-square-light.png"} <= figures
    assert report(Options(home.root, quiet=False)) == 0
    assert "0 of" in capsys.readouterr().out


def test_the_set_to_be_published_goes_anywhere_but_into_the_home(
    home: Home, tmp_path: Path
) -> None:
    with pytest.raises(UsageError, match="does not go into the home"):
        report(Options(home.root, quiet=True), publish=home.root / "public")
    assert report(Options(home.root, quiet=True), publish=tmp_path / "public") == 0
    text = (tmp_path / "public" / "index.html").read_text(encoding="utf-8")
    assert "refused" not in text
    assert str(home.root) not in text


def test_a_workout_that_is_not_there_is_said_in_one_line(home: Home) -> None:
    with pytest.raises(UsageError, match="no such workout"):
        report(Options(home.root, quiet=True), workout="20200101T0000Z-abcdef")


def test_a_home_without_results_says_what_to_do(tmp_path: Path) -> None:
    Home(tmp_path / "new").create()
    with pytest.raises(CowornError, match="no results yet"):
        report(Options(tmp_path / "new", quiet=True))


def test_links_and_steps_upwards_lead_into_no_home(home: Home, tmp_path: Path) -> None:
    link = tmp_path / "link"
    link.symlink_to(home.root, target_is_directory=True)
    around = tmp_path / ".." / tmp_path.name / "link" / "originals"
    for target in (link / "report", around, link):
        with pytest.raises(UsageError, match="does not go into the home"):
            report(Options(home.root, quiet=True), publish=target)
        with pytest.raises(UsageError, match="does not go into the home"):
            report(Options(link, quiet=True), publish=home.root / target.name)
    assert not (home.originals / "index.html").exists()


@pytest.mark.parametrize("name", ["index.html", "figures/summer/one.png", "workouts/mine.html"])
def test_a_folder_with_pages_of_somebody_else_is_not_published_into(
    home: Home, tmp_path: Path, name: str
) -> None:
    mine = tmp_path / "site" / name
    mine.parent.mkdir(parents=True)
    mine.write_text("<p>mine</p>")
    with pytest.raises(UsageError, match=rf"{name.partition('/')[0]} in there was not written"):
        report(Options(home.root, quiet=True), publish=tmp_path / "site")
    assert mine.read_text() == "<p>mine</p>"


def test_what_a_person_puts_into_a_published_set_stays(home: Home, tmp_path: Path) -> None:
    """Pages and figures of workouts that are no more go, and nothing else."""
    site = tmp_path / "site"
    assert report(Options(home.root, quiet=True), publish=site) == 0
    page = next((site / "workouts").glob("*.html"))
    gone = page.with_name("20200101T0000Z-abcdef.html")
    gone.write_bytes(page.read_bytes())
    (site / "figures" / gone.stem).mkdir()
    kept = [site / name for name in ("CNAME", "workouts/mine.html", "figures/summer/one.png")]
    for path in kept:
        path.parent.mkdir(exist_ok=True)
        path.write_text("mine")
    assert report(Options(home.root, quiet=True), publish=site) == 0
    assert [path.read_text() for path in kept] == ["mine"] * 3
    assert page.exists()
    assert not gone.exists()
    assert not (site / "figures" / gone.stem).exists()


def test_devices_that_nobody_described_are_named_before_they_are_published(
    home: Home, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with open_store(home) as connection:
        connection.execute("UPDATE recordings SET known_by = 'none' WHERE device_id = 'alder-1'")
    publish(home, load_settings())
    # They are told before anything is drawn; no workout is called so.
    for place, said in ((tmp_path / "public", "(alder-1)"), (None, "")):
        with pytest.raises(UsageError, match="no such workout"):
            report(Options(home.root, quiet=True), publish=place, workout="20200101T0000Z-abcdef")
        assert said in capsys.readouterr().err
    assert capsys.readouterr().err == ""
