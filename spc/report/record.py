"""The adviser's own record: what it called for, what was done about it, and what came of it."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from spc.findings import Act, Prompt
from spc.report.lens import Lens
from spc.report.marks import mark_key
from spc.report.pieces import Table

#: Calls listed on the page, newest last.
MOST_LISTED = 40
#: Measured parts on each side that a call's outcome is read from, as many as for an act's effect;
#: one alone tells no distance from its own scatter.
_SIDE, _FEWEST = 3, 2
#: Calls after which no size need come closer.
_MOVE_NOTHING = ("measure_again", "check", "hold")
#: Acts that move the size: no outcome is read across one of them, offsets of a known amount apart.
_MOVES = ("dress", "offset", "wheel", "swivel")
_ANSWERED_BY = {
    "offset": ("offset",), "dress": ("dress", "wheel"), "swivel": ("swivel",),
    "let_it_warm": ("pause",), "check": ("master", "coolant", "note"), "hold": ("cleared",),
}  # fmt: skip


@dataclass(frozen=True)
class Call:
    """
    One call for an act, however often it was repeated until it was answered or withdrawn.

    `answer` is the act that answered it; `again` is True where a second reading was called for and
    taken. `before` and `after` are distances of the lead feature from its target, in µm, over the
    parts next to the answer; None where they are too few or nothing was done.
    """

    first: Prompt
    last: Prompt
    times: int
    answer: Act | None
    again: bool
    before: float | None
    after: float | None

    @property
    def answered(self) -> bool:
        """Whether what was called for was done."""
        return self.answer is not None or self.again

    @property
    def came_closer(self) -> bool | None:
        """Whether the size came closer to its target after the answer."""
        if self.answer is None or self.before is None or self.after is None:
            return None
        return self.after < self.before


def calls(lens: Lens) -> tuple[Call, ...]:
    """Every call for an act along the run."""
    return tuple(_call(lens, streak) for streak in _streaks(lens))


def _streaks(lens: Lens) -> Iterator[list[Prompt]]:
    """Prompts for the same act that follow each other with no answer between them."""
    streak: list[Prompt] = []
    for prompt in lens.study.prompts:
        if streak and _parted(lens, streak[-1], prompt):
            yield streak
            streak = []
        if prompt.advice.action != "grind_on":
            streak.append(prompt)
    if streak:
        yield streak


def _parted(lens: Lens, before: Prompt, after: Prompt) -> bool:
    """Whether a prompt is another call than the one before: answered, or a dress in between."""
    if after.advice.action != before.advice.action or _answer(lens, before, after.part):
        return True
    return any(
        act.kind in ("dress", "wheel") and before.part <= act.after_part < after.part
        for act in lens.study.acts
    )


def _answer(lens: Lens, prompt: Prompt, before_part: int) -> Act | None:
    """The first act after the prompt that is what it called for."""
    wanted = _ANSWERED_BY.get(prompt.advice.action, ())
    for act in lens.study.acts:
        if prompt.part <= act.after_part < before_part and act.kind in wanted:
            return act
    return None


def _call(lens: Lens, streak: list[Prompt]) -> Call:
    last = streak[-1]
    following = [p.part for p in lens.study.prompts if p.part > last.part]
    until = following[0] if following else lens.study.last_part + 1
    answer = _answer(lens, last, until)
    told = answer is not None and last.advice.action not in _MOVE_NOTHING
    before, after = _distances(lens, answer.after_part) if answer and told else (None, None)
    again = last.advice.action == "measure_again" and _read_again(lens, last.part)
    return Call(streak[0], last, len(streak), answer, again, before, after)


def _read_again(lens: Lens, part: int) -> bool:
    table = lens.study.run.measurements
    return bool(((table["part"] == part) & (table["repeat"] > 0)).any())


def _distances(lens: Lens, part: int) -> tuple[float | None, float | None]:
    """
    Distance from target before and after what was done after `part`.

    Offsets typed between the parts of one side are taken out, so that all of them stand where the
    one next to the act would: the sizes before it and after it, and no mean across another act.
    """
    lead = lens.lead
    if lead is None or lead.of.feature.target_um is None:
        return None, None
    offsets, others = [], []
    for act in lens.study.acts:
        if act.kind == "offset" and act.amount_um is not None and act.after_part != part:
            offsets.append((act.after_part, act.amount_um))
        elif act.kind in _MOVES:
            others.append(act.after_part)
    begun = max((at for at in others if at < part), default=0)
    ended = min((at for at in others if at > part), default=lens.study.last_part)
    parts, y = lead.of.series.parts, lead.of.series.deviation_um
    low, until, high = np.searchsorted(parts, (begun, part, ended), side="right")
    sides = (max(low, until - _SIDE), until), (until, min(high, until + _SIDE))
    before, after = (
        [
            y[k]
            - lead.of.feature.target_um
            + sum(um for at, um in offsets if own <= at < part)
            - sum(um for at, um in offsets if part < at < own)
            for k, own in enumerate(parts[slice(*side)].tolist(), side[0])
        ]
        for side in sides
    )
    return _distance(before), _distance(after)


def _distance(away: list[float]) -> float | None:
    return abs(float(np.mean(away))) if len(away) >= _FEWEST else None


# --- in words -------------------------------------------------------------------------------------


def summary(lens: Lens) -> str:
    """How many calls there were, how many were answered, and what came of them."""
    say, found = lens.voice.say, calls(lens)
    if not found:
        return say("record.none")
    answered = [c for c in found if c.answered]
    still = sum(_is_open(lens, call) for call in found)
    closer = sum(c.came_closer is True for c in answered)
    farther = sum(c.came_closer is False for c in answered)
    untold = len(answered) - closer - farther
    return say(
        "record.summary", done=len(answered), closer=closer, farther=farther,
        untold=say("record.untold", n=untold) if untold else "",
        calls=say("record.calls_one") if len(found) == 1 else say("record.calls", n=len(found)),
        left=len(found) - len(answered) - still,
        open=say("record.still_open", n=still) if still else "",
    )  # fmt: skip


def record_table(lens: Lens) -> Table | None:
    """One line per call: what it was, what answered it, what came of it."""
    say, found = lens.voice.say, calls(lens)
    if not found:
        return None
    shown = found[-MOST_LISTED:]
    head = tuple(say(f"record.{h}") for h in ("part", "call", "times", "answer", "outcome", "why"))
    caption = say("record.title")
    if len(found) > len(shown):
        caption = f"{caption}: {say('proof.last_of', n=len(shown), total=len(found))}"
    return Table(
        head, tuple(_row(lens, call) for call in shown), frozenset({2}), caption,
        tuple(mark_key(c.last.advice.action, c.last.advice.offset_um) for c in shown),
    )  # fmt: skip


def _row(lens: Lens, call: Call) -> tuple[str, ...]:
    say, voice, advice = lens.voice.say, lens.voice, call.last.advice
    amount = "" if advice.offset_um is None else f" {voice.um(advice.offset_um, 1, signed=True)}"
    return (
        lens.span(call.first.part, call.last.part),
        say(f"action.{advice.action}") + amount,
        str(call.times),
        _answer_words(lens, call),
        _outcome_words(lens, call),
        voice.retell(advice.evidence, 500),
    )


def _is_open(lens: Lens, call: Call) -> bool:
    """Whether the call is the last word of the adviser, so that it may still be answered."""
    return not call.answered and call.last is lens.study.prompts[-1]


def _answer_words(lens: Lens, call: Call) -> str:
    say, voice, act = lens.voice.say, lens.voice, call.answer
    if call.again:
        return say("record.again")
    if act is None:
        return say("record.open") if _is_open(lens, call) else say("record.not_done")
    done = say(f"event.{act.kind}")
    if act.amount_um is not None:
        done = f"{done} {voice.um(act.amount_um, 1, signed=True)}"
    return say("record.done", act=done, part=act.after_part)


def _outcome_words(lens: Lens, call: Call) -> str:
    told = call.last.advice.action not in _MOVE_NOTHING
    aimed = lens.lead is not None and lens.lead.of.feature.target_um is not None
    if not told or call.answer is None or lens.lead is None or not aimed:
        return lens.voice.say("record.unknown")
    if call.before is None or call.after is None:
        return lens.voice.say("record.few")
    before, after = (lens.lead.estimate(v) for v in (call.before, call.after))
    key = "record.closer" if call.after < call.before else "record.farther"
    return lens.voice.say(key, before=before, after=after)
