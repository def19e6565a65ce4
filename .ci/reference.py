"""Writes the generated parts of the README and of config/reference/.

    python .ci/reference.py           rewrite the parts
    python .ci/reference.py --check   name the stale parts, change nothing

A part stands between `<!-- generated: NAME -->` and `<!-- end of generated -->`. NAME is a part of
`reference_parts.PARTS`, `output of COMMAND` or `first N lines of COMMAND`. Commands run in one
temporary folder per file, one after another, as a newcomer would type them.
"""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
import tempfile
from pathlib import Path

from reference_parts import PARTS

ROOT = Path(__file__).resolve().parents[1]
PART = re.compile(
    r"(?P<head><!-- generated: (?P<name>.+?) -->\n).*?(?P<tail><!-- end of generated -->)",
    re.DOTALL,
)
COMMAND = re.compile(r"(?:output|first (?P<lines>\d+) lines) of (?P<command>.+)")
#: Differs from run to run; in the README it is always the same one.
RUN_ID = re.compile(r"\b\d{8}T\d{6}-[0-9a-f]{6}\b")


class Terminal:
    """Runs commands as a newcomer would, in one folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.environment = {
            **os.environ,
            "PATH": f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}",
            "NO_COLOR": "1",
            "COLUMNS": "118",
            "TZ": "UTC",
        }
        self.environment.pop("COWORN_HOME", None)

    def run(self, command: str, *, lines: int | None = None) -> str:
        """Return the standard output of `command`, its first `lines`, as a fenced block."""
        done = subprocess.run(
            shlex.split(command),
            cwd=self.folder,
            env=self.environment,
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode not in (0, 1):
            raise SystemExit(f"{command}: exit code {done.returncode}\n{done.stderr}")
        printed = done.stdout.replace(str(self.folder), "~").replace(f"{ROOT}/", "").rstrip()
        printed = RUN_ID.sub("20260502T053412-9c41aa", printed)
        shown = "\n".join(line.rstrip() for line in printed.splitlines()[:lines])
        return f"```text\n{shown}\n```\n"


def list_pages() -> list[Path]:
    """Return the files that may hold generated parts."""
    return [ROOT / "README.md", *sorted((ROOT / "config" / "reference").glob("*.md"))]


def rewrite(text: str) -> str:
    """Return `text` with every generated part made anew."""
    with tempfile.TemporaryDirectory() as folder:
        terminal = Terminal(Path(folder).resolve())

        def make_part(match: re.Match[str]) -> str:
            name = match["name"]
            if command := COMMAND.fullmatch(name):
                lines = int(command["lines"]) if command["lines"] else None
                made = terminal.run(command["command"], lines=lines)
            elif name in PARTS:
                made = PARTS[name]()
            else:
                raise SystemExit(f"no part {name!r}; parts are {', '.join(PARTS)}")
            return f"{match['head']}{made}{match['tail']}"

        return PART.sub(make_part, text)


def find_stale(old: str, new: str) -> list[str]:
    """Name the parts that differ."""
    pairs = zip(PART.finditer(old), PART.finditer(new), strict=True)
    return [before["name"] for before, after in pairs if before.group() != after.group()]


def find_missing(texts: list[str]) -> list[str]:
    """Name the parts that stand in no page, such as a new domain of metrics."""
    there = {match["name"] for text in texts for match in PART.finditer(text)}
    return [name for name in PARTS if name not in there]


def main() -> int:
    """Rewrite the pages, or with --check say whether that would change them."""
    checking = "--check" in sys.argv[1:]
    n_stale = 0
    texts = []
    for path in list_pages():
        old = path.read_text(encoding="utf-8")
        new = rewrite(old)
        texts.append(new)
        stale = find_stale(old, new)
        n_stale += len(stale)
        for name in stale:
            print(f"{path.relative_to(ROOT)}: {name}: {'stale' if checking else 'rewritten'}")
        if stale and not checking:
            path.write_text(new, encoding="utf-8")
    missing = find_missing(texts)
    for name in missing:
        print(f"the part {name!r} is in no page of config/reference/")
    if checking and n_stale:
        print("run python .ci/reference.py")
    return 1 if missing or (checking and n_stale) else 0


if __name__ == "__main__":
    sys.exit(main())
