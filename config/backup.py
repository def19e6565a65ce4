"""Settings of backups in another place; no reported number depends on them."""

from __future__ import annotations

from pydantic import Field

from config.section import Section


class BackupSettings(Section):
    """Where backups go beside `backups/`, which lies on the disk of the home."""

    to: str = Field(
        description="A folder on another disk, or an address that fsspec knows, which the night "
        "copies what is new to; empty: none. Credentials come from the environment"
    )
