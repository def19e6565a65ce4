"""The generated parts of the reference: each is Markdown made from a register or a declaration."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Literal, get_args, get_origin

from pydantic import BaseModel
from reference_coverage import list_coverage_parts

from config.devices import Device, MatchRule
from config.layouts import Layout, load_layouts
from config.settings import load_settings
from tasks.core.discovery import load_metrics, load_readers
from tasks.core.registers import FINDING_KINDS, LEVELS, METRICS, READERS, Domain, Metric
from tasks.readers.csv.fitting import VOCABULARY
from tasks.readers.csv.titles import QUANTITIES
from tasks.store.query import load_saved_queries
from tasks.store.views import build_views
from tasks.tables.tables import LAKE_TABLES, STORE_TABLES, Table

if TYPE_CHECKING:
    from pydantic.fields import FieldInfo

AGAINST = {
    "nothing": "nothing",
    "heart_rate": "heart rate of the reference",
    "position": "positions of the reference line",
    "speed": "speed of the reference",
    "distance": "distance of the reference",
    "altitude": "altitude of the reference",
    "truth": "the notes",
    "lengths": "pool lengths of the notes and of every other device",
    "battery": "battery levels of every other device",
}
BETTER = {"lower": "lower", "higher": "higher", "zero": "nearer to zero", "none": "neither"}


def make_table(header: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Return a Markdown table; bars in cells are escaped."""
    lines = [header, ["---"] * len(header), *rows]
    return "".join(f"| {' | '.join(_clean(cell) for cell in line)} |\n" for line in lines)


def _clean(cell: object) -> str:
    return _escape(str(cell)).replace("|", "\\|").replace("\n", " ")


def _escape(text: str) -> str:
    return text.replace("*", "\\*").replace("<", "\\<")


# --- metrics and findings ---------------------------------------------------------------------
def _list_metrics(domain: str) -> list[Metric]:
    load_metrics()
    chosen = (metric for metric in METRICS.values() if metric.domain == domain)
    return sorted(chosen, key=lambda metric: (LEVELS.index(metric.level), metric.id))


def name_page(domain: str) -> str:
    """Return the file name of the page of a domain's metrics."""
    return f"metrics-{domain.replace('_', '-')}.md"


def index_metrics() -> str:
    """Every metric in one table, each with a link to its entry."""
    rows = [
        (
            f"[`{metric.id}`]({name_page(domain)}#{metric.id})",
            metric.title,
            metric.unit,
            BETTER[metric.better],
            metric.level,
        )
        for domain in get_args(Domain)
        for metric in _list_metrics(domain)
    ]
    return make_table(("metric", "title", "unit", "better", "level"), rows)


def describe_domain(domain: str) -> str:
    """One entry for each metric of `domain`."""
    return "\n".join(_describe_metric(metric) for metric in _list_metrics(domain))


def _describe_metric(metric: Metric) -> str:
    needs = f"; the device must have {_join(metric.needs)}" if metric.needs else ""
    least = f"; needs at least {metric.minimum_n} compared" if metric.minimum_n > 1 else ""
    whole = "; for whole workouts only" if metric.whole_only else ""
    return (
        f"### {metric.id}\n\n"
        f"**{_escape(metric.title)}**, {metric.unit}. {_escape(metric.definition)}.\n\n"
        f"- Formula: {_escape(metric.formula)}\n"
        f"- Source: {_escape(metric.source)}\n"
        f"- Compared with: {AGAINST[metric.against]}{needs}{least}{whole}\n"
        f"- Better: {BETTER[metric.better]}. Version {metric.version}.\n"
        f"- Level: {metric.level}{_name_judged_segment(metric)}.\n"
    )


def _name_judged_segment(metric: Metric) -> str:
    return "" if metric.judged_in == "all" else f", judged in the segment `{metric.judged_in}`"


def _join(names: Iterable[str]) -> str:
    return ", ".join(f"`{name}`" for name in names)


def tabulate_findings() -> str:
    """Every registered kind of finding."""
    load_metrics()
    rows = [
        (f"`{kind.kind}`", kind.domain, kind.unit, kind.definition, kind.source)
        for kind in sorted(FINDING_KINDS.values(), key=lambda kind: kind.kind)
    ]
    return make_table(("finding", "domain", "size in", "what it is", "source"), rows)


# --- tables, views and queries ----------------------------------------------------------------
def describe_tables(tables: Sequence[Table]) -> str:
    """One section for each table, with its columns."""
    return "\n".join(_describe_table(table) for table in tables)


def _describe_table(table: Table) -> str:
    rows = [
        (f"`{column.name}`", column.kind, column.unit or "", column.meaning)
        for column in table.columns
    ]
    key = f" Key: {_join(table.key)}." if table.key else ""
    grain = table.grain[0].upper() + table.grain[1:]
    return (
        f"### {table.name}\n\n{_escape(grain)}.{key}\n\n"
        f"{make_table(('column', 'type', 'unit', 'meaning'), rows)}"
    )


def tabulate_views() -> str:
    """Every view of the published database."""
    rows = [(f"`{view.name}`", view.grain) for view in build_views(Path("lake"))]
    return make_table(("view", "grain"), rows)


def list_queries() -> str:
    """Every saved query with its SQL."""
    return "\n".join(
        f"### {query.name}\n\n```sql\n{query.sql.strip()}\n```\n"
        for query in load_saved_queries().values()
    )


# --- formats ----------------------------------------------------------------------------------
def tabulate_formats() -> str:
    """Every registered reader."""
    load_readers()
    rows = [
        (name, " ".join(f"`{suffix}`" for suffix in reader.suffixes), reader.source)
        for name, reader in sorted(READERS.items())
    ]
    return make_table(("format", "files", "standard"), rows)


def tabulate_layouts() -> str:
    """Every shipped CSV layout."""
    rows = [
        (f"`{layout.name}`", layout.about, _name_columns(layout))
        for layout in load_layouts((), vocabulary=VOCABULARY).layouts
    ]
    return make_table(("layout", "files", "columns that it reads"), rows)


def _name_columns(layout: Layout) -> str:
    own = _join(dict.fromkeys(part.ours for part in layout.column))
    return ", ".join(filter(None, (own, "every known title" if layout.known_titles else "")))


def tabulate_layout_columns() -> str:
    """Every column that a layout may name, its units and its known titles."""
    rows = [
        (
            f"`{name}`",
            unit,
            _join(sorted(u for u, into in VOCABULARY.units.items() if into == unit)),
            ", ".join(
                word for quantity in QUANTITIES if quantity.ours == name for word in quantity.words
            ),
        )
        for name, unit in VOCABULARY.columns.items()
    ]
    return make_table(("ours", "stored in", "units that a layout may name", "known titles"), rows)


def tabulate_fields(model: type[BaseModel]) -> str:
    """Every key of a part of devices.toml."""
    rows = [
        (f"`{name}`", _spell_default(field), _name_choices(field.annotation) or "")
        for name, field in model.model_fields.items()
    ]
    return make_table(("key", "default", "choices"), rows)


def _spell_default(field: FieldInfo) -> str:
    if field.is_required():
        return "required"
    return "" if field.default in (None, ()) else f"`{field.default}`"


def _name_choices(annotation: object) -> str | None:
    """Return the words that an annotation allows; None where it is no choice of words."""
    if get_origin(annotation) is Literal:
        return ", ".join(f"`{word}`" for word in get_args(annotation))
    found = [_name_choices(part) for part in get_args(annotation)]
    return next((words for words in found if words), None)


# --- settings ---------------------------------------------------------------------------------
def write_settings() -> str:
    """Every setting with its default, as one TOML block for each section."""
    settings = load_settings()
    return "\n".join(
        f"### {name}\n\n```toml\n{_write_section(name, getattr(settings, name))}```\n"
        for name in type(settings).model_fields
    )


def _write_section(name: str, section: BaseModel) -> str:
    plain = []
    tables = []
    for key, field in type(section).model_fields.items():
        value = getattr(section, key)
        choices = (_name_choices(field.annotation) or "").replace("`", "")
        remark = field.description or ""
        if not all(word in remark for word in choices.split(", ")):
            remark += f"; one of {choices}"
        comment = "".join(f"# {line}\n" for line in _wrap(remark))
        rows = [*value] if isinstance(value, tuple) else []
        if isinstance(value, dict):
            lines = "".join(f"{k} = {_write_value(v)}\n" for k, v in value.items())
            tables.append(f"\n{comment}[{name}.{key}]\n{lines}")
        elif rows and isinstance(rows[0], BaseModel):
            parts = "\n".join(f"[[{name}.{key}]]\n{_write_fields(row)}" for row in rows)
            tables.append(f"\n{comment}{parts}")
        else:
            plain.append(f"{comment}{key} = {_write_value(value)}\n")
    return f"[{name}]\n{''.join(plain)}{''.join(tables)}"


def _write_fields(row: BaseModel) -> str:
    values = row.model_dump(exclude_none=True)
    return "".join(f"{key} = {_write_value(value)}\n" for key, value in values.items())


def _write_value(value: object) -> str:
    if isinstance(value, tuple | list):
        return f"[{', '.join(_write_value(part) for part in value)}]"
    # Booleans, numbers and plain texts are written in TOML as in JSON.
    return json.dumps(value, ensure_ascii=False)


def _wrap(text: str, width: int = 96) -> list[str]:
    lines = [""]
    for word in text.split():
        if lines[-1] and len(lines[-1]) + 1 + len(word) > width:
            lines.append(word)
        else:
            lines[-1] = f"{lines[-1]} {word}".strip()
    return lines


PARTS: dict[str, Callable[[], str]] = {
    "metrics": index_metrics,
    **{f"metrics of {name}": partial(describe_domain, name) for name in get_args(Domain)},
    "findings": tabulate_findings,
    "tables of the store": partial(describe_tables, STORE_TABLES),
    "tables of the lake": partial(describe_tables, LAKE_TABLES),
    "views": tabulate_views,
    "queries": list_queries,
    "formats": tabulate_formats,
    "layouts": tabulate_layouts,
    "columns of layouts": tabulate_layout_columns,
    "keys of a device": partial(tabulate_fields, Device),
    "keys of a match rule": partial(tabulate_fields, MatchRule),
    "settings": write_settings,
    **list_coverage_parts(),
}
