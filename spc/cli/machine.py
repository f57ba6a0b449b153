"""At the machine: the prompt."""

import contextlib
import sys
from typing import TYPE_CHECKING, Annotated

import typer

from spc.cli.options import LedgerPlace, PlanFile, RunName
from spc.cli.texts import say
from spc.errors import SpcError

if TYPE_CHECKING:
    from spc.live.session import Session


def log(
    plan: PlanFile,
    typed: Annotated[
        list[str] | None,
        typer.Argument(metavar="[TYPED]...", help="One line, such as 24.998; else a prompt."),
    ] = None,
    run: RunName = None,
    new: Annotated[bool, typer.Option("--new", help="Begin another run.")] = False,
    ledger: LedgerPlace = None,
    who: Annotated[str, typer.Option(help="Role of whoever types.")] = "operator",
    yes: Annotated[
        bool, typer.Option("--yes", help="Store what looks odd without asking.")
    ] = False,
) -> None:
    """Take readings and events at the machine, say the next act."""
    from spc.live.begin import open_session

    with open_session(plan, ledger, name=run, new=new, who=who) as session:
        if typed:
            say(_one_line(session, " ".join(typed), sure=yes))
        elif sys.stdin.isatty() and sys.stdout.isatty():
            _resident(session)
        else:
            for line in sys.stdin:
                if line.strip():
                    say(_one_line(session, line, sure=yes))


def _one_line(session: "Session", text: str, *, sure: bool) -> list[str]:
    from spc.live.words import answer_of
    from spc.report.voice import voice

    reply = session.enter(text, sure=sure)
    if reply.question:
        raise SpcError(f"{reply.question} Nothing was stored; --yes stores it as it is")
    if not reply.stored:
        return [reply.said] if reply.said else []
    said = [reply.said] if reply.said else []
    return [*said, *answer_of(session, voice(zone=session.plan.zone)).lines()]


def _resident(session: "Session") -> None:
    from spc.live.prompt import run_prompt
    from spc.report.voice import voice

    with contextlib.suppress(ImportError):
        import readline  # noqa: F401 - arrow keys and earlier lines for input()
    try:
        run_prompt(session, voice(zone=session.plan.zone))
    except KeyboardInterrupt:
        typer.echo("\neverything is stored; the next start goes on from here")
        raise typer.Exit(130) from None
