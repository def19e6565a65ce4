"""Where a number comes from: the run that made it, and the version of the software."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from importlib import metadata


@dataclass(frozen=True)
class Run:
    """One run of the pipeline. `flow` is drop, nightly or rebuild."""

    run_id: str
    started_at: datetime
    flow: str
    software_version: str
    settings_hash: str


def begin_run(flow: str, *, settings_hash: str) -> Run:
    """Return a new run; ids sort by time and never repeat."""
    now = datetime.now(UTC)
    return Run(
        run_id=f"{now:%Y%m%dT%H%M%S}-{secrets.token_hex(3)}",
        started_at=now,
        flow=flow,
        software_version=find_version(),
        settings_hash=settings_hash,
    )


@cache
def find_version() -> str:
    """Return the version of the installed coworn; "unknown" when it runs uninstalled."""
    try:
        return metadata.version("coworn")
    except metadata.PackageNotFoundError:
        return "unknown"
