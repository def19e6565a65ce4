"""`coworn settings`: every setting with its default, its value here and what it does."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated, Any

import typer

from flows.commands.declare import Options, command
from flows.console import terminal
from tasks.core.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from config.settings import Settings


@command()
def settings(
    options: Options,
    name: Annotated[
        str | None,
        typer.Argument(metavar="NAME", help="One setting, or a section, e.g. inbox."),
    ] = None,
) -> int:
    """List every setting: its value here, its default, and what it does with its unit.

    Values are written as in coworn.toml; a home that is not there yet has the defaults.
    Raises: UsageError for a setting that is not there; SettingsError.
    """
    from config.home import find_home
    from config.settings import load_settings
    from flows.session.home import open_existing_home

    home = find_home(options.home)
    defaults = load_settings()
    here = open_existing_home(options.home).settings if home.root.is_dir() else defaults
    chosen = [
        (key, value, description)
        for key, value, description in list_settings(here)
        if name is None or key == name or key.startswith(f"{name}.")
    ]
    if not chosen:
        raise UsageError(f"{name}: there is no such setting; coworn settings lists them all")
    usual = {key: value for key, value, _ in list_settings(defaults)}
    console = options.make_console()
    for key, value, description in chosen:
        line = f"{key} = {format_toml(value)}"
        if value != usual[key]:
            line += f"  (default {format_toml(usual[key])})"
        console.print(terminal.clean(line))
        terminal.show_wrapped(console, f"    {description}", indent=4)
    return 0


def list_settings(settings: Settings) -> Iterator[tuple[str, Any, str]]:
    """Yield `section.key`, the value as plain Python, and the sentence of every setting."""
    for name in type(settings).model_fields:
        section = getattr(settings, name)
        # TOML has no null: a part that is not set is left out.
        values = section.model_dump(mode="json", exclude_none=True)
        for key, field in type(section).model_fields.items():
            yield f"{name}.{key}", values[key], field.description or ""


def format_toml(value: object) -> str:
    """Return a value as TOML writes it on one line."""
    if isinstance(value, dict):
        pairs = ", ".join(f"{key} = {format_toml(one)}" for key, one in value.items())
        return f"{{{pairs}}}"
    if isinstance(value, list):
        return f"[{', '.join(format_toml(one) for one in value)}]"
    return json.dumps(value, ensure_ascii=False)
