"""`coworn answers`: what the workouts say of a device, in sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from flows.commands.declare import Options, command
from flows.console import terminal
from tasks.core.errors import UsageError

if TYPE_CHECKING:
    from rich.console import Console

    from tasks.answers import Answer, Facts
    from tasks.answers.facts import DeviceFacts


@command()
def answers(
    options: Options,
    device: Annotated[
        str | None,
        typer.Argument(metavar="DEVICE", help="Id or name; else every device under test."),
    ] = None,
    markdown: Annotated[bool, typer.Option("--markdown", help="Print text to paste.")] = False,
) -> int:
    """Say what the workouts tell of a device: what to write, what with its count, what is open.

    Raises: UsageError for a device that is not there.
    """
    from flows.session.home import open_existing_home
    from tasks.answers import answer_all, answer_device, read_answer_facts
    from tasks.answers.text import write_markdown
    from tasks.store import connect_for_reading

    session = open_existing_home(options.home)
    units = session.settings.report.units
    connection = connect_for_reading(session.home, statement="")
    try:
        facts = read_answer_facts(connection, session.settings)
    finally:
        connection.close()
    if device is None:
        found = answer_all(facts, units=units)
    else:
        found = (answer_device(facts, _find_device(facts, device), units=units),)
    console = options.make_console()
    if markdown:
        console.out(write_markdown(found), highlight=False, end="")
        return 0
    if not found:
        console.print(
            "No device is under test: name one in devices.toml with the role test, or ask for one "
            "by its id, e.g. coworn answers " + next(iter(facts.devices), "ID")
        )
    for one in found:
        _show(one, console)
    return 0


def _find_device(facts: Facts, name: str) -> DeviceFacts:
    for one in facts.devices.values():
        if name.casefold() in {one.device_id.casefold(), one.name.casefold()}:
            return one
    raise UsageError(f"{name}: there is no such device; coworn devices lists them all")


def _show(answer: Answer, console: Console) -> None:
    """Print the first screen of one device; pages hold the rest."""
    from tasks.answers.text import BESIDE, USES, mark_strength, write_title

    console.print(terminal.clean(write_title(answer)), style="bold")
    for use, (title, _) in USES.items():
        sentences = answer.list_use(use)
        if sentences:
            console.print(f"\n{title}")
            for one in sentences:
                terminal.show_wrapped(console, f"  {one.text}{mark_strength(one)}", indent=4)
    if answer.beside:
        console.print(f"\n{BESIDE}")
        for one in answer.beside:
            terminal.show_wrapped(console, f"  {one.text}", indent=4)
    console.print()
