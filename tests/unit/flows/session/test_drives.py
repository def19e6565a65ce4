"""Network drives are known by the file system of the mount around a folder."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from flows.session.drives import find_remote_drive

if TYPE_CHECKING:
    from pathlib import Path


@dataclass(frozen=True)
class Mount:
    mountpoint: str
    fstype: str
    opts: str = "rw"


def test_the_nearest_mount_decides(tmp_path: Path) -> None:
    share = tmp_path / "share"
    local = share / "scratch"
    local.mkdir(parents=True)
    mounts = [Mount("/", "ext4"), Mount(str(share), "nfs4"), Mount(str(local), "xfs")]
    assert find_remote_drive(share, mounts) == "nfs4"
    assert find_remote_drive(share / "home" / "state", mounts) == "nfs4"
    assert find_remote_drive(local, mounts) is None
    assert find_remote_drive(tmp_path / "shared", mounts) is None


def test_of_two_mounts_at_one_place_the_later_one_is_seen(tmp_path: Path) -> None:
    mounts = [Mount(str(tmp_path), "ext4"), Mount(str(tmp_path), "cifs")]
    assert find_remote_drive(tmp_path, mounts) == "cifs"


def test_windows_says_remote_in_the_options(tmp_path: Path) -> None:
    assert find_remote_drive(tmp_path, [Mount(str(tmp_path), "NTFS", "rw,remote")]) == "ntfs"


def test_this_machine_has_a_drive_of_its_own(tmp_path: Path) -> None:
    assert find_remote_drive(tmp_path) is None
