"""What is done before a run: plans, limits of size, a look at how a file is understood."""

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from spc.cli.options import (
    AsJson,
    EventsFile,
    LedgerPlace,
    PlanFile,
    RunFiles,
    RunName,
    Sheet,
    Understood,
)
from spc.cli.texts import day_of, fit_json, fit_lines, limits_lines, plan_json, plan_lines, say
from spc.errors import SpcError, UnreadableRun

plan_app = typer.Typer(no_args_is_help=True, help="Draft a plan, show one, freeze its limits.")


def fit(
    tolerance_class: Annotated[
        str,
        typer.Argument(
            metavar="FIT",
            help='Size, letter and grade, such as "25 k5": shafts d, e, f, g, h, js, k, m, n, p, r '
            "and s, the hole H, grades 1 to 12, above 0 to 500 mm.",
        ),
    ],
    as_json: AsJson = False,
) -> None:
    """Say the limits of an ISO 286 class and its spread."""
    from spc.fits import limits_of_size

    limits = limits_of_size(tolerance_class)
    say(fit_json(limits) if as_json else fit_lines(limits))


def import_files(
    files: RunFiles,
    plan: PlanFile,
    events: EventsFile = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Only show how the files are understood.")
    ] = False,
    rejects: Annotated[
        Path | None, typer.Option("--rejects", help="Write what was not taken to this CSV.")
    ] = None,
    sheet: Sheet = None,
    understood: Understood = None,
    save: Annotated[
        Path | None,
        typer.Option("--save-understood", help="Save how the first file was understood (JSON)."),
    ] = None,
    ledger: LedgerPlace = None,
    run: RunName = None,
    new: Annotated[bool, typer.Option("--new", help="Begin another run.")] = False,
    as_json: AsJson = False,
) -> None:
    """Store files in the ledger, each row once.

    With --dry-run nothing is stored: it shows how they are understood.
    """
    from spc.intake import load_understanding, preview, save_understanding, write_rejects
    from spc.plan import load_plan

    job = load_plan(plan)
    known = load_understanding(understood) if understood else None
    if dry_run or rejects or save:
        seen = preview(files, job, events, sheet=sheet, understanding=known)
        if rejects:
            write_rejects(seen.run, rejects)
        if save:
            save_understanding(seen.files[0].understanding, save, of=seen.files[0].name)
    if dry_run:
        say({"schema": "spc.preview/1", **seen.as_dict()} if as_json else seen.lines())
        return
    from spc.ledger.place import place_of
    from spc.live.files import import_into

    told = import_into(
        place_of(plan, ledger),
        job,
        files,
        name=run,
        new=new,
        events=events,
        sheet=sheet,
        understanding=known,
    )
    say(told.as_dict() if as_json else told.lines())
    if told.refused:
        raise typer.Exit(UnreadableRun.exit_status)


@plan_app.command("show")
def show(
    plan: Annotated[Path, typer.Argument(help="The plan (TOML).")], as_json: AsJson = False
) -> None:
    """Show every key of a plan with its value and where that came from."""
    from spc.plan import load_plan

    job = load_plan(plan)
    say(plan_json(job) if as_json else plan_lines(job))


@plan_app.command("new")
def new(
    file: Annotated[str, typer.Argument(help="A measurement file of the job.")],
    code_page: Annotated[str, typer.Option(help="Its encoding when it is not UTF.")] = "cp1252",
) -> None:
    """Draft a plan from a file; what the file cannot tell is asked on standard error."""
    from spc.intake import draft_plan

    draft = draft_plan(file, code_page=code_page)
    say([draft.toml.rstrip()])
    for question in draft.questions:
        typer.echo(f"? {question}", err=True)


@plan_app.command("freeze")
def freeze(
    run: RunFiles,
    plan: PlanFile,
    who: Annotated[str, typer.Option(help="Role of whoever freezes them, such as 'shift lead'.")],
    why: Annotated[str, typer.Option(help="The reason.")],
    events: EventsFile = None,
    from_part: Annotated[int, typer.Option(help="First part they hold for.", min=1)] = 1,
    when: Annotated[
        str | None, typer.Option(help="Day they are frozen, such as 2026-11-25; else today.")
    ] = None,
) -> None:
    """Print this run's limits as a block for the plan, to judge later runs by."""
    for option, text, such in (
        ("--who", who, "shift lead"),
        ("--why", why, "after the new diamond"),
    ):
        if not text.strip():
            raise SpcError(f"{option} is empty; write it such as {such!r}")
    from spc.intake import read_run
    from spc.plan import load_plan
    from spc.study import examine

    job = load_plan(plan)
    day = day_of(when, option="--when") or datetime.now(job.zone).date()
    study = examine(read_run(run, job, events, growing=False), job)
    say(limits_lines(study, who=who, why=why, when=day, from_part=from_part))
