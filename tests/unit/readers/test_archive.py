"""Archives: what comes out, and what is refused. Every archive is made here, byte by byte."""

from __future__ import annotations

import gzip
import hashlib
import struct
import zipfile
from typing import TYPE_CHECKING

import numpy as np
import pytest

from tasks.core.errors import (
    CowornError,
    DamagedError,
    NothingRecordedError,
    UnsafeArchiveError,
)
from tasks.core.recording import ExportFile
from tasks.readers.archive import expand_archive, is_archive, is_complete_archive

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

LIMIT = 1_000_000


def expand(
    path: Path,
    *,
    max_expanded_bytes: int = LIMIT,
    max_members: int = 100,
    folder: str | None = None,
) -> tuple[ExportFile, ...]:
    into = path.parent / "into"
    into.mkdir(exist_ok=True)
    return expand_archive(
        ExportFile(path, path.name, folder=folder),
        into,
        max_expanded_bytes=max_expanded_bytes,
        max_members=max_members,
    )


def list_leftovers(path: Path) -> list[Path]:
    return list((path.parent / "into").iterdir())


@pytest.fixture
def archive_path(tmp_path: Path) -> Path:
    return tmp_path / "exports.zip"


def write_zip(path: Path, members: Sequence[tuple[str | zipfile.ZipInfo, bytes]]) -> None:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members:
            archive.writestr(name, content)


def test_every_member_comes_out_with_its_own_name_hash_and_folder(archive_path: Path) -> None:
    write_zip(
        archive_path,
        [("run.gpx", b"one"), ("alder-2/Läufe/ride.TCX", b"two"), ("alder-2/run.gpx", b"three")],
    )
    exports = expand(archive_path, folder="dropped")
    assert [(export.name, export.folder) for export in exports] == [
        ("run.gpx", "dropped"),
        ("ride.TCX", "Läufe"),
        ("run.gpx", "alder-2"),
    ]
    assert [export.path.read_bytes() for export in exports] == [b"one", b"two", b"three"]
    assert exports[0].file_id == hashlib.sha256(b"one").hexdigest()
    assert {export.path.parent for export in exports} == {archive_path.parent / "into"}


def test_folders_hidden_files_and_resource_forks_are_skipped(archive_path: Path) -> None:
    write_zip(
        archive_path,
        [
            ("a/", b""),
            ("__MACOSX/a/._run.gpx", b"fork"),
            ("a/._run.gpx", b"fork"),
            (".DS_Store", b"x"),
            ("a/Thumbs.db", b"x"),
            ("a/~$run.csv", b"x"),
            ("a/run.gpx", b"one"),
        ],
    )
    assert [export.name for export in expand(archive_path)] == ["run.gpx"]


def test_a_gzipped_member_of_a_zip_is_unpacked_too(archive_path: Path) -> None:
    write_zip(archive_path, [("activities/1.fit.gz", gzip.compress(b"fit"))])
    (export,) = expand(archive_path)
    assert (export.name, export.path.suffix, export.path.read_bytes()) == (
        "1.fit",
        ".fit",
        b"fit",
    )


def test_a_gzip_archive_gives_one_export_named_without_gz(tmp_path: Path) -> None:
    path = tmp_path / "Run.GPX.GZ"
    # Two gzip members in a row are one stream. Source: RFC 1952, section 2.2.
    path.write_bytes(gzip.compress(b"one ") + gzip.compress(b"two"))
    (export,) = expand(path, folder="alder-2")
    assert (export.name, export.folder) == ("Run.GPX", "alder-2")
    assert export.path.read_bytes() == b"one two"


def test_utf8_names_are_read_even_when_the_archive_does_not_say_that_they_are(
    archive_path: Path,
) -> None:
    write_zip(archive_path, [("L\u00e4ufe.gpx", b"one")])
    data = archive_path.read_bytes()
    # Bit 11 of the flags, in the local header at 6 and in the central one at 8, says UTF-8.
    central = data.index(b"PK\x01\x02")
    data = bytearray(data)
    for place in (6, central + 8):
        (flags,) = struct.unpack_from("<H", data, place)
        struct.pack_into("<H", data, place, flags & ~0x800)
    archive_path.write_bytes(data)
    assert [export.name for export in expand(archive_path)] == ["Läufe.gpx"]


def test_a_name_never_breaks_the_line_of_a_message(archive_path: Path) -> None:
    write_zip(archive_path, [("a\nb\x1b[31m.gpx", b"one")])
    (export,) = expand(archive_path)
    assert export.name == "a_b_[31m.gpx"


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("../evil.gpx", "climbs out"),
        ("a/../../evil.gpx", "climbs out"),
        ("a\\..\\..\\evil.gpx", "climbs out"),
        ("/etc/evil.gpx", "absolute"),
        ("\\\\host\\share\\evil.gpx", "absolute"),
        ("C:\\evil.gpx", "absolute"),
        ("c:evil.gpx", "absolute"),
    ],
)
def test_a_member_that_names_a_place_outside_refuses_the_archive(
    archive_path: Path, name: str, says: str
) -> None:
    write_zip(archive_path, [("run.gpx", b"one"), (name, b"evil")])
    with pytest.raises(UnsafeArchiveError, match=says) as caught:
        expand(archive_path)
    assert str(caught.value).startswith("exports.zip: ")
    assert list_leftovers(archive_path) == []
    assert not (archive_path.parent / "evil.gpx").exists()


@pytest.mark.parametrize(("mode", "says"), [(0o120777, "link"), (0o010644, "ordinary")])
def test_a_link_or_a_pipe_refuses_the_archive(archive_path: Path, mode: int, says: str) -> None:
    member = zipfile.ZipInfo("run.gpx")
    member.create_system = 3
    member.external_attr = mode << 16
    write_zip(archive_path, [(member, b"/etc/passwd")])
    with pytest.raises(UnsafeArchiveError, match=says):
        expand(archive_path)


def test_an_encrypted_member_refuses_the_archive(archive_path: Path) -> None:
    write_zip(archive_path, [("run.gpx", b"one")])
    data = bytearray(archive_path.read_bytes())
    for place in (6, data.index(b"PK\x01\x02") + 8):
        data[place] |= 1  # bit 0: encrypted; source: APPNOTE.TXT 4.4.4
    archive_path.write_bytes(data)
    with pytest.raises(UnsafeArchiveError, match="encrypted"):
        expand(archive_path)


def test_an_unusual_packing_refuses_the_archive(archive_path: Path) -> None:
    with zipfile.ZipFile(archive_path, "w", zipfile.ZIP_LZMA) as archive:
        archive.writestr("run.gpx", b"one")
    with pytest.raises(UnsafeArchiveError, match="method 14"):
        expand(archive_path)


def test_too_many_members_refuse_the_archive(archive_path: Path) -> None:
    write_zip(archive_path, [(f"{number}.gpx", b"x") for number in range(4)])
    assert len(expand(archive_path, max_members=4)) == 4
    with pytest.raises(UnsafeArchiveError, match="4 files, more than 3"):
        expand(archive_path, max_members=3)


def test_what_comes_out_counts_over_all_members(archive_path: Path) -> None:
    write_zip(archive_path, [("a.gpx", bytes(600)), ("b.gpx", bytes(600))])
    assert len(expand(archive_path, max_expanded_bytes=1200)) == 2
    for path in list_leftovers(archive_path):
        path.unlink()
    with pytest.raises(UnsafeArchiveError, match="expands to more"):
        expand(archive_path, max_expanded_bytes=1199)
    assert list_leftovers(archive_path) == []


def test_a_declared_size_that_lies_does_not_help(archive_path: Path) -> None:
    write_zip(archive_path, [("a.gpx", bytes(3 * LIMIT))])
    data = bytearray(archive_path.read_bytes())
    # The uncompressed size stands at 22 of the local and at 24 of the central header.
    for place in (22, data.index(b"PK\x01\x02") + 24):
        struct.pack_into("<I", data, place, 10)
    archive_path.write_bytes(data)
    with pytest.raises((UnsafeArchiveError, DamagedError)):
        expand(archive_path)
    assert list_leftovers(archive_path) == []


def test_gzip_bombs_are_stopped_also_inside_a_zip(tmp_path: Path) -> None:
    bomb = gzip.compress(bytes(5 * LIMIT))
    alone = tmp_path / "bomb.gpx.gz"
    alone.write_bytes(bomb)
    inside = tmp_path / "bomb.zip"
    write_zip(inside, [("bomb.gpx.gz", bomb)])
    for path in (alone, inside):
        with pytest.raises(UnsafeArchiveError, match="expands to more than 1 MB"):
            expand(path)
        assert list_leftovers(path) == []


def test_an_archive_without_a_file_is_refused(archive_path: Path) -> None:
    write_zip(archive_path, [])
    assert is_archive(archive_path)
    with pytest.raises(NothingRecordedError):
        expand(archive_path)


def test_a_cut_gzip_is_incomplete_and_refused(tmp_path: Path) -> None:
    path = tmp_path / "run.gpx.gz"
    data = gzip.compress(b"0123456789" * 100)
    path.write_bytes(data)
    assert is_complete_archive(path, max_expanded_bytes=LIMIT)
    path.write_bytes(data[:-5])
    assert not is_complete_archive(path, max_expanded_bytes=LIMIT)
    with pytest.raises(DamagedError, match=r"run\.gpx\.gz: .*ends early"):
        expand(path)
    assert list_leftovers(path) == []


def test_a_zip_is_complete_only_with_its_end_record(archive_path: Path) -> None:
    write_zip(archive_path, [("run.gpx", np.random.default_rng(1).bytes(5000))])
    assert is_complete_archive(archive_path, max_expanded_bytes=LIMIT)
    archive_path.write_bytes(archive_path.read_bytes()[:-30])
    assert not is_complete_archive(archive_path, max_expanded_bytes=LIMIT)
    with pytest.raises(DamagedError):
        expand(archive_path)


def test_a_flipped_byte_in_a_member_is_found_by_its_checksum(archive_path: Path) -> None:
    with zipfile.ZipFile(archive_path, "w", zipfile.ZIP_STORED) as archive:
        archive.writestr("run.gpx", b"0123456789")
    archive_path.write_bytes(archive_path.read_bytes().replace(b"012345", b"012346"))
    with pytest.raises(DamagedError, match="CRC"):
        expand(archive_path)
    assert list_leftovers(archive_path) == []


@pytest.mark.parametrize("suffix", ["zip", "gz"])
def test_any_damage_gives_exports_or_a_reason(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"exports.{suffix}"
    if suffix == "zip":
        write_zip(path, [("a/run.gpx", b"<gpx/>" * 50), ("b/ride.fit.gz", gzip.compress(b"fit"))])
    else:
        path.write_bytes(gzip.compress(b"<gpx/>" * 50))
    whole = path.read_bytes()
    chance = np.random.default_rng(20250615)
    n_refused = 0
    for _ in range(400):
        data = bytearray(whole)
        if chance.random() < 0.3:
            data = data[: chance.integers(4, len(data))]
        for _ in range(chance.integers(1, 4)):
            data[chance.integers(len(data))] ^= 1 << int(chance.integers(8))
        path.write_bytes(data)
        if not is_archive(path):
            continue
        is_complete_archive(path, max_expanded_bytes=LIMIT)
        try:
            exports = expand(path)
        except CowornError:
            n_refused += 1
            assert list_leftovers(path) == []
        else:
            for export in exports:
                export.path.unlink()
    assert n_refused > 100
