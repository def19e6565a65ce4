"""Opens a home: its folders, its settings, its devices; what is wrong there is said in one line."""

from __future__ import annotations

from typing import TYPE_CHECKING

from config.devices import DevicesFileError, load_devices
from config.home import Home, find_home
from config.session import Session
from config.settings import SettingsFileError, load_settings
from flows.session.umask import set_private_umask
from tasks.archive.publishing_key import load_publishing_key
from tasks.core.errors import SettingsError, UsageError

if TYPE_CHECKING:
    from pathlib import Path


def open_home(folder: Path | None) -> Session:
    """Make the home's folders where they are missing and read its files.

    Raises: UsageError, SettingsError.
    """
    home = find_home(folder)
    session = _read(home)
    try:
        home.create()
        load_publishing_key(home)
    except OSError as error:
        raise UsageError(
            f"{error.filename or home.root}: the home folder cannot be made ({error.strerror}); "
            "name another one with --home or COWORN_HOME"
        ) from error
    return session


def open_existing_home(folder: Path | None) -> Session:
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


def is_inside(path: Path, home: Home) -> bool:
    """Say whether `path` lies in the home's folder, links and steps upwards followed."""
    return path.resolve().is_relative_to(home.root.resolve())


def _read(home: Home) -> Session:
    set_private_umask()
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
    return Session(home, settings, devices)


def _refuse_encoding(path: Path) -> SettingsError:
    return SettingsError(str(path), found="it is not UTF-8 text", remedy="save it as UTF-8")
