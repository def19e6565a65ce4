"""`coworn repair`: what is damaged in a home, made again from what is whole."""

from __future__ import annotations

from flows.commands.declare import Options, command


@command()
def repair(options: Options) -> int:
    """Make what is damaged in a home again from what is whole."""
    from flows.commands.opening import open_work
    from flows.console import terminal

    with open_work(options) as work:
        from flows.console.run_summary import (
            describe_workouts,
            report_complaints,
            report_problems,
        )
        from flows.runs.repair import run_repair

        with terminal.show_progress(quiet=options.quiet):
            report = run_repair(work.session)
        for line in report.mended:
            work.console.print(terminal.clean(line))
        if not report.mended:
            work.console.print("nothing is damaged")
        code = report_problems(report.outcomes, report.workout_run)
        work.console.print(describe_workouts(report.workout_run))
        return max(code, report_complaints(report.page_complaints))
