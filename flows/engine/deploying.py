"""What a deployment must know of a home: its folder, and when its night is."""

from __future__ import annotations

import os
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from config.home import find_home
from config.settings import load_settings
from tasks.core.provenance import find_version


def describe_home() -> dict[str, str]:
    """Return what `config/prefect.yaml` asks for of the home of COWORN_HOME, else ~/coworn.

    A build step of `prefect deploy`. Raises: SettingsError.
    """
    home = find_home(None)
    settings = load_settings(home.settings)
    return {
        "home": str(home.root),
        "code": str(Path(__file__).resolve().parents[2]),
        "cron": make_cron(settings.time.nightly_at),
        "zone": find_local_zone(),
        "version": find_version(),
    }


def make_cron(at: str) -> str:
    """Return "hh:mm" as a daily cron line."""
    hour, minute = at.split(":")
    return f"{int(minute)} {int(hour)} * * *"


def find_local_zone() -> str:
    """Return the IANA name of this machine's zone.

    From TZ, else from the link that /etc/localtime is; where neither says, a fixed offset of
    whole hours (without summer time), else UTC.
    """
    named = os.environ.get("TZ", "").removeprefix(":")
    linked = os.path.realpath("/etc/localtime").partition("zoneinfo/")[2]
    for name in (named, linked):
        if name and _is_zone(name):
            return name
    offset = datetime.now().astimezone().utcoffset() or timedelta(0)
    hours, rest = divmod(int(offset.total_seconds()), 3600)
    # The sign of these names counts westwards.
    return "UTC" if rest or not hours else f"Etc/GMT{-hours:+d}"


def _is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        return False
    return True
