"""At the machine: the prompt, the drop folder, the board."""

import contextlib
import io
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from spc.cli.options import BoardFile, LedgerPlace, PlanFile, RunName
from spc.cli.texts import say
from spc.errors import SpcError, StoreBusy

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
    board: BoardFile = None,
    yes: Annotated[
        bool, typer.Option("--yes", help="Store what looks odd without asking.")
    ] = False,
) -> None:
    """Take readings and events at the machine, say the next act."""
    from spc.live.begin import open_session

    status = 0
    attended = not typed and sys.stdin.isatty() and sys.stdout.isatty()
    with open_session(plan, ledger, name=run, new=new, who=who, attended=attended) as session:
        if typed:
            _answer(_alone(session, " ".join(typed), sure=yes))
        elif attended:
            _resident(session, board)
        else:
            status = _piped(session, sure=yes)
        if board is not None:
            _renew(board)(session)
    if status:
        raise typer.Exit(status)


def _alone(session: "Session", text: str, *, sure: bool) -> list[str]:
    from spc.ledger.refusal import NotKnown

    try:
        return _one_line(session, text, sure=sure) or []
    except NotKnown as error:
        raise StoreBusy(
            f"{error}; once the store answers, `spc log` names the last line when it starts"
        ) from error


def _piped(session: "Session", *, sure: bool) -> int:
    """Each line of standard input; one that is refused is named and holds up no other."""
    from spc.ledger.refusal import NotKnown
    from spc.live.standing import RunGone

    if isinstance(sys.stdin, io.TextIOWrapper):
        # Bytes that are no text make their own line unreadable, not the whole input.
        sys.stdin.reconfigure(errors="replace")
    status = refused = unknown = 0
    if last := session.last_line:
        _tell(f"the last line: {last}")
    for number, line in enumerate(sys.stdin, 1):
        if not line.strip():
            continue
        try:
            said = _one_line(session, line, sure=sure)
        except RunGone:
            raise
        except NotKnown as error:
            _tell(f"line {number}: {error}")
            status, unknown = max(status, error.exit_status), unknown + 1
            continue
        except SpcError as error:
            _tell(f"line {number}: {error}")
            # A yes further down is meant for no question of a line that was refused.
            session.drop_question()
            status, refused = max(status, error.exit_status), refused + 1
            continue
        if said is None:
            break
        _answer(said)
    if unknown:
        _tell(session.last_words())
    if refused:
        but = f", but for {unknown} of which it was not known" if unknown else ""
        _tell(f"lines not stored: {refused}; all others are{but}")
    return status


def _answer(lines: list[str]) -> None:
    """Say what a line came to; it is stored by then, whatever becomes of the answer."""
    try:
        say(lines)
    except OSError as error:
        raise StoreBusy(
            "the answer cannot be written to standard output "
            f"({error.strerror or error}), but what was typed is stored"
        ) from error


def _one_line(session: "Session", text: str, *, sure: bool) -> list[str] | None:
    """What is said to one typed line; None when it ends the session."""
    from spc.live.words import answer_of, echo_lines
    from spc.report.voice import voice

    reply = session.enter(text, sure=sure)
    if reply.before:
        _tell(reply.before)
    if reply.question:
        raise SpcError(f"{reply.question} Nothing was stored; --yes stores it as it is")
    if reply.leave:
        return None
    if not reply.stored:
        return [reply.said] if reply.said else []
    here = voice(zone=session.plan.zone)
    # What was stored, and for which part, is one of the facts behind the act.
    stored = [line.replace(": ", "\t", 1) for line in echo_lines(session, here, reply.stored)]
    try:
        act, *facts = answer_of(session, here).lines()
    except SpcError as error:
        # It stands, whatever became of the store since.
        _tell(f"what was typed is stored, but what comes next cannot be told: {error}")
        return [reply.said] if reply.said else stored
    return [reply.said, act, *facts] if reply.said else [act, *stored, *facts]


def watch(
    folder: Annotated[
        Path, typer.Argument(help="Folder that files are written to; events in FILE_events.csv.")
    ],
    plan: PlanFile,
    run: RunName = None,
    new: Annotated[bool, typer.Option("--new", help="Begin another run.")] = False,
    ledger: LedgerPlace = None,
    board: BoardFile = Path("reports/board.html"),
) -> None:
    """Store what a gauge drops, keep the board up to date."""
    import signal
    from threading import Event

    from spc.live.begin import open_session
    from spc.live.drop_folder import DropFolder
    from spc.live.words import answer_of
    from spc.report.voice import voice

    if not folder.is_dir():
        raise SpcError(f"{folder}: there is no such folder to watch")
    stop, caught = Event(), []

    def _stop(number: int, _frame: object) -> None:
        # Read files may take long, and what is half stored is not stored. Where an exception is
        # swallowed, the next look finds that it is to stop.
        caught.append(number)
        stop.set()
        raise KeyboardInterrupt

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, _stop)
    with (
        contextlib.suppress(KeyboardInterrupt),
        open_session(plan, ledger, name=run, new=new, who="drop folder") as session,
    ):
        renew = _renew(board)

        def stored(now: "Session") -> None:
            say(answer_of(now, voice(zone=now.plan.zone)).lines())
            renew(now)

        _tell(f"watching {folder} for run {session.run.name}; the board: {board}")
        renew(session)
        DropFolder(folder, session, _tell, stored).run(stop)
    _tell("stopped; everything that was told is stored")
    raise typer.Exit(130 if signal.SIGINT in caught else 0)


def _tell(words: str) -> None:
    typer.echo(words, err=True)


def _renew(board: Path | None) -> "Callable[[Session], None]":
    """Renew the board, or say why not: no board is worth a reading."""

    def renew(session: "Session") -> None:
        from spc.live.board import renew_board

        try:
            if board is not None and session.progress.made:
                renew_board(session, board)
        except (SpcError, OSError) as error:
            _tell(f"the board was not renewed: {error}")

    return renew


def _resident(session: "Session", board: Path | None) -> None:
    from spc.live.prompt import run_prompt
    from spc.report.voice import voice

    with contextlib.suppress(ImportError):
        import readline  # noqa: F401 - arrow keys and earlier lines for input()
    try:
        run_prompt(session, voice(zone=session.plan.zone), after=_renew(board))
    except KeyboardInterrupt:
        typer.echo(f"\n{session.last_words()}")
        raise typer.Exit(130) from None
