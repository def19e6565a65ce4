"""`coworn metrics`: the catalogue, or one metric in full."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from flows.commands.declare import Options, command
from flows.console import terminal
from tasks.core.errors import UsageError
from tasks.core.wording import count

if TYPE_CHECKING:
    from rich.console import Console

    from tasks.core.registers import Metric

_USES = {
    "primary": "primary: makes the headline",
    "compared": "compared: a detail where a primary metric of its domain is shown",
    "diagnostic": "diagnostic: explains, and is judged only if settings or a plan give it a margin",
}


@command(home=None)
def metrics(
    options: Options,
    name: Annotated[
        str | None,
        typer.Argument(metavar="NAME", help="One metric, or what its name begins with."),
    ] = None,
) -> int:
    """List the catalogue of metrics, or show one in full.

    Raises: UsageError for a metric that is not there.
    """
    from tasks.core.discovery import load_metrics
    from tasks.core.registers import LEVELS, METRICS

    load_metrics()
    console = options.make_console()
    known = sorted(METRICS.values(), key=lambda one: (one.domain, LEVELS.index(one.level), one.id))
    if name is None:
        for metric in known:
            _show(metric, console)
        return 0
    found = [metric for metric in known if metric.id.startswith(name)]
    if not found:
        raise UsageError(f"{name}: there is no such metric; coworn metrics lists them all")
    for metric in found:
        _show(metric, console, in_full=metric.id == name or len(found) == 1)
    return 0


def _show(metric: Metric, console: Console, *, in_full: bool = False) -> None:
    lines = [
        f"  {metric.title}: {metric.definition}",
        f"  formula: {metric.formula}",
        f"  source: {metric.source}",
    ]
    if in_full:
        lines += _describe_use(metric)
    console.print(
        f"{metric.id}  [{metric.unit}]  version {metric.version}, {metric.domain}, {metric.level}"
    )
    for line in lines:
        terminal.show_wrapped(console, line, indent=4)
    console.print()


def _name_segment(metric: Metric) -> str:
    return "" if metric.judged_in == "all" else f", in the segment {metric.judged_in}"


def _describe_use(metric: Metric) -> list[str]:
    """Return what a metric needs, how it is read, and where it is worked out by hand."""
    parts = "the whole workout only" if metric.whole_only else "the workout and its parts"
    needs = ", ".join(metric.needs) or "nothing in particular"
    return [
        f"  compared with: {metric.against}",
        f"  better: {metric.better}",
        f"  needs: {needs}; at least {count(metric.minimum_n, 'second')} to compare",
        f"  computed for: {parts}",
        f"  in verdicts: {_USES[metric.level]}{_name_segment(metric)}",
        f"  worked examples: {len(metric.examples)}, beside its code",
        f"  values: coworn sql \"FROM latest_results WHERE metric = '{metric.id}'\"",
    ]
