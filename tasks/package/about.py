"""The README of the package: what it holds, how to read it, and what stayed at home."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from tasks.core.provenance import find_version
from tasks.package.descriptor import CAUTION, PLAIN_TITLE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from config.export import ExportSettings
    from tasks.package.descriptor import MadeLine, MadeTable

_READ: Final = """\
## How to read it

- CSV after RFC 4180 in UTF-8, with a decimal point; an empty cell is a missing value. `.csv.gz` is
  the same, gzipped: pandas, DuckDB, R and most other programs read it as it is.
- Times are UTC in ISO 8601, e.g. `2026-05-02T06:00:00Z`.
- Numbers are written in full. A value that could not be computed is missing; `reason` says why.
- A text that begins with `=`, `+`, `-`, `@` (or a wide form of them), a tab or a line break has an
  apostrophe in front, so that no spreadsheet takes it for a formula.
- `samples`, `laps`, `lengths`, `beats`, `battery_readings` and the tracks are on the device's own
  clock. Add `alignments.offset_s` to get the workout's clock, which `pairs` and `findings` use.
- Differences are always device under test minus reference.
- A recording that is a poorer double of another one (`recordings.duplicate_of`) is listed, but its
  samples are not here: no result rests on them.
- `datapackage.json` describes each column with unit and meaning, and each file with its size and
  SHA-256 (Data Package standard, version 2). `metric_definitions` says what each metric is.
"""
_LEFT_OUT: Final = """\
## What is not in it

- The original exports, their names, folders and hashes. Ids of recordings and workouts, and of
  devices that nobody named, are drawn by a secret of the publisher; they are the same in every
  package of the same home.
- Serial numbers, what an export calls its maker, and remarks of the reader, which quote exports.
- Notes as they were written. Setups and names of parts are in the tester's own words.
- Names of devices that nobody has named yet: they come from files.
"""
_HIDDEN: Final = """\
- What was recorded around the private places of whoever published this, of all devices of the
  workout: those rows are left out, tracks are interrupted, and no line leads across. How many there
  were leaves no trace: times after them are moved, each gap is 15 minutes long, and `distance_m`
  counts what is here. Of a hidden start the heart rate of two minutes is here, where it was longer.
  Of these workouts laps, pool lengths, totals, sample sizes and notes of results are left out, and
  results that tell how long they were; parts and findings are here where they lie in one stretch.
"""
_NOT_HIDDEN: Final = "- No position was hidden: the publisher named no private place.\n"


def write_readme(
    tables: Sequence[MadeTable],
    lines: Sequence[MadeLine],
    *,
    settings: ExportSettings,
    hides_places: bool,
) -> str:
    """Return the text of the README."""
    rows = "".join(
        f"| `{made.file.path}` | {made.n_rows} | "
        f"{made.part.table.grain.removesuffix('; append-only')} |\n"
        for made in tables
    )
    n_tracks = sum(line.file.path.startswith("tracks/") for line in lines)
    n_courses = len(lines) - n_tracks
    licence = (
        f"{settings.licence}, as the publisher says."
        if settings.licence
        else "None is claimed here: ask the publisher before you use it."
    )
    return f"""\
# {settings.title or PLAIN_TITLE}

Recordings of devices worn together, how accurate each one was, and the verdicts. {CAUTION}

| file | rows | one row is |
| --- | --- | --- |
{rows}
GPX 1.1: one file in `tracks/` per recording with satellite positions ({n_tracks} in all), one in
`courses/` per reference line that tracks were compared with ({n_courses}).

{_READ}
{_LEFT_OUT}{_HIDDEN if hides_places else _NOT_HIDDEN}
## Licence

{licence}

Made by coworn {find_version()}.
"""
