"""CSV layouts: which of their columns is which of ours, in which unit, and how time is written.

One TOML file per layout; the shipped ones lie in `config/columns/`, a person's own ones in
`columns/` of the home folder. A layout of the same name in a later folder replaces the earlier.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import cache, lru_cache
from importlib import resources
from typing import TYPE_CHECKING, Annotated, Any, Final, Literal, Self
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from config.lines import KeyPath, TomlSyntaxError, find_line, map_lines, parse_toml

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

#: How an instant is written. `stamp`: date and time of day; each stamp says its own offset from
#: UTC, those that do not are in the stated zone. `utc`: the same, but without offset means UTC.
#: `beats`: no time at all, the intervals add up to it.
TimeForm = Literal[
    "stamp",
    "utc",
    "epoch_s",
    "epoch_ms",
    "epoch_us",
    "epoch_ns",
    "elapsed_s",
    "elapsed_hms",
    "beats",
]
TEXT_FORMS: Final = ("stamp", "utc")
ELAPSED_FORMS: Final = ("elapsed_s", "elapsed_hms", "beats")

Text = Annotated[str, Field(min_length=1)]
Names = Annotated[tuple[Text, ...], Field(min_length=1)]


class LayoutFileError(ValueError):
    """A layout file cannot be used. Attributes: `file`, `line` (None: unknown), `reason`."""

    def __init__(self, file: str, reason: str, *, line: int | None = None) -> None:
        self.file = file
        self.line = line
        self.reason = reason
        place = file if line is None else f"{file}, line {line}"
        super().__init__(f"{place}: {reason}")


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=False)


class LayoutTime(_Part):
    """How the instants of a layout are written.

    `column` and `date_column` list the names that the column may have. `formats` are `strptime`
    formats, tried in order; none means ISO 8601. With a date column, date and time are joined by
    one space first. `zone` is the IANA zone of times without an offset; empty: the setting's.
    """

    form: TimeForm
    column: tuple[Text, ...] = ()
    date_column: tuple[Text, ...] = ()
    formats: tuple[Text, ...] = ()
    zone: str = ""

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.form == "beats":
            if self.column or self.date_column:
                raise ValueError("the form 'beats' has no time column")
        elif not self.column:
            raise ValueError(f"the form {self.form!r} needs 'column'")
        if self.form not in TEXT_FORMS and (self.formats or self.date_column or self.zone):
            raise ValueError(f"'formats', 'date_column' and 'zone' mean nothing for {self.form!r}")
        if self.zone:
            try:
                ZoneInfo(self.zone)
            except (KeyError, ValueError, OSError) as error:
                raise ValueError(f"there is no zone {self.zone!r}") from error
        return self


class LayoutColumn(_Part):
    """One of their columns.

    `theirs` lists the names that it may have (case, outer blanks, and `_` for a blank do not
    matter), `ours` is a column of `samples` or `rr_s`. `unit_assumed` marks names that do not say
    their unit, so that each recording read by them carries a remark. `missing` are cells that
    mean "no value" besides the layout's own. `plausible` is where the median of the numbers lies,
    in the file's unit; a file whose median lies elsewhere is not of this layout.
    """

    theirs: Names
    ours: Text
    unit: Text
    missing: tuple[str, ...] = ()
    required: bool = False
    unit_assumed: bool = False
    plausible: tuple[float, float] | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.plausible is not None and self.plausible[0] >= self.plausible[1]:
            raise ValueError("'plausible' is a lower and an upper value")
        return self


class LayoutFacts(_Part):
    """What holds for every file of a layout."""

    sport: Text | None = None
    creator: Text | None = None


class Layout(_Part):
    """One CSV layout.

    `skip_lines` is how many lines stand before the header; None: the header is looked for among
    the first lines. `comment` begins lines that hold no data. With `header` false the columns are
    the layout's in order (date, time, then the others), known by their plausible numbers. With
    `known_titles` columns that the layout does not name are read, too, where their title is a known
    word, alone or with a known unit.
    """

    name: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]*$")]
    about: Text
    delimiters: Names = (",",)
    decimal: Literal[".", ","] = "."
    encodings: Names = ("utf-8", "cp1252")
    skip_lines: Annotated[int, Field(ge=0)] | None = None
    comment: str = ""
    missing: tuple[str, ...] = ("-", "--", "nan", "null", "none", "n/a", "na")
    time: LayoutTime
    column: tuple[LayoutColumn, ...] = ()
    known_titles: bool = False
    facts: LayoutFacts = LayoutFacts()
    header: bool = True

    @property
    def mark(self) -> str:
        """A hash of all that the layout says."""
        return hashlib.sha256(self.model_dump_json().encode()).hexdigest()[:8]

    @field_validator("delimiters")
    @classmethod
    def _check_delimiters(cls, delimiters: tuple[str, ...]) -> tuple[str, ...]:
        for delimiter in delimiters:
            if len(delimiter) != 1 or delimiter in "\"'\n\r":
                raise ValueError(f"a delimiter is one sign and no quote, not {delimiter!r}")
        return delimiters

    @field_validator("encodings")
    @classmethod
    def _check_encodings(cls, encodings: tuple[str, ...]) -> tuple[str, ...]:
        for encoding in encodings:
            try:
                "".encode(encoding)
            except LookupError as error:
                raise ValueError(f"there is no encoding {encoding!r}") from error
        return encodings

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.decimal in self.delimiters:
            raise ValueError(f"{self.decimal!r} cannot be both delimiter and decimal sign")
        if not self.column and not (self.known_titles and self.header):
            raise ValueError("a layout needs [[column]], or a header and known_titles = true")
        if self.time.form == "beats" and not any(part.ours == "rr_s" for part in self.column):
            raise ValueError("the form 'beats' needs a column whose ours is 'rr_s'")
        if not self.header and any(part.plausible is None for part in self.column):
            raise ValueError("without a header every column needs 'plausible'")
        return self


@dataclass(frozen=True, eq=False)
class Vocabulary:
    """What a layout may name: table unit by column name, and table unit by unit name.

    One equals only itself, so that what was made with it can be remembered by it.
    """

    columns: Mapping[str, str]
    units: Mapping[str, str]


@dataclass(frozen=True)
class LayoutBook:
    """The layouts that can be used, and what is wrong with the files that cannot.

    `own` names those that a person wrote.
    """

    layouts: tuple[Layout, ...]
    faults: tuple[LayoutFileError, ...] = ()
    own: frozenset[str] = frozenset()


# Every CSV export is tried with all layouts; parsing them took half of the time of a short one.
@lru_cache(maxsize=256)
def parse_layout(text: str, *, file: str, vocabulary: Vocabulary) -> Layout:
    """Return the layout that the TOML `text` of `file` describes; the same text is parsed once.

    Raises: LayoutFileError with the line.
    """
    try:
        values = parse_toml(text)
    except TomlSyntaxError as error:
        raise LayoutFileError(file, f"this is no TOML: {error}", line=error.line) from error
    lines = map_lines(text)
    try:
        layout = Layout.model_validate(values)
    except ValidationError as error:
        path, reason = _describe(error)
        raise LayoutFileError(file, reason, line=find_line(lines, path) or 1) from error
    for number, column in enumerate(layout.column):
        _check_words(column, file, lines=lines, number=number, vocabulary=vocabulary)
    return layout


def load_layouts(folders: Iterable[Path], *, vocabulary: Vocabulary) -> LayoutBook:
    """Read the shipped layouts and those in `folders`; a folder that is not there holds none."""
    found: dict[str, Layout] = {}
    faults: list[LayoutFileError] = []
    own: set[str] = set()
    for file, text in _read_shipped():
        try:
            layout = parse_layout(text, file=file, vocabulary=vocabulary)
        except LayoutFileError as error:
            faults.append(error)
        else:
            found[layout.name] = layout
    for path in (path for folder in folders for path in sorted(folder.glob("*.toml"))):
        try:
            layout = read_layout(path, vocabulary=vocabulary)
        except LayoutFileError as error:
            faults.append(error)
        else:
            found[layout.name] = layout
            own.add(layout.name)
    layouts = tuple(found[name] for name in sorted(found))
    return LayoutBook(layouts, tuple(faults), frozenset(own))


def read_layout(path: Path, *, vocabulary: Vocabulary) -> Layout:
    """Return the layout in the file at `path`. Raises: LayoutFileError."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise LayoutFileError(path.name, f"cannot be read: {error}") from error
    return parse_layout(text, file=path.name, vocabulary=vocabulary)


@cache
def _read_shipped() -> tuple[tuple[str, str], ...]:
    folder = resources.files("config").joinpath("columns")
    files = sorted(folder.iterdir(), key=lambda file: file.name)
    return tuple(
        (file.name, file.read_text(encoding="utf-8"))
        for file in files
        if file.name.endswith(".toml")
    )


def _check_words(
    column: LayoutColumn,
    file: str,
    *,
    lines: dict[KeyPath, int],
    number: int,
    vocabulary: Vocabulary,
) -> None:
    path: KeyPath = ("column", number)
    target = vocabulary.columns.get(column.ours)
    if target is None:
        known = ", ".join(sorted(vocabulary.columns))
        raise LayoutFileError(
            file,
            f"ours = {column.ours!r} is no column; columns are {known}",
            line=find_line(lines, (*path, "ours")),
        )
    unit_target = vocabulary.units.get(column.unit)
    if unit_target != target:
        fitting = ", ".join(sorted(u for u, into in vocabulary.units.items() if into == target))
        raise LayoutFileError(
            file,
            f"unit = {column.unit!r} is no unit of {column.ours}; units are {fitting}",
            line=find_line(lines, (*path, "unit")),
        )


def _describe(error: ValidationError) -> tuple[KeyPath, str]:
    """Return the place and one sentence for the first fault."""
    first: Any = error.errors()[0]
    path: KeyPath = tuple(first["loc"])
    key = ".".join(str(part) for part in path) or "the layout"
    message = first["msg"].removeprefix("Value error, ")
    if first["type"] == "extra_forbidden":
        return path, f"unknown key {key!r}"
    if first["type"] == "missing":
        return path, f"{key!r} is missing"
    if first["type"] == "value_error":
        return path, message
    return path, f"{key} = {first['input']!r}: {message[:1].lower()}{message[1:]}"
