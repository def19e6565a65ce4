"""`coworn nightly`: the batch of the night, in this process."""

from __future__ import annotations

from flows.commands.declare import Options, command


@command()
def nightly(options: Options) -> int:
    """Take up missed files, late partners and outdated results now, then back up."""
    from flows.commands.opening import open_work

    with open_work(options) as work:
        from flows.console.run_summary import show_new_rows, show_nightly
        from flows.runs.nightly import run_nightly

        report = work.run(run_nightly)
        if report is None:  # only where a time was given since which no night may have been
            return 0
        code = show_nightly(report, console=work.console)
        show_new_rows(report.workout_run, console=work.console, home=work.session.home)
    return code
