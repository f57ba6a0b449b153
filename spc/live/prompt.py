"""The prompt beside the machine: one line in, the act out, large enough to read from the wheel."""

from collections.abc import Callable

from rich.console import Console, Group
from rich.padding import Padding
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from spc.errors import SpcError
from spc.ledger.refusal import NotKnown
from spc.live.answers import open_act
from spc.live.session import Reply, Session
from spc.live.standing import RunGone
from spc.live.words import GLYPHS, Answer, answer_of, echo_lines
from spc.report.voice import Voice, tame

#: Colours by action, for dark and light terminals alike; shape and word always stand beside them.
_STYLES = {
    "grind_on": "bold white on #0A6B62", "measure_again": "bold white on #8A5200",
    "check": "bold white on #8A5200", "offset": "bold white on #1D54B5",
    "swivel": "bold white on #1D54B5", "dress": "bold white on #1D54B5",
    "let_it_warm": "bold reverse", "hold": "bold white on #A81C2B",
}  # fmt: skip


def run_prompt(
    session: Session,
    voice: Voice,
    *,
    console: Console | None = None,
    ask: Callable[[str], str] = input,
    after: Callable[[Session], None] = lambda _session: None,
) -> None:
    """
    Ask and answer until ``quit`` or the end of the input.

    Parameters
    ----------
    session : Session
        The run that goes on.
    voice : Voice
        How it is said.
    console : Console, optional
        Where answers appear; standard output when unsaid.
    ask : callable
        Shows its argument and returns one typed line.
    after : callable
        Called after every stored line, such as to renew the board.
    """
    screen = console or Console(highlight=False)
    _greet(screen, session, voice)
    while True:
        try:
            typed = ask(_asks_for(session))
        except EOFError:
            break
        try:
            reply = session.enter(typed)
        except RunGone as error:
            screen.print(Text(f"  not stored: {error}", style="bold"))
            raise
        except NotKnown as error:
            again = "type it again: it is stored once in any case"
            screen.print(Text(f"  {error}; {again}", style="bold"))
            continue
        except SpcError as error:
            screen.print(Text(f"  not stored: {error}", style="bold"))
            continue
        if reply.leave:
            break
        try:
            _show(screen, session, voice, reply)
        except SpcError as error:
            # It stands, whatever became of the store since.
            words = f"it is stored, but what comes next cannot be told: {error}"
            screen.print(Text(f"  {words}", style="bold"))
        if reply.stored:
            after(session)
    screen.print(Text(session.last_words()))


def _greet(screen: Console, session: Session, voice: Voice) -> None:
    made = session.progress.made
    where = f"{made} parts made" if made else "nothing made yet"
    screen.print(Text(f"{tame(session.plan.job.part, 60)} · run {session.run.name} · {where}"))
    if last := session.last_line:
        screen.print(Text(f"the last line: {tame(last, 120)}"))
    screen.print(Text("? lists what may be typed"))
    # Asked in any case: it loads all that the first answer would have to wait for.
    answer = answer_of(session, voice)
    if made and not session.unfinished:
        _advise(screen, answer, asks=open_act(session.progress) is not None)


def _asks_for(session: Session) -> str:
    part, feature = session.due
    return f"part {session.serial(part)} · {tame(feature.name, 40)} > "


def _show(screen: Console, session: Session, voice: Voice, reply: Reply) -> None:
    if reply.before:
        screen.print(Text(f"  {reply.before}", style="bold"))
    if reply.said:
        screen.print(Text(f"  {reply.said}" if "\n" not in reply.said else reply.said))
    if reply.question:
        screen.print(Text(f"  {reply.question} (yes or no; {reply.instead})", style="bold"))
        return
    if not (reply.stored or reply.skipped):
        return
    if not reply.said:
        for line in echo_lines(session, voice, reply.stored):
            screen.print(Text(f"  {line}"))
    noted = bool(reply.stored) and all(entry.what == "note" for entry in reply.stored)
    if not session.unfinished and not noted:
        asks = open_act(session.progress) is not None
        _advise(screen, answer_of(session, voice), asks=asks)


def _advise(screen: Console, answer: Answer, *, asks: bool) -> None:
    style = _STYLES[answer.action]
    # Three lines high and across the screen, so that it is seen from the machine.
    word = Padding(
        Text(f"{GLYPHS[answer.action]}  {answer.word}", style=style), (1, 4), style=style
    )
    do = Text("\n".join(answer.do), style="bold")
    terms = Table.grid(padding=(0, 2))
    for name, text in answer.terms:
        terms.add_row(Text(name, style="dim"), Text(text))
    pieces: list[Text | Table | Padding] = [word, do, terms]
    if answer.caution:
        pieces.append(Text(answer.caution, style="italic"))
    if asks:
        pieces.append(Text("done · no <why> · or type what was done instead", style="dim"))
    screen.print(Panel(Group(*pieces), padding=(0, 1)))
