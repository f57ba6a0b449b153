"""What is asked many times a day: how does it stand, what next, and the page for the handover."""

import sys
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from spc.cli.options import (
    ActNow,
    AsJson,
    AsOf,
    EventsFile,
    OutFolder,
    PlanFile,
    RunFiles,
    Sheet,
    Shift,
    ShiftDate,
    Understood,
)
from spc.cli.texts import say
from spc.errors import SpcError

if TYPE_CHECKING:
    from spc.findings import Study


def check(
    run: RunFiles,
    plan: PlanFile,
    events: EventsFile = None,
    sheet: Sheet = None,
    understood: Understood = None,
    act_now: ActNow = False,
    as_json: AsJson = False,
) -> None:
    """Say in ten lines how the run stands."""
    study = _study(run, plan, events, sheet=sheet, understood=understood)
    from spc.report.terminal import check_lines

    say(study.as_dict() if as_json else check_lines(study))
    _exit_for(study, act_now)


def advise(
    run: RunFiles,
    plan: PlanFile,
    events: EventsFile = None,
    sheet: Sheet = None,
    understood: Understood = None,
    act_now: ActNow = False,
    as_json: AsJson = False,
) -> None:
    """Say the one next act, its amount and its evidence."""
    study = _study(run, plan, events, sheet=sheet, understood=understood)
    from spc.report.terminal import advise_lines

    say(study.advice.as_dict() if as_json else advise_lines(study))
    _exit_for(study, act_now)


def report(
    run: RunFiles,
    plan: PlanFile,
    events: EventsFile = None,
    sheet: Sheet = None,
    understood: Understood = None,
    out: OutFolder = Path("reports"),
    shift: Shift = None,
    day: ShiftDate = None,
    single_file: Annotated[
        bool, typer.Option("--single-file", help="Put the drawing script into the page itself.")
    ] = False,
    as_of: AsOf = None,
    as_json: AsJson = False,
) -> None:
    """Write the page to hand over, with figures and proof."""
    study = _study(run, plan, events, shift, day, sheet=sheet, understood=understood)
    from spc.report.pages import write_report

    page = write_report(study, out, single_file=single_file, as_of=_moment(as_of))
    say(study.as_dict() if as_json else [str(page)])


def demo(
    out: OutFolder = Path("reports/demo"),
    seed: Annotated[int, typer.Option(help="Another seed makes another shift.")] = 1,
) -> None:
    """Invent a shift, examine it and write its report."""
    from spc.report.terminal import advise_lines
    from spc.simulate.scenes import write_scene

    _progress("inventing a shift of bearing seats: wear, two dresses, an operator who corrects")
    scene = write_scene("capstan_spindle", out, seed=seed)
    _progress(f"wrote {scene.csv} and {scene.plan}; examining it")
    study = _study([str(scene.csv)], scene.plan, scene.events)
    from spc.report.pages import write_report

    page = write_report(study, out, as_of=study.ended)
    say([*advise_lines(study), "", f"The page: {page}"])


def _study(
    run: list[str],
    plan: Path,
    events: Path | None,
    shift: str | None = None,
    day: str | None = None,
    *,
    sheet: str | None = None,
    understood: Path | None = None,
) -> "Study":
    from spc.intake import load_understanding, read_run
    from spc.plan import load_plan
    from spc.shifts import shift_span
    from spc.study import examine

    job = load_plan(plan)
    known = load_understanding(understood) if understood else None
    measured = read_run(run, job, events, sheet=sheet, understanding=known)
    span = shift_span(measured, job, shift, _day(day)) if shift else None
    return examine(measured, job, shift=span)


def _day(text: str | None) -> date | None:
    try:
        return date.fromisoformat(text) if text else None
    except ValueError:
        raise SpcError(f"--date {text!r} is not a day; write it such as 2026-11-25") from None


def _moment(text: str | None) -> datetime | None:
    try:
        moment = datetime.fromisoformat(text) if text else None
    except ValueError:
        moment = None
    if text and (moment is None or moment.tzinfo is None):
        raise SpcError(
            f"--as-of {text!r} is not a moment with its zone; write it such as 2026-11-25T14:00Z"
        )
    return moment


def _exit_for(study: "Study", act_now: bool) -> None:
    if act_now and study.advice.is_act:
        raise typer.Exit(1)


def _progress(words: str) -> None:
    if sys.stderr.isatty():
        typer.echo(words, err=True)
