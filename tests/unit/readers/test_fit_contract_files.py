"""The FIT files of the contract tests are binary: this shows what is in them."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.simulate.fit_contract_files import FILES

FOLDER = Path(__file__).parents[2] / "contract" / "files" / "fit"


@pytest.mark.parametrize("name", sorted(FILES))
def test_a_contract_file_holds_what_its_builder_says(name: str) -> None:
    assert (FOLDER / name).read_bytes() == FILES[name]()


def test_no_contract_file_is_without_a_builder() -> None:
    assert {path.name for path in FOLDER.glob("*.fit")} == set(FILES)
