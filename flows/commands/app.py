"""Every command, its options and its help; what it does stands in a file of its own."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Final

import typer

app: Final = typer.Typer(
    name="coworn",
    help="Measures how accurate sports wearables are, from exports of devices worn together.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

HomeOption = Annotated[
    Path | None,
    typer.Option(
        "--home", help="Home folder; else COWORN_HOME, else ~/coworn.", show_default=False
    ),
]
DebugOption = Annotated[bool, typer.Option("--debug", help="Show where an error came from.")]
QuietOption = Annotated[bool, typer.Option("--quiet", help="Print nothing but errors.")]


@dataclass(frozen=True)
class Told:
    """What the command-line library has to say, and the exit code it stands for."""

    message: str
    code: int


def read_usage_error(error: Exception) -> Told | None:
    """Return what an error of the command-line library says, None for any other error.

    Told apart by what it can do: newer releases of typer carry their own copy of click, whose
    errors are other classes of the same shape.
    """
    kind = type(error).__name__
    if kind == "Abort":
        return Told("stopped", 130)
    if kind == "Exit":
        return Told("", int(getattr(error, "exit_code", 0)))
    if kind == "NoArgsIsHelpError":
        return Told("", 2)
    describe = getattr(error, "format_message", None)
    if describe is None:
        return None
    context: Any = getattr(error, "ctx", None)
    command = "coworn" if context is None else context.command_path
    return Told(f"{describe().rstrip('.')}; see {command} --help", 2)


@app.command()
def demo(
    home: Annotated[
        Path | None,
        typer.Option("--home", help="Home folder; ./coworn-demo by default.", show_default=False),
    ] = None,
    debug: DebugOption = False,
    quiet: QuietOption = False,
) -> int:
    """Do the whole job on the invented workouts of inbox_demo/ and print what came out."""
    from flows.commands.demo import run_demo

    return run_demo(home, debug=debug, quiet=quiet)


@app.command()
def watch(home: HomeOption = None, debug: DebugOption = False, quiet: QuietOption = False) -> int:
    """Watch the inbox until stopped; takes also what was dropped while it was not running."""
    from flows.commands.watch import run_watch

    return run_watch(home, debug=debug, quiet=quiet)


@app.command()
def ingest(
    paths: Annotated[
        list[Path], typer.Argument(metavar="PATH...", help="Files, folders or archives.")
    ],
    home: HomeOption = None,
    debug: DebugOption = False,
    quiet: QuietOption = False,
) -> int:
    """Do the same job for files that lie elsewhere; they are copied, never moved or changed."""
    from flows.commands.ingest import run_ingest

    return run_ingest(paths, home, debug=debug, quiet=quiet)


@app.command()
def nightly(home: HomeOption = None, debug: DebugOption = False, quiet: QuietOption = False) -> int:
    """Run the nightly batch now: missed files, late partners, outdated results, backup."""
    from flows.commands.batch import run_nightly

    return run_nightly(home, debug=debug, quiet=quiet)


@app.command()
def rebuild(
    from_backup: Annotated[
        Path | None,
        typer.Option(
            "--from-backup",
            help="Put this backup (backups/store-*.duckdb) in the store's place instead, and "
            "measure what came after it.",
            show_default=False,
        ),
    ] = None,
    home: HomeOption = None,
    debug: DebugOption = False,
    quiet: QuietOption = False,
) -> int:
    """Make the lake and the store again from the archived originals, or restore a backup."""
    from flows.commands.batch import run_rebuild, run_restore

    if from_backup is not None:
        return run_restore(from_backup, home, debug=debug, quiet=quiet)
    return run_rebuild(home, debug=debug, quiet=quiet)


@app.command()
def serve(home: HomeOption = None, debug: DebugOption = False, quiet: QuietOption = False) -> int:
    """Register nightly and drop with a running Prefect server; serve them and watch the inbox."""
    from flows.commands.serve import run_serve

    return run_serve(home, debug=debug, quiet=quiet)


@app.command()
def sql(
    query: Annotated[
        str | None, typer.Argument(help="The query; without one, an interactive prompt.")
    ] = None,
    form: Annotated[str, typer.Option("--format", help="table, csv, json or parquet.")] = "table",
    out: Annotated[
        Path | None, typer.Option("--out", help="Write to this file.", show_default=False)
    ] = None,
    list_: Annotated[
        bool, typer.Option("--list", help="Show tables, views and saved queries.")
    ] = False,
    home: HomeOption = None,
    debug: DebugOption = False,
    quiet: QuietOption = False,
) -> int:
    """Ask the results in SQL; nothing can be changed by it."""
    from flows.commands.sql import run_sql

    del debug
    return run_sql(query, home, form=form, out=out, listing=list_, quiet=quiet)


@app.command()
def report(
    workout: Annotated[
        str | None, typer.Option("--workout", help="Write this one again.", show_default=False)
    ] = None,
    publish: Annotated[
        Path | None,
        typer.Option(
            "--publish",
            help="Write the set to be published here; positions in private places are hidden.",
            show_default=False,
        ),
    ] = None,
    home: HomeOption = None,
    debug: DebugOption = False,
    quiet: QuietOption = False,
) -> int:
    """Write pages and figures again, where anything changed."""
    from flows.commands.report import run_report

    del debug
    return run_report(home, workout=workout, target=publish, quiet=quiet)


@app.command()
def export(
    folder: Annotated[
        Path, typer.Argument(metavar="DIR", help="A new or empty folder, or an earlier package.")
    ],
    home: HomeOption = None,
    debug: DebugOption = False,
    quiet: QuietOption = False,
) -> int:
    """Write the open-data package: tidy CSV, datapackage.json, GPX; private places hidden."""
    from flows.commands.export import run_export

    del debug
    return run_export(folder, home, quiet=quiet)


@app.command()
def status(
    workouts: Annotated[
        int,
        typer.Option("--workouts", min=0, help="How many of the newest workouts to show."),
    ] = 5,
    home: HomeOption = None,
    debug: DebugOption = False,
    quiet: QuietOption = False,
) -> int:
    """Say what waits, what was refused, what is outdated; show the newest workouts' numbers."""
    from flows.commands.status import show_status

    del debug
    return show_status(home, workouts=workouts, quiet=quiet)


@app.command()
def explain(
    what: Annotated[str, typer.Argument(metavar="PATH-or-ID", help="A file, or any id.")],
    home: HomeOption = None,
    debug: DebugOption = False,
    quiet: QuietOption = False,
) -> int:
    """Tell everything known of one file, recording, workout, device or run."""
    from flows.commands.explain import explain_thing

    del debug
    return explain_thing(what, home, quiet=quiet)


@app.command()
def devices(home: HomeOption = None, debug: DebugOption = False, quiet: QuietOption = False) -> int:
    """List known devices, and exports whose device is not known yet."""
    from flows.commands.status import show_devices

    del debug
    return show_devices(home, quiet=quiet)


@app.command()
def metrics(debug: DebugOption = False, quiet: QuietOption = False) -> int:
    """List the catalogue: id, unit, definition, formula, source, version."""
    from flows.commands.status import show_metrics

    del debug
    return show_metrics(quiet=quiet)


@app.command()
def check(home: HomeOption = None, debug: DebugOption = False, quiet: QuietOption = False) -> int:
    """Say whether this machine is fit to run it."""
    from flows.commands.check import run_check

    del debug
    return run_check(home, quiet=quiet)
