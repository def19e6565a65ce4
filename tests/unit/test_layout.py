"""The folders of these tests are those of the code."""

from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
UNIT = Path(__file__).parent
#: A folder of tests is named as one of these has it: `store` is `tasks/store`.
HOUSES = (ROOT, ROOT / "tasks", ROOT / "tests")


def list_folders() -> list[str]:
    """Return every folder that holds tests, also further down."""
    return sorted({str(path.parent.relative_to(UNIT)) for path in UNIT.glob("*/**/test_*.py")})


def test_every_folder_of_tests_has_its_folder_of_code() -> None:
    folders = list_folders()
    lost = [
        folder
        for folder in folders
        if not any(any((house / folder).glob("*.py")) for house in HOUSES)
    ]
    assert lost == []
    assert {"maths", "flows/session"} <= set(folders)
