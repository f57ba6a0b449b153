"""What looks odd in a typed line, as a question before anything of it is stored."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from spc.advising import register_in
from spc.ledger.entry import whole
from spc.ledger.replay import Progress
from spc.live.held import HeldNow
from spc.live.turn import Turn
from spc.live.typed import Line, NotUnderstood, Value
from spc.plan import Feature, Plan

#: A part number further ahead than this, and than the part that is due, is a slip until said
#: otherwise. Own choice: more parts than are ground between two looks in most shops.
FAR_AHEAD = 20


@dataclass(frozen=True)
class Question:
    """
    What is asked about a line.

    Attributes
    ----------
    line : Line
        Of which nothing is stored before the answer.
    words : str
        To be answered with yes or no.
    place : int or None
        Of the number it is about; None: about the line.
    feature : str
        Of that number.
    begins : bool
        Whether it asks what is asked of the first line alone, and of no other once it is answered.
    """

    line: Line
    words: str
    place: int | None = None
    feature: str = ""
    begins: bool = False

    @property
    def instead(self) -> str:
        """What may be typed besides yes and no."""
        if self.place is None or len(self.line.numbers) == 1:
            return "or type it anew"
        return f"or type {self.feature} anew, the other readings are kept"

    def confirmed(self) -> Line:
        """The line once this was answered with yes."""
        return replace(self.line, meant=(*self.line.meant, self.words))

    def anew(self, typed: Line) -> Line:
        """
        The line once something else was typed: with another number in this place, or that one.

        Raises
        ------
        NotUnderstood
            For anything else while a value is in doubt: what was kept of the line would be lost, or
            land on other features or behind what came later.
        """
        if self.place is None:
            if typed.verb in ("skip", "undo"):
                # Meant for this line, they would change another.
                raise self._still(typed, self.line.text, "or another line in its place")
            return typed
        before, now = self.line.numbers, typed.numbers
        if len(now) == len(before) and (typed.part or (len(now) > 1 and not typed.feature)):
            return typed if typed.part else replace(self.line, numbers=now, text=typed.text)
        if len(now) == 1 and not typed.part and typed.feature in ("", self.feature):
            numbers = (*before[: self.place], now[0], *before[self.place + 1 :])
            return replace(self.line, numbers=numbers, text=" ".join(numbers))
        whole = f"{self.feature} alone, or all {len(before)} readings anew"
        instead = "or type it anew" if len(before) == 1 else whole
        raise self._still(typed, f"{before[self.place]} of {self.feature}", instead)

    def _still(self, typed: Line, what: str, instead: str) -> NotUnderstood:
        return NotUnderstood(
            f"{typed.text or 'Enter'}: {what} is still in question: yes, no, {instead}"
        )


def in_doubt(line: Line, values: Sequence[tuple[Feature, Value]]) -> list[Question]:
    """Numbers of a line too far out to be taken unasked, one question each."""
    return [
        Question(line, f"{value.doubt}; typed as meant?", place, feature.name)
        for place, (feature, value) in enumerate(values)
        if value.doubt
    ]


def far_ahead(progress: Progress, turn: Turn, line: Line) -> str:
    """A part number with a digit too many."""
    if not line.part or line.verb == "undo" or not progress.made:
        return ""
    ahead = turn.part_number(progress, line.part) - progress.made
    if ahead <= max(FAR_AHEAD, turn.due(progress)[0] - progress.made):
        return ""
    last = progress.made + progress.ahead
    return f"part {line.part} is {ahead} parts after part {last}, the last one; really?"


def left_waiting(progress: Progress) -> str:
    """Parts ground on while the last one was to get another reading."""
    advice = progress.advice
    if advice.action != "measure_again":
        return ""
    which = {1: "second", 2: "third"}.get(progress.read.get(advice.subject, 0), "next")
    part = progress.made + progress.ahead
    return f"part {part} waits for its {which} reading; ground on all the same?"


def clears_more(progress: Progress, held: HeldNow, line: Line) -> str:
    """A part named behind `cleared`, which ends every hold there is."""
    words = line.note.removeprefix("part ").split() or [""]
    written = whole(words[0].removeprefix("#"))
    if written is None:
        return ""
    part = written - progress.ahead
    spans = sorted({(span.first, span.last) for span in held.spans})
    mine = [span for span in spans if span[0] <= part <= span[1]]
    if len(spans) == len(mine) == 1:
        return ""
    named = [_span(first + progress.ahead, last + progress.ahead) for first, last in spans]
    if not named:
        return f"part {written} is not on hold, nor is any other; store it all the same?"
    whose = f"not only that of part {written}" if mine else f"and part {written} is in none"
    return f"cleared ends every hold, {' and '.join(named)}, {whose}; clear all?"


def _span(first: int, last: int) -> str:
    return f"part {first}" if first == last else f"parts {first} to {last}"


def unnamed(plan: Plan, line: Line) -> str:
    """Whether an offset says nothing of its register where the plan names several."""
    lead = plan.lead
    names = list(dict.fromkeys(f.moved_by for f in plan.features if f.is_size and f.moved_by))
    if line.verb != "offset" or lead is None or len(names) < 2 or register_in(line.note, plan):
        return ""
    return (
        f"the offset registers are {', '.join(names)}; without a name, as in `offset -3 "
        f"{names[-1]}`, the move counts for {lead.moved_by or lead.name}; really?"
    )
