"""The parts of the reference that say how often intervals hold, from what was measured last."""

from __future__ import annotations

import json
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

RECORD = Path(__file__).resolve().parents[1] / "tests" / "benchmarks" / "coverage_record.json"
PARTS_OF_RECORD = ("agreement", "delays")


def tabulate_coverage(part: str) -> str:
    """Return the command of one part of the record, and its table for each length of workout."""
    kept = json.loads(RECORD.read_text(encoding="utf-8"))[part]
    metrics = list(kept["versions"])
    rows: dict[tuple[int, str], dict[str, str]] = {}
    for metric, family, n_seconds, *counts in kept["cells"]:
        rows.setdefault((n_seconds, family), {})[metric] = _write_cell(*counts)
    versions = ", ".join(f"`{name}` {version}" for name, version in kept["versions"].items())
    lines = [
        f"`{kept['command']}`, seed {kept['seed']}; versions: {versions}.\n",
        f"| min | errors | {' | '.join(f'`{name}`' for name in metrics)} |",
        f"| --- | --- |{' --- |' * len(metrics)}",
    ]
    lines += [
        f"| {n_seconds // 60} | {family} | {' | '.join(row.get(name, '') for name in metrics)} |"
        for (n_seconds, family), row in sorted(rows.items(), key=lambda item: item[0][0])
        if any(cell != "none" for cell in row.values())
    ]
    return "\n".join(lines) + f"\n{_list_without(rows)}"


def _write_cell(n_runs: int, n_given: int, n_held: int, width: float | None) -> str:
    if not n_given:
        return "none"
    shown = f"{100 * n_held / n_given:.1f} % ({100 * n_given / n_runs:.0f} %"
    return f"{shown}, {width:.1f})" if width is not None else f"{shown})"


def _list_without(rows: dict[tuple[int, str], dict[str, str]]) -> str:
    """Return sentences that name the errors under which no workout has an interval."""
    without: dict[int, list[str]] = {}
    for (n_seconds, family), row in rows.items():
        if all(cell == "none" for cell in row.values()):
            without.setdefault(n_seconds, []).append(family)
    n_families = len({family for _, family in rows})
    return "".join(
        f"\nNo workout of {n_seconds // 60} min has an interval"
        f"{'' if len(names) == n_families else ' under: ' + '; '.join(names)}.\n"
        for n_seconds, names in sorted(without.items())
    )


def list_coverage_parts() -> dict[str, Callable[[], Any]]:
    """Return the parts by their names."""
    return {f"coverage of {part}": partial(tabulate_coverage, part) for part in PARTS_OF_RECORD}
