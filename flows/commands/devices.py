"""`coworn devices`: known devices, and exports whose device is not known yet."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from flows.commands.declare import Options, command
from flows.console import terminal

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from config.session import Session
    from tasks.processing.describe import Proposal

#: What stands below the table.
_ABOUT_REFERENCES: Final = (
    "reference for: what other devices are judged by. A device with the role reference is one for "
    "all that it recorded, a strap at chest or arm for heart rate only; reference_for in "
    'devices.toml says otherwise, e.g. reference_for = ["distance", "altitude"] (of heart_rate, '
    "position, altitude, and distance with speed). A reference is not judged by what it judges: "
    "only by truth, a course and other references."
)


@command()
def devices(
    options: Options,
    *,
    write: Annotated[
        bool, typer.Option("--write", help="Add the proposed entries to devices.toml.")
    ] = False,
) -> int:
    """List known devices, and exports whose device is not known yet.

    For those it prints entries for devices.toml; --write adds them there.
    """
    from flows.session.home import open_existing_home

    session = open_existing_home(options.home)
    console = options.make_console()
    recorded, unknown = _read_recordings(session)
    _show_known(session, console, recorded)
    if not unknown:
        if write:
            console.print("\nevery device is described; nothing was added")
        return 0
    console.print("\nnot described yet:")
    terminal.show_table(
        console,
        ("device", "export", "serial", "folder", "creator"),
        [
            (row["device_id"], row["file"], row["serial"], row["folder"], row["creator"])
            for row in unknown
        ],
        whole=("device", "serial"),
    )
    proposals = _propose(session, unknown)
    if write:
        return _write(session, console, proposals)
    console.print("\nto describe them, coworn devices --write adds this to devices.toml:\n")
    console.print("\n\n".join(proposal.text for proposal in proposals), soft_wrap=True)
    return 0


def _read_recordings(session: Session) -> tuple[Counter[str], list[dict[str, Any]]]:
    """Return how many recordings each device has, and those that nothing describes."""
    from tasks.processing.describe import list_undescribed
    from tasks.store import connect_for_reading, find_published

    if find_published(session.home) is None:
        return Counter(), []
    connection = connect_for_reading(session.home, statement="")
    try:
        rows = connection.execute("SELECT device_id FROM recordings").fetchall()
        unknown = list_undescribed(connection, session.devices)
    finally:
        connection.close()
    return Counter(device_id for (device_id,) in rows), unknown


def _show_known(session: Session, console: Console, recorded: Counter[str]) -> None:
    if not session.devices:
        console.print("devices.toml describes no device yet")
        return
    terminal.show_table(
        console,
        ("device", "name", "role", "site", "heart rate", "reference for", "recordings"),
        [
            (
                device.id,
                device.name,
                device.role,
                device.site,
                device.heart_rate,
                ", ".join(device.channels_as_reference) or "-",
                recorded[device.id],
            )
            for device in session.devices
        ],
        right=("recordings",),
        whole=("device", "role"),
    )
    console.print()
    terminal.show_wrapped(console, _ABOUT_REFERENCES, indent=0)


def _propose(session: Session, rows: Sequence[dict[str, Any]]) -> list[Proposal]:
    from tasks.processing.describe import UnknownDevice, propose_devices

    by_device: dict[str, list[dict[str, Any]]] = {}
    for row in rows:
        by_device.setdefault(row["device_id"], []).append(row)
    unknown = [
        UnknownDevice(
            device_id=device_id,
            name=found[-1]["device"] or device_id,
            recording_id=found[-1]["recording_id"],
            files=tuple(row["file"] or row["recording_id"] for row in found),
            **{
                key: next((row[key] for row in found if row[key]), None)
                for key in ("serial", "folder", "creator")
            },
        )
        for device_id, found in by_device.items()
    ]
    return propose_devices(unknown, session.devices, lake=session.home.lake)


def _write(session: Session, console: Console, proposals: Sequence[Proposal]) -> int:
    """Add the proposals to devices.toml in one step; what stands there stays as it is."""
    from config.devices import load_devices
    from tasks.core.durable import replace_text

    path = session.home.devices
    before = path.read_text(encoding="utf-8-sig") if path.exists() else ""
    blocks = "\n\n".join(proposal.text for proposal in proposals)
    text = f"{before.rstrip()}\n\n{blocks}\n".lstrip()
    replace_text(path, text, check=load_devices)
    names = ", ".join(proposal.device_id for proposal in proposals)
    console.print()
    terminal.show_wrapped(
        console,
        f"added to {path}: {names}; correct what is guessed wrongly. Workouts that are there "
        "already follow with the next run: coworn nightly does that now",
        indent=0,
    )
    return 0
