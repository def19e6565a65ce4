"""Pages of a real home in a real browser."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING

import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright

from config.home import Home
from config.settings import load_settings
from tasks.report import write_report
from tasks.store import connect_for_reading
from tasks.workout.courses import load_line
from tests.shared import share_once
from tests.unit.report_home import POOL, RIDE, add_answers, build_home

if TYPE_CHECKING:
    from pathlib import Path

    import duckdb

ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@dataclass
class Opened:
    """A page with all that it said and asked for."""

    page: Page
    said: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)

    def wait(self) -> None:
        """Wait until every chart is drawn."""
        if self.page.locator(".chart").count():
            self.page.wait_for_selector("html[data-drawn=yes]", timeout=30_000)

    def unfold(self) -> None:
        """Open all sections, and wait until their charts are drawn."""
        self.page.locator("#open-all").click()
        expect(self.page.locator(".chart:not(:has(svg))")).to_have_count(0, timeout=30_000)
        self.wait()


Opener = Callable[..., Opened]


@pytest.fixture(scope="session")
def home(tmp_path_factory: pytest.TempPathFactory) -> Home:
    """A home with a ride and a swim; figures of the ride only, which keeps the tests quick."""
    return Home(share_once(tmp_path_factory, "pages", make_pages))


def make_pages(folder: Path) -> None:
    """Take in two workouts and write their pages."""
    home = build_home(folder, RIDE, POOL)
    add_answers(home)
    connection = connect_for_reading(home)
    write_report(
        connection,
        home.report,
        settings=load_settings(),
        waiting=("<b>waiting</b>.fit",),
        most_figures=1,
        courses=partial(load_line, courses=home.courses),
    )
    connection.close()


@pytest.fixture
def database(home: Home) -> Iterator[duckdb.DuckDBPyConnection]:
    """The published results, as a person asks them."""
    connection = connect_for_reading(home)
    yield connection
    connection.close()


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Debian's Chromium, without a window."""
    path = shutil.which("chromium")
    if path is None:
        pytest.fail("chromium is not installed: apt-get install chromium fonts-dejavu-core")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=ARGUMENTS)
        yield browser
        browser.close()


def make_opener(browser: Browser) -> Iterator[Opener]:
    """Open pages of the report; every word on the console and every request is written down.

    Drawing is what costs: of a workout only the `sections` named are opened, None leaves those that
    are open as a page is.
    """
    contexts = []

    def open_one(
        path: Path,
        *,
        width: int = 1100,
        scheme: str = "light",
        height: int = 900,
        sections: tuple[str, ...] | None = None,
    ) -> Opened:
        context = browser.new_context(
            viewport={"width": width, "height": height}, color_scheme=scheme
        )
        contexts.append(context)
        opened = Opened(context.new_page())
        opened.page.on("console", lambda message: opened.said.append(message.text))
        opened.page.on("pageerror", lambda error: opened.said.append(str(error)))
        opened.page.on("request", lambda request: opened.asked.append(request.url))
        opened.page.goto(
            path.as_uri() + ("" if sections is None else f"#open={','.join(sections)}")
        )
        opened.wait()
        return opened

    yield open_one
    for context in contexts:
        context.close()


@pytest.fixture
def open_page(browser: Browser) -> Iterator[Opener]:
    """Open a page for one test."""
    yield from make_opener(browser)


@pytest.fixture(scope="session")
def ride(home: Home) -> Path:
    """The page of the ride."""
    with closing(connect_for_reading(home)) as connection:
        return find_page(home, connection, "mountain-biking")


@pytest.fixture(scope="session")
def whole_ride(browser: Browser, ride: Path) -> Iterator[Opened]:
    """The ride with all sections open: for tests that read, and leave it as it is."""
    opener = make_opener(browser)
    opened = next(opener)(ride)
    opened.unfold()
    yield opened
    next(opener, None)


@pytest.fixture(scope="session")
def narrow_ride(browser: Browser, ride: Path) -> Iterator[Opened]:
    """The same on a phone."""
    opener = make_opener(browser)
    opened = next(opener)(ride, width=390)
    opened.unfold()
    yield opened
    next(opener, None)


def find_page(home: Home, database: duckdb.DuckDBPyConnection, activity: str) -> Path:
    """The page of the workout of that activity."""
    row = database.execute(
        "SELECT workout_id FROM workouts WHERE activity = ?", [activity]
    ).fetchone()
    assert row is not None
    return home.report / "workouts" / f"{row[0]}.html"
