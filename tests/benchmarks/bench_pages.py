"""Times the opening of pages of workouts in Chromium, from disk.

Run as `python -m tests.benchmarks.bench_pages HOME`. Each page is opened some times in a window of
1280 by 900 px until its charts are drawn; printed are the CPU time of the page's thread (what a
browser that has a core for itself waits for), of a zoom, the wall time, and the size. The limits
are 1 s of CPU and 1.5 MB.
"""

from __future__ import annotations

import argparse
import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from playwright.sync_api import sync_playwright

from config.home import Home

if TYPE_CHECKING:
    from playwright.sync_api import Browser, CDPSession

TIMES = 5
MAX_CPU_S = 1.0
MAX_MB = 1.5
WHOLE, SETTLED_MS = "html[data-drawn=yes]", 500
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]


def read_cpu(session: CDPSession) -> float:
    """Return the CPU time of the page's thread so far [s]."""
    metrics = session.send("Performance.getMetrics")["metrics"]
    return next(float(one["value"]) for one in metrics if one["name"] == "TaskDuration")


def open_once(browser: Browser, path: Path) -> tuple[float, float, float]:
    """Return the CPU times of opening and of a zoom, and the wall time of opening [s]."""
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    session = context.new_cdp_session(page)
    session.send("Performance.enable", {"timeDomain": "threadTicks"})
    page.goto(path.as_uri(), wait_until="commit")
    page.wait_for_selector(WHOLE, timeout=60_000)
    wall_s = page.evaluate("performance.now()") / 1000
    opened_s = read_cpu(session)
    page.locator("[data-chart=heart_rate]").scroll_into_view_if_needed()
    box = page.locator("[data-chart=heart_rate]").bounding_box()
    if box is None:
        raise LookupError(f"{path}: no chart of heart rate")
    before = read_cpu(session)
    page.mouse.move(box["x"] + 300, box["y"] + 80)
    page.mouse.down()
    page.mouse.move(box["x"] + 500, box["y"] + 80)
    page.mouse.up()
    page.wait_for_timeout(SETTLED_MS)
    page.wait_for_selector(WHOLE, timeout=60_000)
    zoomed_s = read_cpu(session) - before
    context.close()
    return opened_s, zoomed_s, wall_s


def main() -> int:
    """Open all pages of workouts of a home, and judge."""
    parser = argparse.ArgumentParser()
    parser.add_argument("home", type=Path)
    folder = Home(parser.parse_args().home).report / "workouts"
    good = True
    with sync_playwright() as playwright:
        path = shutil.which("chromium")
        browser = playwright.chromium.launch(executable_path=path, args=ARGUMENTS)
        print(f"Chromium {browser.version}; least of {TIMES} openings")  # noqa: T201 - the measurement
        for page in sorted(folder.glob("*.html")):
            runs = [open_once(browser, page) for _ in range(TIMES)]
            opened_s, zoomed_s, wall_s = (min(column) for column in zip(*runs, strict=True))
            size_mb = page.stat().st_size / 1e6
            good &= opened_s <= MAX_CPU_S and size_mb <= MAX_MB
            print(  # noqa: T201 - the measurement
                f"{page.stem} {size_mb:.2f} MB: open {opened_s:.2f} s CPU, {wall_s:.2f} s; "
                f"zoom {zoomed_s:.2f} s CPU"
            )
        browser.close()
    print("within" if good else f"BEYOND {MAX_CPU_S} s or {MAX_MB} MB")  # noqa: T201 - the measurement
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
