"""`coworn plan`: the test's plan against its workouts, and the next workout."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Final

import typer

from flows.commands.declare import Options, command
from flows.console import terminal
from tasks.core.errors import SettingsError, UsageError

if TYPE_CHECKING:
    from rich.console import Console

    from config.plan import PlanFile
    from config.session import Session
    from tasks.answers import Facts
    from tasks.answers.facts import DeviceFacts
    from tasks.answers.planning import PlanReview

_NO_PLAN: Final = (
    "There is no plan. Everything works without one; a claim then needs odds of 1 in 100 instead "
    "of 1 in 20, because you may look as often as you like. To make one, save this as plan.toml in "
    "the home (or run coworn plan --write) before the first workout:"
)

#: Kinds of workouts that are offered as the next one.
_MOST_NEXT: Final = 3


@command()
def plan(
    options: Options,
    write: Annotated[
        bool, typer.Option("--write", help="Write a plan to begin with; never over another one.")
    ] = False,
) -> int:
    """Show the test's plan: what is done, unbalanced and settled, and which workout comes next.

    A plan that is new or was changed is kept with its date, and verdicts are made by it at once.
    Raises: UsageError, SettingsError.
    """
    from flows.session.home import open_existing_home
    from tasks.answers import read_answer_facts
    from tasks.store import connect_for_reading

    session = open_existing_home(options.home)
    console = options.make_console()
    found = _read(session)
    if found is not None:
        _take_up(options, session, found)
    connection = connect_for_reading(session.home, statement="")
    try:
        facts = read_answer_facts(connection, session.settings)
    finally:
        connection.close()
    if found is None:
        return _suggest(session, facts, console, write=write)
    if write:
        raise UsageError(f"{session.home.plan}: there is a plan already; edit it")
    return _show(facts, found, console)


def _read(session: Session) -> PlanFile | None:
    from config.plan import PlanFileError, read_plan

    try:
        return read_plan(session.home.plan)
    except PlanFileError as error:
        raise SettingsError(
            str(session.home.plan), line=error.line, found=str(error), remedy="correct or remove it"
        ) from error


def _take_up(options: Options, session: Session, found: PlanFile) -> None:
    """Keep a plan that is new with its date, and let the verdicts follow it."""
    from flows.commands.opening import open_work
    from flows.console.run_summary import report_complaints
    from flows.runs.drop import run_drop
    from tasks.archive.plans import list_plans

    kept = list_plans(session.home)
    if kept and kept[-1].file.plan_id == found.plan_id:
        return
    _refuse_faults(session, found)
    with open_work(options) as work:
        report = work.run(run_drop, files=[])
    report_complaints(report.page_complaints)


def _refuse_faults(session: Session, found: PlanFile) -> None:
    from tasks.processing.planned_test import find_faults

    known = {one.id for one in session.devices}
    faults = list(find_faults(found.plan, known))
    if faults:
        raise SettingsError(str(session.home.plan), found="; ".join(faults), remedy="correct it")


def _suggest(session: Session, facts: Facts, console: Console, *, write: bool) -> int:
    text = _write_suggestion(session, facts)
    if write:
        session.home.plan.write_text(text, encoding="utf-8")
        console.print(f"written: {terminal.clean(session.home.plan)}; edit it, then: coworn plan")
        return 0
    terminal.show_wrapped(console, _NO_PLAN, indent=0)
    console.out(f"\n{text}", highlight=False)
    return 0


def _write_suggestion(session: Session, facts: Facts) -> str:
    """Return a plan to begin with: the devices of the home, the margins of the settings."""
    from tasks.answers.phrases import PRIMARY

    tested = facts.list_tested()
    device = tested[0].device_id if tested else "the-device-under-test"
    opponents = facts.list_opponents(device) if tested else []
    other = opponents[0].device_id if opponents else "its-predecessor"
    margins = session.settings.verdicts.margins
    lines = [
        f'device = "{device}"',
        f'against = ["{other}"]      # the headline is against the first one',
        "",
        "# Differences that do not matter, in the unit of each metric; set them before you look.",
        "[margins]",
        *(f"{one.metric} = {margins[one.metric]:g}" for one in PRIMARY if one.metric in margins),
        "",
        "[[wanted]]",
        'activity = "running"',
        'place = "outdoors"       # outdoors or indoors, or a place of the notes',
        "workouts = 6",
        "",
        "[[wanted]]",
        'place = "indoors"',
        "workouts = 6",
        "",
        "# Wear these equally often on the device under test.",
        "[balance]",
        'wrist = ["left", "right"]',
        "",
    ]
    return "\n".join(lines)


def _show(facts: Facts, found: PlanFile, console: Console) -> int:
    from tasks.answers.planning import review_plan

    plan = found.plan
    names = {one.device_id: one for one in facts.devices.values()}
    missing = [one for one in (plan.device, *plan.against) if one not in names]
    for name in missing:
        console.print(f"{name} was not worn yet: nothing is known of it.")
    if missing and (plan.device in missing or plan.opponent in missing):
        return 0
    device, other = names[plan.device], names[plan.opponent]
    _show_head(facts, found, device, other, console)
    _show_review(review_plan(facts, device, other), console)
    return 0


def _show_head(
    facts: Facts, found: PlanFile, device: DeviceFacts, other: DeviceFacts, console: Console
) -> None:
    from tasks.core.wording import write_date

    worn = [one for one in facts.list_worn(device.device_id) if other.device_id in one.device_ids]
    n = found.plan.planned_workouts
    console.print(
        terminal.clean(f"{device.name} against {other.name}: {len(worn)} of {n} workouts"),
        style="bold",
    )
    since = facts.plan.since_s if facts.plan else None
    first = min((one.start_s for one in worn), default=None)
    if since is None:
        console.print("The plan is taken up with the next run.")
    elif first is None or since <= first:
        console.print(f"Planned on {write_date(since)}, before the first workout.")
    else:
        terminal.show_wrapped(
            console,
            f"The plan of {write_date(since)} came after the first workout: claims rest on it as "
            "if there were none.",
            indent=0,
        )


def _show_review(review: PlanReview, console: Console) -> None:
    if review.wanted:
        console.print()
        terminal.show_table(
            console,
            ["workouts", "done", "planned", "missing"],
            [(one.words, one.done, one.wanted, one.missing) for one in review.wanted],
            title="Coverage",
            right=["done", "planned", "missing"],
        )
    if review.balance:
        console.print()
        terminal.show_table(
            console,
            ["setup", "outdoors", "indoors", "in all"],
            [
                (f"{one.key}: {one.value}", one.outdoors, one.indoors, one.total)
                for one in review.balance
            ],
            title="Setups of the device under test",
            right=["outdoors", "indoors", "in all"],
        )
    for remark in review.remarks:
        terminal.show_wrapped(console, f"  {remark}", indent=4)
    if review.questions:
        console.print()
        terminal.show_table(
            console,
            ["question", "place", "workouts", "answer", "would take"],
            [
                (one.title, one.place, one.n_workouts, one.word, one.needed or None)
                for one in review.questions
            ],
            title="Questions of the headline",
            right=["workouts"],
        )
    if review.following:
        console.print("\nNext workout", style="bold")
        for one in review.following[:_MOST_NEXT]:
            terminal.show_wrapped(console, f"  {one.words}: brings {one.brings}", indent=4)
    console.print()
