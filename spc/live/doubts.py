"""What looks odd in a typed line, as a question before anything of it is stored."""

from spc.ledger.entry import whole
from spc.ledger.replay import Progress
from spc.live.held import HeldNow
from spc.live.turn import Turn
from spc.live.typed import Line

#: A part number further ahead than this, and than the part that is due, is a slip until said
#: otherwise. Own choice: more parts than are ground between two looks in most shops.
FAR_AHEAD = 20


def far_ahead(progress: Progress, turn: Turn, line: Line) -> str:
    """A part number with a digit too many."""
    if not line.part or not progress.made:
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
