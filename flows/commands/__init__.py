"""The commands, each declared in the file of its name."""

from __future__ import annotations

from typing import Final

#: Every command, by group, in the order of `coworn --help`.
GROUPS: Final = {
    "Every day": ("demo", "watch", "ingest", "status", "answers", "plan"),
    "Look": (
        "sql",
        "report",
        "figure",
        "export",
        "explain",
        "devices",
        "metrics",
        "settings",
    ),
    "Set right": (
        "exclude",
        "join",
        "split",
        "move",
        "remove",
    ),
    "Look after the home": ("nightly", "check", "backup", "restore", "rebuild", "repair"),
    "Service": ("service", "serve"),
}
