"""The log of a home: one line for each message, in one home only, never too large."""

from __future__ import annotations

import logging
import re
import subprocess
import sys
from logging.handlers import WatchedFileHandler
from typing import TYPE_CHECKING

import pytest

from config.home import Home
from flows.run_reports import Cost, Stages
from flows.session.log import begin_log, set_aside_logs

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

LOG = logging.getLogger("flows.test_journal")


@pytest.fixture
def home(tmp_path: Path) -> Iterator[Home]:
    """Return a home; the loggers of the product are afterwards as they were."""
    loggers = [logging.getLogger(name) for name in ("flows", "tasks")]
    before = [(logger.level, logger.propagate, list(logger.handlers)) for logger in loggers]
    yield Home(tmp_path / "home")
    for logger, (level, propagate, handlers) in zip(loggers, before, strict=True):
        for handler in set(logger.handlers) - set(handlers):
            handler.close()
        logger.setLevel(level)
        logger.propagate = propagate
        logger.handlers[:] = handlers


def read_log(home: Home) -> list[str]:
    return (home.logs / "coworn.log").read_text(encoding="utf-8").splitlines()


def test_a_message_is_one_line_with_its_time_in_utc(home: Home) -> None:
    begin_log(home)
    LOG.info("%s: stored", "run.fit")
    (line,) = read_log(home)
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ INFO run\.fit: stored", line)


def test_a_name_with_a_line_break_forges_no_line(home: Home) -> None:
    begin_log(home)
    LOG.warning("%s refused", "run\n2026-05-02T06:00:00Z INFO all is well\x1b[2J.fit")
    (line,) = read_log(home)
    assert line.endswith("run 2026-05-02T06:00:00Z INFO all is well\\x1b[2J.fit refused")


def test_a_log_begun_twice_says_everything_once(home: Home) -> None:
    begin_log(home)
    begin_log(home)
    LOG.info("once")
    assert len(read_log(home)) == 1


def test_what_happens_in_one_home_is_not_told_in_another(home: Home, tmp_path: Path) -> None:
    other = Home(tmp_path / "other")
    begin_log(other)
    begin_log(home)
    LOG.info("here")
    assert len(read_log(home)) == 1
    assert read_log(other) == []


def test_a_large_log_is_set_aside_and_written_on_afresh(home: Home) -> None:
    begin_log(home)
    LOG.info("%s", "x" * 200)
    set_aside_logs(home, most_bytes=100)
    LOG.info("afterwards")
    assert len(read_log(home)) == 1
    assert (home.logs / "coworn.log.1").read_text().count("x") == 200


def test_a_log_that_cannot_be_written_stops_nothing(home: Home) -> None:
    home.logs.mkdir(parents=True)
    (home.logs / "coworn.log").mkdir()
    begin_log(home)
    LOG.info("to nobody")
    handlers = logging.getLogger("flows").handlers
    assert not any(
        isinstance(handler, WatchedFileHandler) and str(home.root) in handler.baseFilename
        for handler in handlers
    )


def test_stages_add_up_and_keep_their_order() -> None:
    stages = Stages()
    with stages.time("read"):
        pass
    with stages.time("pair"):
        pass
    with pytest.raises(KeyError), stages.time("read"):
        raise KeyError
    assert list(stages.costs) == ["read", "pair"]
    stages.costs.update(read=Cost(1.25, 0.9, 80.2), pair=Cost(0.04, 0.04, 82))
    told, _, most = str(stages).partition("; ")
    assert told == "read 1.2 s (CPU 0.9 s, 80 MB), pair 0.0 s (CPU 0.0 s, 82 MB)"
    assert re.fullmatch(r"at most [1-9]\d+ MB", most)


def test_a_stage_counts_the_processor_time_of_processes_that_ended_in_it() -> None:
    stages = Stages()
    # The system counts the time of children in hundredths of a second: a few more than are asked.
    code = "import time\nwhile time.process_time() < 0.25: pass"
    with stages.time("read"):
        subprocess.run([sys.executable, "-c", code], check=True)
    assert stages.costs["read"].cpu_s >= 0.2
