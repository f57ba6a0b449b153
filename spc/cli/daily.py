"""What is asked many times a day: how does it stand, what next, and the page for the handover."""

import sys
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from spc.cli.options import (
    ActNow,
    AsJson,
    AsOf,
    EventsFile,
    LedgerPlace,
    Locale,
    OutFolder,
    PlanFile,
    RunOrLedger,
    Sheet,
    Shift,
    ShiftDate,
    Understood,
    Wheel,
)
from spc.cli.texts import day_of, say
from spc.errors import SpcError, UnreadableRun

if TYPE_CHECKING:
    from spc.findings import Study
    from spc.plan import Plan
    from spc.run import Run
    from spc.shifts import ShiftSpan


class PageKind(StrEnum):
    """Pages that a run can be written as."""

    report = "report"
    wheel = "wheel"
    gauge = "gauge"
    statement = "statement"


def check(
    plan: PlanFile,
    run: RunOrLedger = None,
    events: EventsFile = None,
    sheet: Sheet = None,
    understood: Understood = None,
    ledger: LedgerPlace = None,
    act_now: ActNow = False,
    as_json: AsJson = False,
) -> None:
    """Say in ten lines how the run stands."""
    study = _study(run, plan, events, sheet=sheet, understood=understood, ledger=ledger)
    from spc.report.terminal import check_lines

    say(study.as_dict() if as_json else check_lines(study))
    _exit_for(study, act_now)


def advise(
    plan: PlanFile,
    run: RunOrLedger = None,
    events: EventsFile = None,
    sheet: Sheet = None,
    understood: Understood = None,
    ledger: LedgerPlace = None,
    act_now: ActNow = False,
    as_json: AsJson = False,
) -> None:
    """Say the one next act, its amount and its evidence."""
    study = _study(run, plan, events, sheet=sheet, understood=understood, ledger=ledger)
    from spc.report.terminal import advise_lines

    say(study.advice.as_dict() if as_json else advise_lines(study))
    _exit_for(study, act_now)


def report(
    plan: PlanFile,
    run: RunOrLedger = None,
    events: EventsFile = None,
    sheet: Sheet = None,
    understood: Understood = None,
    ledger: LedgerPlace = None,
    out: OutFolder = Path("reports"),
    shift: Shift = None,
    day: ShiftDate = None,
    wheel: Wheel = None,
    single_file: Annotated[
        bool, typer.Option("--single-file", help="Put the drawing script into the page itself.")
    ] = False,
    kind: Annotated[
        PageKind, typer.Option("--page", help="Which page: the report or one part of it alone.")
    ] = PageKind.report,
    locale: Locale = None,
    as_of: AsOf = None,
    as_json: AsJson = False,
) -> None:
    """Write the page to hand over, with figures and proof."""
    study = _study(
        run,
        plan,
        events,
        shift,
        day,
        sheet=sheet,
        understood=understood,
        ledger=ledger,
        wheel=wheel,
    )
    from spc.report.pages import write_report

    page = write_report(
        study, out, kind=kind.value, single_file=single_file, as_of=_moment(as_of), locale=locale
    )
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
    run: list[str] | None,
    plan: Path,
    events: Path | None,
    shift: str | None = None,
    day: str | None = None,
    *,
    sheet: str | None = None,
    understood: Path | None = None,
    ledger: str | None = None,
    wheel: str | None = None,
) -> "Study":
    from spc.plan import load_plan
    from spc.study import examine

    if day is not None and shift is None:
        raise SpcError("--date goes with --shift: name the shift that began that day")
    job = load_plan(plan)
    if run and not _in_ledger(run, plan, ledger):
        measured = _from_files(run, job, events, sheet, understood)
        return examine(measured, job, shift=_span(measured, job, shift, day, wheel), beside=True)
    from spc.ledger.finding import find_run
    from spc.ledger.place import place_of

    name = run[0] if run else None
    found = find_run(
        place_of(plan, ledger), job, name, shift=shift, day=day_of(day, option="--date")
    )
    span = _span(found.run, found.plan, shift, day, wheel)
    return examine(found.run, found.plan, found.history, shift=span, beside=True)


def run_and_plan(
    run: list[str] | None,
    plan: Path,
    events: Path | None,
    *,
    sheet: str | None = None,
    understood: Path | None = None,
    ledger: str | None = None,
) -> "tuple[Run, Plan]":
    """A run of files or of the ledger, and its plan, without studying it."""
    from spc.plan import load_plan

    job = load_plan(plan)
    if run and not _in_ledger(run, plan, ledger):
        return _from_files(run, job, events, sheet, understood), job
    from spc.ledger.finding import find_run
    from spc.ledger.place import place_of

    found = find_run(place_of(plan, ledger), job, run[0] if run else None)
    return found.run, found.plan


def _in_ledger(run: list[str], plan: Path, ledger: str | None) -> bool:
    """Whether RUN is a run of the ledger; a file of that name comes first."""
    if len(run) != 1 or run[0] == "-" or Path(run[0]).exists():
        return False
    from spc.ledger.finding import is_run
    from spc.ledger.place import place_of, shown

    place = place_of(plan, ledger)
    if not is_run(place, run):
        there = "://" in place or Path(place).exists()
        raise UnreadableRun(
            f"{run[0]}: there is no such file, and "
            + (
                f"no run of that name in the ledger {shown(place)}"
                if there
                else f"no ledger at {place}"
            )
        )
    return True


def _from_files(
    run: list[str], job: "Plan", events: Path | None, sheet: str | None, understood: Path | None
) -> "Run":
    from spc.intake import load_understanding, read_run

    known = load_understanding(understood) if understood else None
    return read_run(run, job, events, sheet=sheet, understanding=known, growing=False)


def _span(
    run: "Run", job: "Plan", shift: str | None, day: str | None, wheel: str | None
) -> "ShiftSpan | None":
    from spc.shifts import shift_span

    if wheel is not None:
        from spc.ledger.finding import wheel_span

        if shift is not None:
            raise SpcError("--wheel and --shift name two spans; choose one")
        return wheel_span(run, wheel)
    return shift_span(run, job, shift, day_of(day, option="--date")) if shift else None


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
