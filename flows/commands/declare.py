"""How a command is declared, and the group that loads a command when it is asked for.

A command is one function in the file of its name under `commands/`, decorated with `@command`. Its
first parameter takes the options that every command has; the others are its own.
"""

from __future__ import annotations

import importlib
import inspect
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final, ParamSpec, TypeVar, get_type_hints

import typer
from typer.core import TyperCommand, TyperGroup

from flows.commands import GROUPS
from flows.console import terminal

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from rich.console import Console

P = ParamSpec("P")
R = TypeVar("R")

_HOME: Final = "Home folder; else COWORN_HOME, else ~/coworn."
#: What the declared functions are to the command line, by name.
_COMMANDS: Final[dict[str, Any]] = {}


@dataclass(frozen=True)
class Options:
    """What can be said with every command."""

    home: Path | None = None
    debug: bool = False
    quiet: bool = False

    def make_console(self) -> Console:
        """Return the console for standard output."""
        return terminal.make_console(quiet=self.quiet)


@dataclass(frozen=True)
class Usage:
    """What the command-line library reports, and the exit code it stands for."""

    message: str
    code: int


def command(*, home: str | None = _HOME) -> Callable[[Callable[P, R]], Callable[P, R]]:
    """Declare a command; it returns the exit code.

    `home` is the help of `--home`; None for a command that works on no home. The docstring is the
    help, up to what it raises; its first sentence stands in the list of commands.
    """

    def declare(function: Callable[P, R]) -> Callable[P, R]:
        app = typer.Typer(add_completion=False, rich_markup_mode=None)
        app.command(function.__name__, cls=PlainCommand, help=_read_help(function))(
            _add_options(function, home)
        )
        _COMMANDS[function.__name__] = typer.main.get_command(app)
        return function

    return declare


def _read_help(function: Callable[..., object]) -> str:
    return (inspect.getdoc(function) or "").partition("\nRaises:")[0].strip()


def _add_options(function: Callable[..., Any], home: str | None) -> Callable[..., Any]:
    """Return `function` with `--home`, `--debug` and `--quiet` in place of its first parameter."""
    hints = get_type_hints(function, include_extras=True)
    own = list(inspect.signature(function).parameters.values())[1:]
    parameters = [one.replace(annotation=hints[one.name]) for one in own]
    parameters += _make_options(home)

    def run(**values: Any) -> Any:  # noqa: ANN401 - the command-line library calls it
        common = {name: values.pop(name) for name in ("home", "debug", "quiet") if name in values}
        return function(Options(**common), **values)

    run.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]
    run.__annotations__ = {one.name: one.annotation for one in parameters}
    return run


def _make_options(home: str | None) -> Iterator[inspect.Parameter]:
    options: dict[str, tuple[Any, Any]] = {}
    if home is not None:
        option = typer.Option("--home", metavar="FOLDER", help=home, show_default=False)
        options["home"] = (Annotated[Path | None, option], None)
    option = typer.Option("--debug", help="Show where an error came from.")
    options["debug"] = (Annotated[bool, option], False)
    option = typer.Option("--quiet", help="Print nothing but errors.")
    options["quiet"] = (Annotated[bool, option], False)
    for name, (annotation, default) in options.items():
        yield inspect.Parameter(
            name, inspect.Parameter.KEYWORD_ONLY, annotation=annotation, default=default
        )


class PlainCommand(TyperCommand):
    """Names what a command takes in its help, without types of Python and braces."""

    def collect_usage_pieces(self, ctx: Any) -> list[str]:  # noqa: ANN401 - the library's own
        """Return the words of the first line: what need not be there stands in brackets."""
        names = [
            _name_argument(one) if one.required else f"[{_name_argument(one)}]"
            for one in _list_arguments(self, ctx)
        ]
        return ["[OPTIONS]", *names]

    def format_options(self, ctx: Any, formatter: Any) -> None:  # noqa: ANN401 - the library's own
        """Write what a command takes, then its options."""
        arguments = [(_name_argument(one), one.help or "") for one in _list_arguments(self, ctx)]
        options = [
            _describe_option(one, ctx)
            for one in self.get_params(ctx)
            if one.param_type_name == "option"
        ]
        for title, records in (("Arguments", arguments), ("Options", options)):
            known = [record for record in records if record is not None]
            if known:
                with formatter.section(title):
                    formatter.write_dl(known)


def _list_arguments(command: TyperCommand, context: Any) -> list[Any]:  # noqa: ANN401
    return [one for one in command.get_params(context) if one.param_type_name == "argument"]


def _name_argument(argument: Any) -> str:  # noqa: ANN401 - the library's own
    return str(argument.metavar or argument.name.upper())


def _describe_option(option: Any, context: Any) -> tuple[str, str] | None:  # noqa: ANN401
    """Return the line of an option; what it must be at least is said where it is not."""
    found = option.get_help_record(context)
    return None if found is None else (found[0], re.sub(r"; x[<>]=?\d+\]$", "]", found[1]))


class CommandGroup(TyperGroup):
    """Loads a command's file when it is asked for."""

    def list_commands(self, ctx: Any) -> list[str]:  # noqa: ANN401, ARG002 - the library's own
        """Return every name, in the order of the groups."""
        return [name for names in GROUPS.values() for name in names]

    def get_command(self, ctx: Any, cmd_name: str) -> Any:  # noqa: ANN401 - the library's own
        """Return the command, None when there is none of that name."""
        if cmd_name not in self.list_commands(ctx):
            return None
        importlib.import_module(f"flows.commands.{cmd_name}")
        return _COMMANDS[cmd_name]

    def format_commands(self, ctx: Any, formatter: Any) -> None:  # noqa: ANN401 - the library's own
        """Write the list of commands by group, one whole sentence for each; loads none of them."""
        width = max(len(name) for name in self.list_commands(ctx))
        for group, names in GROUPS.items():
            with formatter.section(group):
                formatter.write_dl(
                    [(name.ljust(width), read_first_sentence(name)) for name in names]
                )


def read_first_sentence(name: str) -> str:
    """Return the first sentence of a command's help, from the text of its file.

    Importing every command would make the list of commands twice as slow.
    """
    text = Path(__file__).with_name(f"{name}.py").read_text(encoding="utf-8")
    docstring = text.partition(f"\ndef {name}(")[2].split('"""')[1]
    return " ".join(docstring.partition(".\n")[0].split()).rstrip(".") + "."


app: Final = typer.Typer(
    name="coworn",
    cls=CommandGroup,
    help="Measures how accurate sports wearables are, from exports of devices worn together.",
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


@app.callback()
def _begin() -> None:
    """Every command does its own work; this makes a group of them."""


def read_usage_error(error: Exception) -> Usage | None:
    """Return what an error of the command-line library says, None for any other error.

    Recognised by what it can do: newer releases of typer carry their own copy of click, whose
    errors are other classes of the same shape.
    """
    kind = type(error).__name__
    if kind == "Abort":
        return Usage("stopped", 130)
    if kind == "Exit":
        return Usage("", int(getattr(error, "exit_code", 0)))
    describe = getattr(error, "format_message", None)
    if describe is None:
        return None
    context: Any = getattr(error, "ctx", None)
    name = "coworn" if context is None else context.command_path
    return Usage(f"{describe().rstrip('.')}; see {name} --help", 2)
