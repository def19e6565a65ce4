"""What kind of drive a folder lies on."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Iterable

#: File systems that lie on another machine, or may. SQLite's write-ahead log and DuckDB's locks
#: need one machine; source: https://www.sqlite.org/wal.html, "not over a network filesystem".
_REMOTE: Final = frozenset(
    {
        "9p",
        "afpfs",
        "afs",
        "beegfs",
        "ceph",
        "cifs",
        "davfs",
        "fuse.davfs",
        "fuse.glusterfs",
        "fuse.rclone",
        "fuse.s3fs",
        "fuse.sshfs",
        "glusterfs",
        "lustre",
        "ncpfs",
        "nfs",
        "nfs4",
        "smb3",
        "smbfs",
        "webdav",
    }
)


def find_remote_drive(folder: Path, partitions: Iterable[Any] | None = None) -> str | None:
    """Return the kind of network drive that `folder` lies on, None for a drive of this machine.

    `partitions` are those of psutil, for tests.
    """
    if partitions is None:
        import psutil

        partitions = psutil.disk_partitions(all=True)
    path = folder.resolve()
    around = [one for one in partitions if path.is_relative_to(Path(one.mountpoint))]
    # Of several mounts at one place the last one is seen.
    nearest = max(
        enumerate(around),
        key=lambda one: (len(Path(one[1].mountpoint).parts), one[0]),
        default=None,
    )
    if nearest is None:
        return None
    kind = str(nearest[1].fstype).lower()
    if kind in _REMOTE or "remote" in str(nearest[1].opts).split(","):
        return kind or "network"
    return None
