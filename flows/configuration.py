"""Opens a home: its folders, its settings, its devices; what is wrong there is said in one line."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from config.devices import Device, DevicesFileError, load_devices
from config.home import Home, find_home
from config.settings import Settings, SettingsFileError, load_settings
from flows.rights import keep_private
from tasks.core.errors import SettingsError, UsageError

if TYPE_CHECKING:
    from pathlib import Path

#: Size from which a log is set aside before the next one begins [byte].
MAX_LOG_BYTES: Final = 5_000_000


@dataclass(frozen=True)
class Opened:
    """A home with what its files say."""

    home: Home
    settings: Settings
    devices: tuple[Device, ...]


def open_home(folder: Path | None) -> Opened:
    """Make the home's folders where they are missing and read its files.

    Raises: UsageError, SettingsError.
    """
    home = find_home(folder)
    opened = _read(home)
    try:
        home.create()
    except OSError as error:
        raise UsageError(
            f"{error.filename or home.root}: the home folder cannot be made ({error.strerror}); "
            "name another one with --home or COWORN_HOME"
        ) from error
    return opened


def look_into_home(folder: Path | None) -> Opened:
    """Read the files of a home that must be there already; nothing is created.

    Raises: UsageError, SettingsError.
    """
    home = find_home(folder)
    if not home.root.is_dir():
        raise UsageError(
            f"{home.root}: there is no home folder yet; begin with coworn demo or coworn watch, "
            "or name it with --home or COWORN_HOME"
        )
    return _read(home)


def start_log(home: Home) -> None:
    """Let what the product logs go to `state/logs/coworn.log`."""
    path = home.logs / "coworn.log"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.exists() and path.stat().st_size > MAX_LOG_BYTES:
            path.replace(path.with_suffix(".log.1"))
        # Opened at once: later might be while files for elsewhere are written, with other rights.
        handler = logging.FileHandler(path, encoding="utf-8")
    except OSError:
        return
    handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(name)s: %(message)s"))
    for name in ("flows", "tasks"):
        logger = logging.getLogger(name)
        logger.setLevel(logging.INFO)
        logger.addHandler(handler)
        # The root logger would print on the console what is said there in better words.
        logger.propagate = False


def _read(home: Home) -> Opened:
    keep_private()
    try:
        settings = load_settings(home.settings)
    except SettingsFileError as error:
        raise SettingsError(
            str(home.settings), line=error.line, found=str(error), remedy="correct or remove it"
        ) from error
    except UnicodeDecodeError as error:
        raise _refuse_encoding(home.settings) from error
    try:
        devices = load_devices(home.devices)
    except DevicesFileError as error:
        raise SettingsError(
            str(home.devices), line=error.line, found=str(error), remedy="correct it"
        ) from error
    except UnicodeDecodeError as error:
        raise _refuse_encoding(home.devices) from error
    return Opened(home, settings, devices)


def _refuse_encoding(path: Path) -> SettingsError:
    return SettingsError(str(path), found="it is not UTF-8 text", remedy="save it as UTF-8")
