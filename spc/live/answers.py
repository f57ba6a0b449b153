"""What becomes of advice: done, another amount or act, not done and why, or passed over."""

from collections.abc import Sequence
from dataclasses import dataclass

from spc.adviser.advice import Advice
from spc.advising import with_hold
from spc.ledger.entry import Entry, Stored
from spc.ledger.replay import Progress
from spc.live.typed import Line, NotUnderstood

#: Advice that is done by an event of the same name.
ACTS = ("offset", "dress", "swivel")
#: Events that are an act on the machine: typed after another was advised, they answer it.
INSTEAD = (*ACTS, "wheel")
#: Advice that a move may go with.
_WITH_MOVE = ("offset", "dress", "hold")
#: Advice that wants an answer before the next part.
ANSWERABLE = (*ACTS, "let_it_warm", "check", "hold")
#: Advice that cannot wait for the other features of the part.
AT_ONCE = ("measure_again", "hold")


@dataclass(frozen=True)
class Clerk:
    """Writes entries down: whose, and at what moment. [µs since 1970 UTC]"""

    who: str
    now: int

    def answer(self, progress: Progress, advice: Advice, text: str, note: str = "") -> Entry:
        """What became of an advice after the part ground last."""
        return Entry(
            "answer",
            progress.made,
            time=self.now,
            what=advice.action,
            value=advice.offset_um,
            text=text,
            note=note,
            who=self.who,
        )

    def event(
        self,
        part: int,
        kind: str,
        um: float | None = None,
        minutes: float | None = None,
        note: str = "",
    ) -> Entry:
        """An event after a part."""
        return Entry(
            "event", part, time=self.now, what=kind, value=um, minutes=minutes, note=note,
            who=self.who,
        )  # fmt: skip

    def passed_over(self, progress: Progress) -> list[Entry]:
        """For when the next part is begun: an act that was left without answer is kept as such."""
        advice = open_act(progress)
        return [] if advice is None else [self.answer(progress, advice, "unanswered")]

    def answered(self, progress: Progress, line: Line, *, whole: bool) -> list[Entry]:
        """
        `done` or `no`: the answer, and the event it stands for.

        What goes with a hold stands only once every feature due of the part was read: `whole`.
        """
        advice = progress.advice
        if not advice.is_act or advice.action == "measure_again":
            raise NotUnderstood(f"{line.verb}: nothing was advised that could be answered")
        if line.verb == "no":
            if not line.note:
                raise NotUnderstood("no: say why, such as `no part is the last of the batch`")
            return [self.answer(progress, advice, "not done", line.note)]
        return [
            self.answer(progress, advice, "done", line.note),
            *(self._done(progress.made, advice) if whole or advice.action != "hold" else ()),
        ]

    def _done(self, made: int, advice: Advice) -> list[Entry]:
        match advice.action:
            case "offset" | "hold" if advice.offset_um:
                return [self._offset(made, advice)]
            case "dress" if advice.offset_um:
                return [self.event(made, "dress"), self._offset(made, advice)]
            case "dress":
                return [self.event(made, "dress")]
            case "hold" if with_hold(advice) == "dress":
                return [self.event(made, "dress")]
            case "swivel":
                um = advice.amount if advice.amount_unit == "um" else None
                return [self.event(made, "swivel", um)]
            case "let_it_warm":
                return [self.event(made, "pause", minutes=advice.amount)]
            case "check" if advice.subject == "gauge":
                return [self.event(made, "master")]
            case _:
                return []

    def _offset(self, made: int, advice: Advice) -> Entry:
        # The note names the register, as whoever types would.
        return self.event(made, "offset", advice.offset_um, note=advice.register)

    def by_doing(self, progress: Progress, line: Line) -> list[Entry]:
        """The answer that lies in a typed event: the act that was advised, or another instead."""
        advice = open_act(progress)
        if advice is None or line.verb not in INSTEAD:
            return []
        if line.verb not in (advice.action, with_hold(advice)):
            return [self.answer(progress, advice, "other act", line.verb)]
        same = line.amount == advice.offset_um if line.verb == "offset" else True
        return [self.answer(progress, advice, "done" if same else "other amount")]


def open_act(progress: Progress) -> Advice | None:
    """The act that stands and was not answered since the last part was begun."""
    advice = progress.advice
    if advice.action == "hold" and progress.advisor.proves:
        return None  # `cleared` was the answer
    still = advice.action in ANSWERABLE and advice.action not in progress.acts_answered
    return advice if still else None


def doubled(held: Sequence[Stored], amount: float) -> str:
    """
    A question when an offset may be one that stands already after the same part; else nothing.

    Parameters
    ----------
    held : sequence of Stored
        The entries that hold of the part after which it is to stand.
    amount : float
        The move. [µm]
    """
    there = [e for e in held if e.kind == "event" and e.what == "offset"]
    if not there:
        return ""
    last = there[-1].value or 0.0
    # Whoever answered `done` and then types the move has entered it once, whatever the amount.
    done = any(e.kind == "answer" and e.what in _WITH_MOVE and e.text == "done" for e in held)
    if amount == last:
        return f"offset {last:+g} µm is stored already after this part; same offset again?"
    if done:
        return f"offset {last:+g} µm is stored as done; another {amount:+g} µm on top of it?"
    return ""
