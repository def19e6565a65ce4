"""Writes the generated parts of README.md: tables from the registers, real output of real commands.

    python .ci/readme.py           rewrite the parts
    python .ci/readme.py --check   say which parts are stale, change nothing

A part stands between `<!-- generated: NAME -->` and `<!-- end of generated -->`; NAME is a table of
`TABLES` below or `output of COMMAND`. Commands run in a folder of their own, one after another, as
a newcomer would type them.
"""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from config.settings import Section, Settings, load_settings
from tasks.core.discovery import load_metrics, load_readers
from tasks.core.registers import FINDING_KINDS, METRICS, READERS
from tasks.tables.tables import LAKE_TABLES, STORE_TABLES

ROOT = Path(__file__).resolve().parents[1]
PART = re.compile(
    r"(?P<head><!-- generated: (?P<name>.+?) -->\n).*?(?P<tail><!-- end of generated -->)",
    re.DOTALL,
)
OUTPUT = "output of "
#: Differs from run to run; in the README it is always the same one.
RUN_ID = re.compile(r"\b\d{8}T\d{6}-[0-9a-f]{6}\b")


def make_table(header: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Return a Markdown table; bars in cells are escaped."""
    lines = [header, ["---"] * len(header), *rows]
    return "".join(f"| {' | '.join(_clean(cell) for cell in line)} |\n" for line in lines)


def _clean(cell: object) -> str:
    return str(cell).replace("|", "\\|").replace("\n", " ")


def tabulate_formats() -> str:
    """Every registered reader."""
    load_readers()
    rows = [
        (name, " ".join(f"`{suffix}`" for suffix in reader.suffixes), reader.source)
        for name, reader in sorted(READERS.items())
    ]
    return make_table(("format", "files", "standard"), rows)


def tabulate_metrics() -> str:
    """Every registered metric."""
    load_metrics()
    rows = [
        (f"`{metric.id}`", metric.unit, metric.definition)
        for metric in sorted(METRICS.values(), key=lambda metric: (metric.domain, metric.id))
    ]
    return make_table(("metric", "unit", "what it is, and what it does not tell"), rows)


def tabulate_findings() -> str:
    """Every registered kind of finding."""
    load_metrics()
    rows = [
        (f"`{kind.kind}`", kind.unit, kind.definition)
        for kind in sorted(FINDING_KINDS.values(), key=lambda kind: kind.kind)
    ]
    return make_table(("finding", "size in", "what it is"), rows)


def tabulate_tables() -> str:
    """Every declared table."""
    rows = [
        (f"`{table.name}`", table.grain, ", ".join(f"`{name}`" for name in table.column_names))
        for table in (*STORE_TABLES, *LAKE_TABLES)
    ]
    return make_table(("table", "grain", "columns"), rows)


def tabulate_settings() -> str:
    """Every setting with its default."""
    defaults = load_settings()
    rows = []
    for name in Settings.model_fields:
        section: Section = getattr(defaults, name)
        for key, described in type(section).model_fields.items():
            value = getattr(section, key)
            shown = list(value) if isinstance(value, tuple) else value
            rows.append((f"`{name}.{key}`", f"`{_word(shown)}`", described.description))
    return make_table(("setting", "default", "what it does"), rows)


def _word(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return f'"{value}"' if isinstance(value, str) else str(value)


TABLES: dict[str, Callable[[], str]] = {
    "formats": tabulate_formats,
    "metrics": tabulate_metrics,
    "findings": tabulate_findings,
    "tables": tabulate_tables,
    "settings": tabulate_settings,
}


class Terminal:
    """Runs commands as a newcomer would, in one folder, and gives what they print."""

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

    def run(self, command: str) -> str:
        """Return the standard output of `command` as a fenced block."""
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
        lines = "\n".join(line.rstrip() for line in printed.splitlines())
        return f"```text\n{lines}\n```\n"


def rewrite(text: str) -> str:
    """Return `text` with every generated part made anew."""
    with tempfile.TemporaryDirectory() as folder:
        terminal = Terminal(Path(folder).resolve())

        def make_part(match: re.Match[str]) -> str:
            name = match["name"]
            made = (
                terminal.run(name.removeprefix(OUTPUT))
                if name.startswith(OUTPUT)
                else TABLES[name]()
            )
            return f"{match['head']}{made}{match['tail']}"

        return PART.sub(make_part, text)


def find_stale(old: str, new: str) -> list[str]:
    """Name the parts that differ."""
    pairs = zip(PART.finditer(old), PART.finditer(new), strict=True)
    return [before["name"] for before, after in pairs if before.group() != after.group()]


def main() -> int:
    """Rewrite README.md, or with --check say whether that would change it."""
    path = ROOT / "README.md"
    old = path.read_text(encoding="utf-8")
    new = rewrite(old)
    stale = find_stale(old, new)
    if "--check" in sys.argv[1:]:
        for name in stale:
            print(f"README.md: the part {name!r} is stale; run python .ci/readme.py")
        return 1 if stale else 0
    path.write_text(new, encoding="utf-8")
    print(f"README.md: {len(stale)} parts rewritten")
    return 0


if __name__ == "__main__":
    sys.exit(main())
