"""FIT files of real devices by columns: fitparse and fitdecode read the same, to the bit.

Sources of the files: as in test_fit_files.py, here every FIT file of those archives.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tasks.readers.fit import parts, with_fitdecode, with_fitparse
from tests.tiers import choose
from tests.unit.readers.fit_compare import gather_both

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path
    from types import ModuleType

#: Which form of each archive, and how many FIT files it holds.
ARCHIVES = {
    "activity_parser==0.12.1": ("sdist", 4),
    "pyfitness==0.2.1": ("sdist", 56),
    "sweat==0.25.0": ("wheel", 5),
}
#: fitparse takes 200 times as long as columns do: larger files are for the full statistics.
LARGEST_BYTES = choose(short=60_000, full=1 << 30)


@pytest.mark.parametrize("archive", ARCHIVES)
@pytest.mark.parametrize("decoder", [with_fitparse, with_fitdecode], ids=["fitparse", "fitdecode"])
def test_no_file_of_a_real_device_is_declined_or_different(
    archive: str, decoder: ModuleType, registry_archive: Callable[..., Path]
) -> None:
    kind, n_files = ARCHIVES[archive]
    paths = [
        path
        for path in registry_archive(archive, kind=kind).rglob("*")
        if path.suffix.lower() == ".fit"
    ]
    assert len(paths) == n_files
    n_compared = 0
    for path in paths:
        data = path.read_bytes()
        if len(data) > LARGEST_BYTES:
            continue
        found, _ = parts.split_parts(data)
        for part in found:
            piece = part.open_bytes(data)
            by_columns, one_by_one = gather_both(piece, decoder.read_messages(piece))
            assert by_columns == one_by_one, path.name
            n_compared += 1
    assert n_compared
