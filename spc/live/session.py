"""
One run at the machine: each typed line becomes entries in the ledger, then advice.

Nothing is said before it is stored, and a line is stored whole or not at all. The session keeps
no truth of its own: it can be ended at any moment and another one goes on from the ledger.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from spc.ledger.entry import Entry, Stored, now_us, whole
from spc.ledger.refusal import LedgerReplaced, NotKnown
from spc.ledger.replay import Progress, holding, resume
from spc.ledger.store import Ledger, LedgerRun, Reader
from spc.live.again import UNDONE, Settled, Unanswered, same_line, told_last
from spc.live.answers import AT_ONCE, Clerk, doubled
from spc.live.doubts import Question, clears_more, far_ahead, in_doubt, left_waiting, unnamed
from spc.live.standing import Standing
from spc.live.turn import Turn
from spc.live.typed import HELP, Line, NotUnderstood, understand
from spc.plan import Feature, Plan

#: The same reading again within this time may be a key that bounced. [µs]
BOUNCE_US = 500_000


@dataclass(frozen=True)
class Reply:
    """
    What follows from a typed line.

    Attributes
    ----------
    stored : tuple of Stored
        What was added to the ledger.
    question : str
        To be answered yes or no before anything is stored; empty: none.
    instead : str
        What may be typed besides yes and no.
    said : str
        One sentence on what was done.
    leave : bool
        The session is over.
    skipped : bool
        A feature of the part was left out.
    before : str
        What became of the line before, where that was not known when it was typed, or where it was
        in question and another one came in its place.
    """

    stored: tuple[Stored, ...] = ()
    question: str = ""
    instead: str = ""
    said: str = ""
    leave: bool = False
    skipped: bool = False
    before: str = ""


class Session(Standing):
    """
    A run that goes on.

    Parameters
    ----------
    ledger : Ledger
        Open.
    plan : Plan
        The plan of the run.
    run : LedgerRun
        Which run.
    who : str
        Role of whoever types.
    clock : callable
        Microseconds since 1970 UTC.
    attended : bool
        Whether somebody answers questions at once: a first line equal to the last one stored is
        asked about then in any case, else only after the database server was started anew.
    """

    def __init__(
        self,
        ledger: Ledger,
        plan: Plan,
        run: LedgerRun,
        *,
        who: str = "",
        clock: Callable[[], int] = now_us,
        attended: bool = False,
    ) -> None:
        super().__init__(ledger, plan, run)
        self.who, self.clock = who, clock
        self._asked: Question | None = None
        self.turn = Turn(plan)
        self._heard: tuple[str, int] = ("", 0)
        self._attended, self._begun = attended, False

    # -- what is due ---------------------------------------------------------------------------

    @property
    def due(self) -> tuple[int, Feature]:
        """Part and feature that a bare number would be taken for."""
        return self.turn.due(self.progress)

    @property
    def whole(self) -> bool:
        """Whether every feature due of the part ground last was read or left out."""
        return self.due[0] != self.progress.made

    @property
    def unfinished(self) -> bool:
        """Whether features of the part are read first, before its act is spoken of."""
        return not self.whole and self.advice.action not in AT_ONCE

    # -- what is typed -------------------------------------------------------------------------

    def enter(self, text: str, *, sure: bool = False) -> Reply:
        """
        Take one typed line.

        Parameters
        ----------
        text : str
            As typed.
        sure : bool
            Whatever would be asked is answered with yes.

        Raises
        ------
        SpcError
            When the line means nothing or cannot be stored; nothing was stored then.
        LedgerReplaced
            When another ledger was put in the place of this one; the next line goes there.
        NotKnown
            When the store went away while it was stored. The next line looks whether it stands;
            the same line typed again is not stored twice.
        """
        line = replace(understand(text, self.plan), text=text.strip())
        if line.verb == "quit":
            return Reply(leave=True)
        earlier, before = self.unsure, self.settle()
        if earlier is not None and before.stands:
            self.turn.part = None
            if earlier.is_again(text):
                return Reply(said=f"{before.words}; it is not stored a second time")
        try:
            if not self.replaced:
                reply = self._enter(line, sure=sure)
                self._begun = self._begun or bool(reply.stored)
                words = (before.words, reply.before)
                return replace(reply, before="; ".join(w for w in words if w))
        except NotKnown as error:
            self.unsure = Unanswered(text, error.end)
            raise
        except LedgerReplaced:
            self.refresh()
        self.replaced = False
        part, feature = self.due
        raise LedgerReplaced(
            f"{self.ledger.shown}: another ledger was put in the place of the one that was open; "
            f"nothing of this line was stored. The run goes on there: next is {feature.name} of "
            f"part {self.serial(part)}"
        )

    def _enter(self, line: Line, *, sure: bool) -> Reply:
        if line.verb == "help":
            asked = self._asked
            return Reply(said=HELP) if asked is None else replace(_asks(asked), said=HELP)
        before = ""
        if self._asked is not None:
            if line.verb in ("yes", "no") and self._asked.begins:
                self._begun = True
            if line.verb == "no":
                self._asked = None
                return Reply(said="nothing was stored")
            other = line
            line = self._asked.confirmed() if line.verb == "yes" else self._asked.anew(line)
            if line is other:
                before = f"{self._asked.line.text!r} was not stored"
        elif line.verb == "yes":
            line = replace(line, verb="done")
        reply = self._do(line, sure=sure)
        if not reply.question:
            self._asked = None
        return replace(reply, before=before)

    def settle(self) -> Settled:
        """What became of the line of which it was not known; if it stands, it was no question."""
        settled = super().settle()
        if settled.stands:
            self._asked, self._begun = None, True
        return settled

    def last_words(self) -> str:
        """What is said when the session ends."""
        said = super().last_words()
        if self._asked is None:
            return said
        return f"{self._asked.line.text!r} was still in question and is not stored; else {said}"

    def drop_question(self) -> None:
        """What was asked last is not answered any more; nothing of it is stored."""
        self._asked = None

    def _do(self, line: Line, *, sure: bool) -> Reply:
        doubts = () if sure else self._doubts(line)
        asked = next((d for d in doubts if d.words and d.words not in line.meant), None)
        if asked is not None:
            self._asked = asked
            return _asks(asked)
        made = self.progress.made
        match line.verb:
            case "skip":
                return self._skip()
            case "part":
                self.turn.part = self.turn.part_number(self.progress, line.part)
                return Reply(said=f"the next reading is of part {line.part}")
            case "again":
                if not self.progress.made:
                    raise NotUnderstood("again: no part was measured yet")
                self.turn.part = self.progress.made
                return Reply(
                    said=f"the next reading is of part {self.serial(self.turn.part)} again"
                )
            case "undo":
                return self._undo(line)
            case "reading":
                heard = (" ".join(line.numbers), self.clock())
                stored = self.store(lambda progress: self._readings(progress, line))
                self._heard = heard
            case "done" | "no":
                stored = self.store(
                    lambda progress: self._clerk().answered(progress, line, whole=self.whole)
                )
            case "ground":
                stored = self.store(lambda progress: self._ground(progress, line))
            case _:
                stored = self.store(lambda progress: self._event(progress, line))
        self.turn.part = None
        if self.progress.made != made:
            self.turn.skipped = set()
        return Reply(stored=stored)

    def _skip(self) -> Reply:
        part, feature = self.due
        if part != self.progress.made:
            return Reply()
        self.turn.skipped.add(feature.name)
        return Reply(said=f"{feature.name} of part {self.serial(part)} is left out", skipped=True)

    def _doubts(self, line: Line) -> Iterator[Question]:
        """What looks odd enough to be asked about before it is stored; without words: nothing."""
        same_move = self._doubled(line)
        if not self._begun:
            # Who confirms the whole line confirms its move.
            confirmed = replace(line, meant=(*line.meant, same_move))
            yield Question(confirmed, self._once_more(line), begins=True)
        most = self.plan.machine.max_offset_um
        if line.verb == "offset" and line.amount is not None and abs(line.amount) > most:
            large = f"an offset of {line.amount:+g} µm is larger than {most:g} µm; really?"
            yield Question(line, large)
        yield Question(line, same_move)
        yield Question(line, unnamed(self.plan, line))
        yield Question(line, far_ahead(self.progress, self.turn, line))
        if line.verb == "ground":
            yield Question(line, left_waiting(self.progress))
        if line.verb == "cleared":
            yield Question(line, clears_more(self.progress, self.held_there(), line))
        if line.verb == "reading":
            yield Question(line, self._bounced(line))
            yield from in_doubt(line, self.turn.placed(self.progress, line)[1])

    def _bounced(self, line: Line) -> str:
        typed = (" ".join(line.numbers), self.clock())
        if typed[0] == self._heard[0] and 0 <= typed[1] - self._heard[1] < BOUNCE_US:
            self._heard = typed
            return f"{typed[0]} came twice within half a second; a second reading?"
        return ""

    def _once_more(self, line: Line) -> str:
        """Whether the first line may be one that was typed again since nobody said it stands."""
        with self.ledger.reading() as reader:
            last = self.typed_last(reader, undone=True)
            made = self.made_before(reader, last, line.amount) if line.verb == "ground" else 0
            if not same_line(last, line, made):
                return ""
            if not self._attended and reader.server_started() < last[-1].stored:
                return ""
        told = told_last(last, self.plan.zone, self.progress.ahead)
        return f"the last line of the run says the same ({told}); once more?"

    def _doubled(self, line: Line) -> str:
        """Whether the move that a line tells of, itself or as `done`, is stored already."""
        moves = self.advice.action in ("offset", "hold") and self.whole and self.advice.offset_um
        amount = line.amount if line.verb == "offset" else line.verb == "done" and moves
        if not amount:
            return ""
        part = self.turn.part_number(self.progress, line.part) if line.part else self.progress.made
        with self.ledger.reading() as reader:
            there = reader.entries_between(self.run.id, (part, part))
        return doubled(holding(there), amount)

    # -- readings ------------------------------------------------------------------------------

    def _readings(self, progress: Progress, line: Line) -> list[Entry]:
        part, values = self.turn.placed(progress, line)
        ahead = progress.ahead
        if not progress.made and line.part:
            ahead = int(line.part) - part
        clerk = self._clerk()
        counts = dict(progress.read) if part == progress.made else {}
        told = []
        for feature, value in values:
            told.append(
                Entry(
                    "reading",
                    part,
                    str(part + ahead),
                    clerk.now,
                    feature.name,
                    value.deviation_um,
                    value.size,
                    value.decimals,
                    counts.get(feature.name, 0),
                    text=value.text,
                    who=self.who,
                )
            )
            counts[feature.name] = counts.get(feature.name, 0) + 1
        # The other features of a part still belong to the turn in which the act was advised.
        passed = clerk.passed_over(progress) if part > progress.made else []
        return [*passed, *told]

    # -- events --------------------------------------------------------------------------------

    def _event(self, progress: Progress, line: Line) -> list[Entry]:
        clerk = self._clerk()
        answers = clerk.by_doing(progress, line)
        minutes = line.amount if line.verb == "pause" else None
        um = None if line.verb == "pause" else line.amount
        part = self.turn.part_number(progress, line.part) if line.part else progress.made
        if part > progress.made and (not answers or answers[0].text == "other act"):
            # Further on, it answers nothing: parts were ground as if nothing had been advised.
            answers = clerk.passed_over(progress)
        told = clerk.event(part, line.verb, um, minutes, line.note)
        if line.part:
            told = replace(told, serial=line.part)
        return [*answers, told]

    def _clerk(self) -> Clerk:
        return Clerk(self.who, self.clock())

    def _ground(self, progress: Progress, line: Line) -> list[Entry]:
        part = progress.made + int(line.amount or 1)
        serial = str(part + progress.ahead)
        clerk = self._clerk()
        told = Entry("part", part, serial, clerk.now, who=self.who)
        return [*clerk.passed_over(progress), told]

    def _undo(self, line: Line) -> Reply:
        with self.adding() as writer:
            typed = (
                self._typed_for(writer, line.part)
                if line.part
                else self.typed_last(writer, undone=False)
            )
            if not typed:
                of = f" for part {line.part}" if line.part else ""
                raise NotUnderstood(f"undo: nothing typed here{of} is left to take back")
            taken = [
                Entry("withdrawn", e.part, line.part, self.clock(), e.what, corrects=e.line,
                      note=line.note or UNDONE, who=self.who)
                for e in reversed(typed)
            ]  # fmt: skip
            called = [_called(e, self.serial(e.part)) for e in typed]
            part, far_back = self.serial(typed[-1].part), typed[-1].part < self.progress.made
            last = writer.append(self.run.id, taken)
            self.progress = resume(writer, self.run, self.plan)
            writer.keep_state(self.run.id, last, self.progress.content())
        self.turn = Turn(self.plan)
        names = [c for c, e in zip(called, typed, strict=True) if e.kind != "answer"]
        of = f" of part {part}" if line.part or far_back else ""
        return Reply(tuple(typed), said=f"taken back: {', '.join(names or [typed[0].what])}{of}")

    def _typed_for(self, reader: Reader, written: str) -> list[Stored]:
        """The readings typed of a part that hold."""
        part = (whole(written) or 0) - self.progress.ahead
        told = holding(reader.entries_between(self.run.id, (part, part)))
        return [e for e in told if e.kind == "reading" and e.source is None]


def _asks(asked: Question) -> Reply:
    return Reply(question=asked.words, instead=asked.instead)


def _called(entry: Stored, serial: str) -> str:
    """What an entry is called when it is taken back."""
    return entry.text or entry.what or f"ground up to part {serial}"
