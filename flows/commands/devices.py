"""`coworn devices`: known devices, and exports whose device is not known yet."""

from __future__ import annotations

import fnmatch
from collections import Counter
from typing import Final

from flows.commands.declare import Options, command
from flows.console import terminal

#: What stands below the table.
_ABOUT_REFERENCES: Final = (
    "reference for: what other devices are judged by. A device with the role reference is one for "
    "all that it recorded, a strap at chest or arm for heart rate only; reference_for in "
    'devices.toml says otherwise, e.g. reference_for = ["distance", "altitude"] (of heart_rate, '
    "position, altitude, and distance with speed). A reference is not judged by what it judges: "
    "only by truth, a course and other references."
)


@command()
def devices(options: Options) -> int:
    """List known devices, and exports whose device is not known yet."""
    from flows.session.home import open_existing_home
    from tasks.store import connect_for_reading, find_published, run_query

    session = open_existing_home(options.home)
    home = session.home
    console = options.make_console()
    recorded: Counter[str] = Counter()
    unknown: list[dict[str, str]] = []
    if find_published(home) is not None:
        connection = connect_for_reading(home)
        try:
            rows = run_query(
                connection,
                "SELECT recordings.device_id, devices.name AS device, files.name AS file, "
                "recordings.serial, recordings.creator, files.folder FROM recordings "
                "LEFT JOIN devices USING (device_id) LEFT JOIN files USING (file_id) "
                "ORDER BY recordings.device_id, files.name",
            ).to_pylist()
        finally:
            connection.close()
        recorded.update(row["device_id"] for row in rows)
        unknown = [row for row in rows if fnmatch.fnmatch(row["device_id"], "unknown-*")]
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
    if session.devices:
        console.print()
        terminal.show_wrapped(console, _ABOUT_REFERENCES, indent=0)
    if unknown:
        console.print("\nnot named yet; add a [[device]] with a match rule to devices.toml:")
        terminal.show_table(
            console,
            ("device", "export", "serial", "folder", "creator"),
            [
                (row["device_id"], row["file"], row["serial"], row["folder"], row["creator"])
                for row in unknown
            ],
            whole=("device", "serial"),
        )
    return 0
